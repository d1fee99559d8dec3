package stock

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
)

// Consumer applies the commands that other services send. Each is applied in the
// transaction that marks it delivered; a lot that is already as the command
// wants it is left, so that the same command twice changes nothing more.
func Consumer() postgres.Consumer {
	return postgres.Consumer{
		Name:   "stock",
		Topics: []string{TopicHold, TopicFree, TopicDiscard, TopicIsolate, TopicRestrict, TopicUnrestrict},
		Apply:  apply,
	}
}

func apply(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
	switch event.Topic {
	case TopicHold:
		return applyTo(ctx, tx, event, hold)
	case TopicFree:
		return applyTo(ctx, tx, event, free)
	case TopicDiscard:
		return applyTo(ctx, tx, event, discard)
	case TopicIsolate:
		return applyTo(ctx, tx, event, isolate)
	case TopicRestrict:
		return applyTo(ctx, tx, event, restrict)
	case TopicUnrestrict:
		return applyTo(ctx, tx, event, unrestrict)
	default:
		return fmt.Errorf("the stock knows no command %q", event.Topic)
	}
}

func applyTo[C any](ctx context.Context, tx pgx.Tx, event postgres.Event, work func(ctx context.Context, tx pgx.Tx, nursery string, command C) error) error {
	var command C
	if err := json.Unmarshal(event.Payload, &command); err != nil {
		return fmt.Errorf("payload of %s: %w", event.Topic, err)
	}
	return work(ctx, tx, event.Nursery, command)
}

func hold(ctx context.Context, tx pgx.Tx, nursery string, command Hold) error {
	lots, err := lockNamed(ctx, tx, nursery, command.Lots)
	if err != nil {
		return err
	}
	for _, lot := range lots {
		if lot.HoldingCase == command.Case {
			continue
		}
		if err := checkFree(lot); err != nil {
			return err
		}
		if err := setHoldingCase(ctx, tx, nursery, lot.ID, command.Case); err != nil {
			return err
		}
	}
	return nil
}

func free(ctx context.Context, tx pgx.Tx, nursery string, command Free) error {
	lots, err := lockWithRest(ctx, tx, nursery, command.Lots, func(known []string) ([]string, error) {
		if !command.Ended {
			return nil, nil
		}
		return heldBeside(ctx, tx, nursery, command.Case, known)
	})
	if err != nil {
		return err
	}
	for _, lot := range lots {
		if lot.HoldingCase != command.Case {
			continue
		}
		if err := setHoldingCase(ctx, tx, nursery, lot.ID, ""); err != nil {
			return err
		}
	}
	return nil
}

func discard(ctx context.Context, tx pgx.Tx, nursery string, command Discard) error {
	person, err := ownID(nursery, "person", command.Person, "people")
	if err != nil {
		return err
	}
	lots, err := lockWithRest(ctx, tx, nursery, command.Lots, func(known []string) ([]string, error) {
		return partsBeside(ctx, tx, nursery, known)
	})
	if err != nil {
		return err
	}
	for _, lot := range lots {
		if lot.Plants == 0 {
			continue
		}
		err := enter(ctx, tx, nursery, lotEvent{
			lot: lot.ID, kind: kindDisposed, plants: -lot.Plants, place: place{house: lot.House, bench: lot.Bench},
			note: command.Note, person: person, time: clock.Stored(command.Time),
		})
		if err != nil {
			return err
		}
	}
	return nil
}

func restrict(ctx context.Context, tx pgx.Tx, nursery string, command Restrict) error {
	lots, err := lockNamed(ctx, tx, nursery, command.Lots)
	if err != nil {
		return err
	}
	return insertRestriction(ctx, tx, nursery, command.Duty, lots, Restriction{
		NoMasking: command.NoMasking, Disorder: command.Disorder, Start: clock.Stored(command.Time),
	})
}

func unrestrict(ctx context.Context, tx pgx.Tx, nursery string, command Unrestrict) error {
	held, err := restrictedUnder(ctx, tx, nursery, command.Duty)
	if err != nil {
		return err
	}
	if _, err := lockLots(ctx, tx, nursery, held...); err != nil {
		return err
	}
	return endRestriction(ctx, tx, nursery, command.Duty)
}

// isolate asks neither whether the bench still keeps lots apart nor whether an
// authority holds the lots: it did, or did not, when a person confirmed that the
// lots stand there. A command that is refused would
// keep every later one of its case waiting.
func isolate(ctx context.Context, tx pgx.Tx, nursery string, command Isolate) error {
	person, err := ownID(nursery, "person", command.Person, "people")
	if err != nil {
		return err
	}
	at, err := resource.Parse("bench", command.Bench, "nurseries", "houses", "benches")
	if err != nil {
		return err
	}
	lots, err := lockNamed(ctx, tx, nursery, command.Lots)
	if err != nil {
		return err
	}
	bench, err := readBench(ctx, tx, nursery, at[1], at[2], keepBench)
	if err != nil {
		return err
	}
	for _, lot := range lots {
		if lot.Plants == 0 || (lot.House == bench.House && lot.Bench == bench.ID) {
			continue
		}
		moved := lotEvent{lot: lot.ID, kind: kindMoved, place: place{house: bench.House, bench: bench.ID}, person: person, time: clock.Stored(command.Time)}
		if err := enter(ctx, tx, nursery, moved); err != nil {
			return err
		}
	}
	return nil
}

// lockNamed is lockLots by names; a lot named twice comes once.
func lockNamed(ctx context.Context, tx pgx.Tx, nursery string, names []string) ([]Lot, error) {
	seen := map[string]bool{}
	var ids []string
	for _, name := range names {
		id, err := ownID(nursery, "lots", name, "lots")
		if err != nil {
			return nil, err
		}
		if !seen[id] {
			seen[id] = true
			ids = append(ids, id)
		}
	}
	return lockLots(ctx, tx, nursery, ids...)
}

// lockWithRest locks lots by their names and those that rest finds beside them.
// It asks until there are no more: a split that is under way adds its part only
// when it lets go of the lot that gives the plants.
func lockWithRest(ctx context.Context, tx pgx.Tx, nursery string, names []string, rest func(known []string) ([]string, error)) ([]Lot, error) {
	lots, err := lockNamed(ctx, tx, nursery, names)
	if err != nil {
		return nil, err
	}
	for {
		known := make([]string, len(lots))
		for i, lot := range lots {
			known[i] = lot.ID
		}
		more, err := rest(known)
		if err != nil || len(more) == 0 {
			return lots, err
		}
		added, err := lockLots(ctx, tx, nursery, more...)
		if err != nil {
			return nil, err
		}
		lots = append(lots, added...)
	}
}

// ownID reads the id of a resource that must be in the nursery of the command.
func ownID(nursery, field, name, collection string) (string, error) {
	ids, err := resource.Parse(field, name, "nurseries", collection)
	if err != nil {
		return "", err
	}
	if ids[0] != nursery {
		return "", fault.Field(field, "%q is not in the nursery %s", name, nursery).With("name", name)
	}
	return ids[1], nil
}
