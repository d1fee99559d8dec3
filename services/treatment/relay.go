package treatment

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/api/serviceerror"
	"go.temporal.io/sdk/client"

	"velamen/internal/postgres"
)

// relayTimeout bounds one delivery to Temporal; after it the outbox tries again.
const relayTimeout = 20 * time.Second

// Relay returns the consumer that starts the workflows of programs and tells
// them what was recorded. An event may reach a workflow twice, after a crash; the
// update's id and the event's sequence make the second one harmless.
func Relay(c client.Client) postgres.Consumer {
	r := relay{client: c}
	return postgres.Consumer{
		Name:   "programs",
		Topics: []string{TopicProgramStarted, TopicProgramAdvanced},
		Send:   r.send,
		// A delivery waits for Temporal far longer than it works.
		Parallel: 16,
	}
}

type relay struct {
	client client.Client
}

func (r relay) send(ctx context.Context, event postgres.Event) error {
	ctx, cancel := context.WithTimeout(ctx, relayTimeout)
	defer cancel()
	switch event.Topic {
	case TopicProgramStarted:
		var started ProgramStarted
		if err := json.Unmarshal(event.Payload, &started); err != nil {
			return err
		}
		return StartWorkflow(ctx, r.client, event.Nursery, started.Program)
	case TopicProgramAdvanced:
		var advanced ProgramAdvanced
		if err := json.Unmarshal(event.Payload, &advanced); err != nil {
			return err
		}
		return r.advance(ctx, event.Nursery, advanced)
	default:
		return fmt.Errorf("unknown topic %q", event.Topic)
	}
}

// StartWorkflow starts the workflow of a program, or finds it running. A new
// workflow reads its position from the database, so that it is also how a lost
// one is repaired; that of an ended program ends at once.
func StartWorkflow(ctx context.Context, c client.Client, nursery, program string) error {
	_, err := c.ExecuteWorkflow(ctx, client.StartWorkflowOptions{
		ID:                       WorkflowID(nursery, program),
		TaskQueue:                TaskQueue,
		WorkflowIDConflictPolicy: enumspb.WORKFLOW_ID_CONFLICT_POLICY_USE_EXISTING,
		WorkflowIDReusePolicy:    enumspb.WORKFLOW_ID_REUSE_POLICY_ALLOW_DUPLICATE,
	}, WorkflowType, ProgramInput{Nursery: nursery, Program: program})
	return err
}

// StartLost starts the workflow of every program that goes on and has none:
// Temporal's state may have been lost or restored from an older backup. It
// returns how many programs it looked at.
func StartLost(ctx context.Context, db *postgres.DB, c client.Client) (int, error) {
	programs, err := readOpenPrograms(ctx, db)
	if err != nil {
		return 0, err
	}
	for i, p := range programs {
		if err := StartWorkflow(ctx, c, p.nursery, p.id); err != nil {
			return i, fmt.Errorf("start the workflow of %s: %w", programName(p.nursery, p.id), err)
		}
	}
	return len(programs), nil
}

func (r relay) advance(ctx context.Context, nursery string, advanced ProgramAdvanced) error {
	handle, err := r.client.UpdateWorkflow(ctx, client.UpdateWorkflowOptions{
		UpdateID:     fmt.Sprintf("event-%d", advanced.Event.Sequence),
		WorkflowID:   WorkflowID(nursery, advanced.Program),
		UpdateName:   updateAdvance,
		Args:         []any{advanced.Event},
		WaitForStage: client.WorkflowUpdateStageCompleted,
	})
	if err == nil {
		var reached int64
		err = handle.Get(ctx, &reached)
	}
	var gone *serviceerror.NotFound
	if errors.As(err, &gone) {
		// It has ended, or Temporal lost it: starting finds out which, and a new
		// one reads this event from the database.
		return StartWorkflow(ctx, r.client, nursery, advanced.Program)
	}
	return err
}
