package schedule

import (
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
	"velamen/services/treatment"
)

// AssignmentConsumer returns the consumer that marks what people were told to do as
// done or withdrawn, when a program says so.
func AssignmentConsumer() postgres.Consumer {
	return postgres.Consumer{
		Name:   "assignments",
		Topics: []string{treatment.TopicProgramAdvanced},
		Apply:  followProgram,
	}
}

func followProgram(ctx context.Context, tx pgx.Tx, event postgres.Event) error {
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
			if err := withdraw(ctx, tx, event.Nursery, a.id); err != nil {
				return err
			}
		}
	}
	return nil
}
