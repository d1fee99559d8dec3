package treatment

import (
	"context"

	"github.com/jackc/pgx/v5"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"

	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// errProgramMissing is the type of the error of a program that is not in the
// database: trying again cannot help.
const errProgramMissing = "ProgramMissing"

// Activities are what a program's workflow does outside itself.
type Activities struct {
	db *postgres.DB
}

// NewActivities returns the activities on a database.
func NewActivities(db *postgres.DB) *Activities { return &Activities{db: db} }

// Worker is what programs are registered on.
type Worker interface {
	RegisterWorkflowWithOptions(w any, options workflow.RegisterOptions)
	RegisterActivity(a any)
}

// Register registers the workflow and the activities.
func Register(w Worker, activities *Activities) {
	w.RegisterWorkflowWithOptions(ProgramWorkflow, workflow.RegisterOptions{Name: WorkflowType})
	w.RegisterActivity(activities)
}

// NewWorker returns a worker that runs programs; the caller starts and stops it.
func NewWorker(c client.Client, db *postgres.DB) worker.Worker {
	w := worker.New(c, TaskQueue, worker.Options{})
	Register(w, NewActivities(db))
	return w
}

// LoadProgram reads the plan and the state of a program.
func (a *Activities) LoadProgram(ctx context.Context, nursery, id string) (Position, error) {
	p, err := readProgram(ctx, a.db, nursery, id, false)
	if err != nil {
		return Position{}, permanent(err)
	}
	return Position{Plan: p.plan, State: p.state}, nil
}

// RaiseAlarm records an alarm and returns the state after it. When something
// happened since the workflow looked, nothing is recorded and the newer state is
// returned; when the alarm was recorded before, likewise. When the workflow and
// the database disagree, because the database was restored or another version
// made the state, nothing is recorded and the database's state is returned.
func (a *Activities) RaiseAlarm(ctx context.Context, raised AlarmRaised) (State, error) {
	var state State
	err := a.db.InTx(ctx, func(tx pgx.Tx) error {
		p, err := readProgram(ctx, tx, raised.Nursery, raised.Program, true)
		if err != nil {
			return err
		}
		state = p.state
		if p.state.Sequence != raised.After {
			return nil
		}
		now := a.db.Now()
		event := Event{Sequence: raised.After + 1, Kind: raised.Alarm.Kind, Step: raised.Alarm.Step, At: now}
		after, err := Apply(p.plan, p.state, event)
		if fault.Is(err, fault.ProgramState) {
			return nil
		}
		if err != nil {
			return err
		}
		p.state = after
		if err := insertEvent(ctx, tx, p.nursery, p.id, record{Event: event, created: now}); err != nil {
			return err
		}
		state = p.state
		return updateProgram(ctx, tx, p)
	})
	return state, permanent(err)
}

// permanent marks an error that trying again cannot mend.
func permanent(err error) error {
	if fault.Is(err, fault.NotFoundReason) {
		return temporal.NewNonRetryableApplicationError(err.Error(), errProgramMissing, err)
	}
	return err
}
