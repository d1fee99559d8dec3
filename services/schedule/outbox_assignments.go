package schedule

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/treatment"
)

// AssignmentConsumer returns the consumer that marks what people were told to do as
// done or withdrawn, when a program or an inspection says so.
func AssignmentConsumer(db *postgres.DB) postgres.Consumer {
	return postgres.Consumer{
		Name:   "assignments",
		Topics: []string{treatment.TopicProgramAdvanced, diagnosis.TopicInspected},
		Apply: func(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
			if event.Topic == diagnosis.TopicInspected {
				return followInspection(ctx, tx, event)
			}
			return followProgram(ctx, tx, event, db.Now())
		},
	}
}

// followInspection marks the routine inspection of a house as done with the first
// inspection of a lot or a bench of it after it was told.
func followInspection(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
	var inspected diagnosis.Inspected
	if err := json.Unmarshal(event.Payload, &inspected); err != nil {
		return fmt.Errorf("read what was inspected: %w", err)
	}
	return finishSinceTold(ctx, tx, event.Nursery, resource.Of("nurseries", event.Nursery, "houses", inspected.House), inspected.At)
}

func followProgram(ctx context.Context, tx pgx.Tx, event postgres.Event, now time.Time) error {
	var advanced treatment.ProgramAdvanced
	if err := json.Unmarshal(event.Payload, &advanced); err != nil {
		return fmt.Errorf("read what happened to a program: %w", err)
	}
	prefix := stepPrefix(event.Nursery, advanced.Program)
	if advanced.Event.Kind == treatment.EventStepConfirmed {
		if err := finish(ctx, tx, event.Nursery, prefix+advanced.Event.Step, advanced.Event.At); err != nil {
			return err
		}
	}
	left, err := assignedFor(ctx, tx, event.Nursery, prefix)
	if err != nil || len(left) == 0 {
		return err
	}
	course, err := treatment.ReadCourse(ctx, tx, event.Nursery, advanced.Program)
	if err != nil {
		return err
	}
	for _, a := range left {
		if noLongerWanted(course, lastPart(a.job.GetJob())) {
			if err := withdraw(ctx, tx, event.Nursery, a.id, now); err != nil {
				return err
			}
		}
	}
	return nil
}
