package schedule

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/workflow"
)

// TaskQueue is the task queue of planners. It is one of its own, so that a plan that
// takes minutes never keeps programs waiting.
const TaskQueue = "velamen-plans"

// SearchQueue is the task queue of the searches that planners ask for.
const SearchQueue = "velamen-plan-searches"

// Registered names of the workflows; never change them.
const (
	// PlannerType is that of PlannerWorkflow.
	PlannerType = "Planner"
	// DailyPlanType is that of DailyPlanWorkflow.
	DailyPlanType = "DailyPlan"
)

// Names of the planner's messages; never change them.
const (
	// signalPlan carries a plan that waits to be worked out.
	signalPlan = "plan"
	// signalChanged carries the reason for which plans may no longer be good.
	signalChanged = "changed"
	// updateDecided carries that a plan was accepted or rejected.
	updateDecided = "decided"
	// queryPlanner returns what the planner holds.
	queryPlanner = "planner"
)

// PlannerID returns the id of a nursery's planner.
func PlannerID(nursery string) string { return "planner/" + nursery }

// How long changes are collected before a new plan is made of them, so that a morning
// of reports makes one plan: until none came for settleFor, and at most collectFor.
// Design values.
const (
	settleFor  = 30 * time.Second
	collectFor = 5 * time.Minute
)

// maxMessagesPerRun bounds the history of one run where the server suggests no
// earlier end.
const maxMessagesPerRun = 500

// PlannerInput starts the planner of a nursery.
type PlannerInput struct {
	Nursery string `json:"nursery"`
	// Carried is what the run before held; nil at first.
	Carried *PlannerState `json:"carried,omitempty"`
}

// PlannerState is what a planner holds. What a plan is stands in the database; the
// planner knows ids and reasons.
type PlannerState struct {
	// Waiting are the ids of plans that are to be worked out, in their order.
	Waiting []string `json:"waiting,omitempty"`
	// Reasons are what changed since the last plan was asked for.
	Reasons []string `json:"reasons,omitempty"`
	// FirstChange and LastChange are when the first and the last of them came.
	FirstChange time.Time `json:"first_change"`
	LastChange  time.Time `json:"last_change"`
	// Proposed is the id of the last plan that was proposed and not decided on, Accepted
	// that of the last one accepted; empty when none.
	Proposed string `json:"proposed,omitempty"`
	Accepted string `json:"accepted,omitempty"`
	// Replans counts the plans that were made of changes.
	Replans int64 `json:"replans"`
}

// PlanAgain asks for a plan because of changes.
type PlanAgain struct {
	Nursery string   `json:"nursery"`
	Reasons []string `json:"reasons"`
	// Origin tells this asking from any other.
	Origin string `json:"origin"`
}

// WorkedOut is where a plan stands after the search.
type WorkedOut struct {
	Plan string `json:"plan"`
	// State is that of the plan, without its prefix.
	State string `json:"state"`
}

// stateProposed is WorkedOut's State of a plan that waits for a manager.
const stateProposed = "PROPOSED"

// PlannerWorkflow plans for one nursery: it has plans worked out one after the other,
// and asks for a new one when what it is told changes. It never ends.
func PlannerWorkflow(ctx workflow.Context, input PlannerInput) error {
	p := &planner{nursery: input.Nursery}
	if input.Carried != nil {
		p.state = *input.Carried
	}
	if err := p.listen(ctx); err != nil {
		return err
	}
	for !p.full(ctx) {
		p.hear(ctx)
		if err := p.next(ctx); err != nil {
			return err
		}
	}
	return p.continueAsNew(ctx)
}

// planner is one run of the workflow.
type planner struct {
	nursery        string
	state          PlannerState
	plans, changes workflow.ReceiveChannel
	// messages counts what this run heard and did.
	messages int
}

func (p *planner) listen(ctx workflow.Context) error {
	p.plans, p.changes = workflow.GetSignalChannel(ctx, signalPlan), workflow.GetSignalChannel(ctx, signalChanged)
	err := workflow.SetUpdateHandlerWithOptions(ctx, updateDecided, p.decided, workflow.UpdateHandlerOptions{Validator: validDecision})
	if err != nil {
		return err
	}
	return workflow.SetQueryHandler(ctx, queryPlanner, func() (PlannerState, error) { return p.state, nil })
}

// validDecision refuses what is no decision. What the database has recorded is never
// refused.
func validDecision(_ workflow.Context, decided PlanDecided) error {
	if decided.Plan == "" {
		return errors.New("a decision names its plan")
	}
	return nil
}

// decided notes a decision and returns the plan that people work by.
func (p *planner) decided(_ workflow.Context, decided PlanDecided) (string, error) {
	p.messages++
	if p.state.Proposed == decided.Plan {
		p.state.Proposed = ""
	}
	if decided.Accepted {
		p.state.Accepted = decided.Plan
	}
	return p.state.Accepted, nil
}

// hear takes all signals that have come.
func (p *planner) hear(ctx workflow.Context) {
	var asked PlanAsked
	for p.plans.ReceiveAsync(&asked) {
		p.messages++
		if !slices.Contains(p.state.Waiting, asked.Plan) {
			p.state.Waiting = append(p.state.Waiting, asked.Plan)
		}
	}
	var changed ConditionsChanged
	for p.changes.ReceiveAsync(&changed) {
		p.messages++
		p.note(changed.Reason, workflow.Now(ctx))
	}
}

