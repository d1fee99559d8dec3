package records

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/treatment"
)

// Consumer enters every confirmed application in the ledger. An event that is
// delivered again adds nothing.
func Consumer(db *postgres.DB) postgres.Consumer {
	return postgres.Consumer{
		Name:   "records",
		Topics: []string{treatment.TopicApplicationConfirmed},
		Apply: func(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
			return enter(ctx, tx, db, event)
		},
	}
}

func enter(ctx context.Context, tx pgx.Tx, db *postgres.DB, event postgres.Event) error {
	var applied treatment.ApplicationConfirmed
	if err := json.Unmarshal(event.Payload, &applied); err != nil {
		return fmt.Errorf("read a confirmed application: %w", err)
	}
	if nursery, named := resource.NurseryOf(applied.Application); !named || nursery != event.Nursery {
		return fmt.Errorf("application %q is not of the nursery %q", applied.Application, event.Nursery)
	}
	entries, err := entriesOf(event.Nursery, applied)
	if err != nil {
		return fmt.Errorf("application %s: %w", applied.Application, err)
	}
	last, err := lockHead(ctx, tx, event.Nursery)
	if err != nil {
		return fmt.Errorf("lock the ledger of %s: %w", event.Nursery, err)
	}
	for _, e := range entries {
		before, err := entered(ctx, tx, e)
		if err != nil {
			return err
		}
		if before {
			continue
		}
		if _, last, err = appendEntry(ctx, tx, last, e, db.Now()); err != nil {
			return fmt.Errorf("enter application %s: %w", applied.Application, err)
		}
	}
	return nil
}
