package treatment

import (
	"fmt"
	"time"

	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/workflow"
)

// TaskQueue is the task queue of programs.
const TaskQueue = "velamen-programs"

// WorkflowType is the registered name of ProgramWorkflow; never change it.
const WorkflowType = "Program"

// Names of the workflow's messages; never change them.
const (
	// updateAdvance carries an event that the database has recorded.
	updateAdvance = "advance"
	// queryPosition returns the state that the workflow holds.
	queryPosition = "position"
)

// WorkflowID returns the id of a program's workflow.
func WorkflowID(nursery, program string) string {
	return fmt.Sprintf("program/%s/%s", nursery, program)
}

// ProgramInput starts the workflow of a program.
type ProgramInput struct {
	Nursery string `json:"nursery"`
	Program string `json:"program"`
	// Carried is the position of the run before, nil at first: then it is read
	// from the database.
	Carried *Position `json:"carried,omitempty"`
}

// Position is where a program stands, and the plan that moves it on.
type Position struct {
	Plan  Plan  `json:"plan"`
	State State `json:"state"`
}

// AlarmRaised asks the database to record an alarm.
type AlarmRaised struct {
	Nursery string `json:"nursery"`
	Program string `json:"program"`
	// After is the sequence of the last event that the workflow knows.
	After int64 `json:"after"`
	Alarm Alarm `json:"alarm"`
}

// maxEventsPerRun bounds the history of one run where the server suggests no
// earlier end.
const maxEventsPerRun = 500

// correctEvery is the least time between two corrections of a position.
const correctEvery = time.Minute

// ProgramWorkflow holds the position of one program and its timers. It learns
// of every recorded event through the advance update and raises alarms when
// steps open, become overdue and stay so. It ends when the program ends.
func ProgramWorkflow(ctx workflow.Context, input ProgramInput) error {
	run := &programRun{input: input}
	if input.Carried != nil {
		run.position, run.loaded = *input.Carried, true
	}
	if err := run.listen(ctx); err != nil {
		return err
	}
	if !run.loaded {
		if err := run.load(ctx); err != nil {
			return err
		}
	}
	for !run.position.State.Status.Ended() {
		if run.full(ctx) {
			return run.continueAsNew(ctx)
		}
		if err := run.wait(ctx); err != nil {
			return err
		}
	}
	return workflow.Await(ctx, func() bool { return workflow.AllHandlersFinished(ctx) })
}

// programRun is one run of the workflow.
type programRun struct {
	input    ProgramInput
	position Position
	loaded   bool
	// events counts what this run applied.
	events int
}

func (r *programRun) listen(ctx workflow.Context) error {
	err := workflow.SetUpdateHandlerWithOptions(ctx, updateAdvance, r.advance,
		workflow.UpdateHandlerOptions{Validator: r.validate})
	if err != nil {
		return err
	}
	return workflow.SetQueryHandler(ctx, queryPosition, func() (Position, error) { return r.position, nil })
}

// validate refuses what is no event of a program. What the database has recorded
// is never refused: an event that the position does not allow means that the
// position is wrong, and the handler then reads it again.
func (r *programRun) validate(_ workflow.Context, event Event) error {
	if event.Sequence < 1 {
		return fmt.Errorf("event %d: events count from 1", event.Sequence)
	}
	return nil
}

// advance applies an event and returns the sequence that the workflow holds
// after it. Where the event does not follow the position it reads the position
// from the database, which has the event.
func (r *programRun) advance(ctx workflow.Context, event Event) (int64, error) {
	if err := workflow.Await(ctx, func() bool { return r.loaded }); err != nil {
		return 0, err
	}
	if state, err := Apply(r.position.Plan, r.position.State, event); err == nil {
		r.adopt(state)
	}
	if event.Sequence > r.position.State.Sequence {
		if err := r.load(ctx); err != nil {
			return 0, err
		}
	}
	return r.position.State.Sequence, nil
}

// adopt takes a newer state. Answers from the database may overtake each other,
// so an older one is left.
func (r *programRun) adopt(state State) {
	if state.Sequence > r.position.State.Sequence {
		r.position.State = state
		r.events++
	}
}

// load reads the position from the database.
func (r *programRun) load(ctx workflow.Context) error {
	var a *Activities
	var position Position
	err := workflow.ExecuteActivity(activityContext(ctx), a.LoadProgram, r.input.Nursery, r.input.Program).Get(ctx, &position)
	if err != nil {
		return err
	}
	r.position.Plan = position.Plan
	r.adopt(position.State)
	r.loaded = true
	return nil
}

// wait returns when something happened or an alarm was raised.
func (r *programRun) wait(ctx workflow.Context) error {
	seen := r.position.State.Sequence
	changed := func() bool { return r.position.State.Sequence != seen || r.full(ctx) }
	alarm, pending := NextAlarm(r.position.State)
	if !pending {
		return workflow.Await(ctx, changed)
	}
	if delay := alarm.At.Sub(workflow.Now(ctx)); delay > 0 {
		happened, err := workflow.AwaitWithTimeout(ctx, delay, changed)
		if err != nil || happened {
			return err
		}
	}
	var a *Activities
	var state State
	err := workflow.ExecuteActivity(activityContext(ctx), a.RaiseAlarm, AlarmRaised{
		Nursery: r.input.Nursery, Program: r.input.Program, After: seen, Alarm: alarm,
	}).Get(ctx, &state)
	if err != nil {
		return err
	}
	if state.Sequence <= seen && r.position.State.Sequence == seen {
		return r.correct(ctx, state)
	}
	r.adopt(state)
	return nil
}

// correct takes the database's state in place of one that the database does not
// have: it is the record. It waits first, so that two versions of the program
// that disagree while one replaces the other do not raise an alarm in a circle.
func (r *programRun) correct(ctx workflow.Context, recorded State) error {
	r.position.State = recorded
	r.events++
	_, err := workflow.AwaitWithTimeout(ctx, correctEvery, func() bool { return r.position.State.Sequence > recorded.Sequence })
	return err
}

func (r *programRun) full(ctx workflow.Context) bool {
	return r.events >= maxEventsPerRun || workflow.GetInfo(ctx).GetContinueAsNewSuggested()
}

// continueAsNew begins a new run with an empty history at the same position.
func (r *programRun) continueAsNew(ctx workflow.Context) error {
	if err := workflow.Await(ctx, func() bool { return workflow.AllHandlersFinished(ctx) }); err != nil {
		return err
	}
	next := r.input
	next.Carried = &r.position
	return workflow.NewContinueAsNewError(ctx, WorkflowType, next)
}

// activityContext sets how activities run: each is one short transaction, tried
// until the database answers.
func activityContext(ctx workflow.Context) workflow.Context {
	return workflow.WithActivityOptions(ctx, workflow.ActivityOptions{
		StartToCloseTimeout: 10 * time.Second,
		RetryPolicy: &temporal.RetryPolicy{
			InitialInterval: time.Second, BackoffCoefficient: 2, MaximumInterval: time.Minute,
			NonRetryableErrorTypes: []string{errProgramMissing},
		},
	})
}