func (p *planner) note(reason string, now time.Time) {
	if len(p.state.Reasons) == 0 {
		p.state.FirstChange = now
	}
	p.state.LastChange = now
	if !slices.Contains(p.state.Reasons, reason) {
		p.state.Reasons = append(p.state.Reasons, reason)
	}
}

// next does what is to be done next, or waits until there is something.
func (p *planner) next(ctx workflow.Context) error {
	if len(p.state.Waiting) > 0 {
		return p.workOut(ctx)
	}
	heard := func() bool { return p.plans.Len()+p.changes.Len() > 0 || p.full(ctx) }
	if len(p.state.Reasons) == 0 {
		return workflow.Await(ctx, heard)
	}
	if wait := p.settled().Sub(workflow.Now(ctx)); wait > 0 {
		_, err := workflow.AwaitWithTimeout(ctx, wait, heard)
		return err
	}
	return p.planAgain(ctx)
}

// settled is when the changes so far are made into a plan.
func (p *planner) settled() time.Time {
	settled, latest := p.state.LastChange.Add(settleFor), p.state.FirstChange.Add(collectFor)
	if settled.After(latest) {
		return latest
	}
	return settled
}

// workOut has the first waiting plan worked out. A plan that fails again and again is
// given up, so that those behind it have their turn.
func (p *planner) workOut(ctx workflow.Context) error {
	var a *Activities
	plan := p.state.Waiting[0]
	var done WorkedOut
	err := workflow.ExecuteActivity(solving(ctx), a.WorkOutPlan, p.nursery, plan).Get(ctx, &done)
	if temporal.IsCanceledError(err) {
		return err
	}
	if err != nil {
		workflow.GetLogger(ctx).Error("a plan could not be worked out", "plan", plan, "error", err)
		err = workflow.ExecuteActivity(brief(ctx), a.FailPlan, p.nursery, plan).Get(ctx, &done)
	}
	if err != nil {
		return err
	}
	p.messages++
	p.hear(ctx) // it may have been asked for again meanwhile
	if done.State == stateProposed {
		p.state.Proposed = plan
	}
	p.state.Waiting = slices.DeleteFunc(p.state.Waiting, func(waiting string) bool { return waiting == plan })
	return nil
}

// planAgain asks for a plan because of the changes that were collected.
func (p *planner) planAgain(ctx workflow.Context) error {
	var a *Activities
	reasons := p.state.Reasons
	p.state.Reasons = nil
	p.state.Replans++
	origin := fmt.Sprintf("%s/%s/%d", PlannerID(p.nursery), workflow.GetInfo(ctx).FirstRunID, p.state.Replans)
	var plan string
	err := workflow.ExecuteActivity(brief(ctx), a.PlanAgain, PlanAgain{Nursery: p.nursery, Reasons: reasons, Origin: origin}).Get(ctx, &plan)
	if err != nil {
		return err
	}
	p.messages++
	if plan != "" && !slices.Contains(p.state.Waiting, plan) {
		p.state.Waiting = append(p.state.Waiting, plan)
	}
	return nil
}

func (p *planner) full(ctx workflow.Context) bool {
	return p.messages >= maxMessagesPerRun || workflow.GetInfo(ctx).GetContinueAsNewSuggested()
}

// continueAsNew begins a new run with an empty history that holds the same.
func (p *planner) continueAsNew(ctx workflow.Context) error {
	if err := workflow.Await(ctx, func() bool { return workflow.AllHandlersFinished(ctx) }); err != nil {
		return err
	}
	p.hear(ctx)
	return workflow.NewContinueAsNewError(ctx, PlannerType, PlannerInput{Nursery: p.nursery, Carried: &p.state})
}

// brief sets how activities run that are one short transaction: they are tried until
// the database answers.
func brief(ctx workflow.Context) workflow.Context {
	return workflow.WithActivityOptions(ctx, workflow.ActivityOptions{
		StartToCloseTimeout: 30 * time.Second,
		RetryPolicy:         &temporal.RetryPolicy{InitialInterval: time.Second, BackoffCoefficient: 2, MaximumInterval: time.Minute},
	})
}

// How long the search of a plan may be silent, take as a whole, and how often it is
// tried. The time that a nursery allows counts only the search itself.
const (
	silentFor    = 20 * time.Second
	searchWithin = time.Hour
	searchTries  = 20
)

// solving sets how the search runs: it says that it lives, and when its process dies
// another one goes on from what is in the database.
func solving(ctx workflow.Context) workflow.Context {
	return workflow.WithActivityOptions(ctx, workflow.ActivityOptions{
		TaskQueue:           SearchQueue,
		StartToCloseTimeout: searchWithin,
		HeartbeatTimeout:    silentFor,
		RetryPolicy: &temporal.RetryPolicy{
			InitialInterval: time.Second, BackoffCoefficient: 2, MaximumInterval: time.Minute, MaximumAttempts: searchTries,
		},
	})
}

// DailyPlanWorkflow asks for the plan of a nursery at its time of the day. The
// planner does the rest.
func DailyPlanWorkflow(ctx workflow.Context, nursery string) error {
	var a *Activities
	origin := "daily/" + workflow.GetInfo(ctx).WorkflowExecution.ID
	return workflow.ExecuteActivity(brief(ctx), a.PlanDaily, nursery, origin).Get(ctx, nil)
}
