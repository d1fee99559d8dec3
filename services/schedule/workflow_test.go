package schedule

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/temporal"
	"go.temporal.io/sdk/testsuite"
	"go.temporal.io/sdk/workflow"
)

// stage is a planner in Temporal's test environment, which skips the waiting. What
// it asks its activities is noted with the time since the start.
type stage struct {
	t     *testing.T
	env   *testsuite.TestWorkflowEnvironment
	begin time.Time
	notes []string
	// failing says how often searches fail before they succeed, retryAfter how long it
	// takes until another process goes on; 0 leaves that to the workflow.
	failing    int
	retryAfter time.Duration
	// unwanted is true where the nursery wants no plans for changes.
	unwanted bool
	plans    int
}

func newStage(t *testing.T) *stage {
	t.Helper()
	suite := &testsuite.WorkflowTestSuite{}
	suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
	s := &stage{t: t, env: suite.NewTestWorkflowEnvironment(), begin: begin}
	s.env.SetStartTime(begin)
	s.env.SetTestTimeout(time.Minute)
	s.env.RegisterWorkflowWithOptions(PlannerWorkflow, workflow.RegisterOptions{Name: PlannerType})
	s.env.RegisterWorkflowWithOptions(DailyPlanWorkflow, workflow.RegisterOptions{Name: DailyPlanType})
	s.env.RegisterActivity(s)
	return s
}

func (s *stage) note(format string, args ...any) {
	s.notes = append(s.notes, s.env.Now().Sub(s.begin).Truncate(time.Second).String()+" "+fmt.Sprintf(format, args...))
}

// WorkOutPlan stands for the search.
func (s *stage) WorkOutPlan(_ context.Context, _, plan string) (WorkedOut, error) {
	s.note("search %s", plan)
	if s.failing > 0 {
		s.failing--
		return WorkedOut{}, temporal.NewApplicationErrorWithOptions("the process stopped", "Stopped",
			temporal.ApplicationErrorOptions{NextRetryDelay: s.retryAfter})
	}
	return WorkedOut{Plan: plan, State: stateProposed}, nil
}

// FailPlan notes that a plan is given up.
func (s *stage) FailPlan(_ context.Context, _, plan string) (WorkedOut, error) {
	s.note("give up %s", plan)
	return WorkedOut{Plan: plan, State: "FAILED"}, nil
}

// PlanAgain notes why a plan is asked for.
func (s *stage) PlanAgain(_ context.Context, again PlanAgain) (string, error) {
	s.note("plan because %s", joinReasons(again.Reasons))
	if s.unwanted {
		return "", nil
	}
	s.plans++
	return fmt.Sprintf("again-%d", s.plans), nil
}

// PlanDaily notes that the plan of the day is asked for.
func (s *stage) PlanDaily(_ context.Context, nursery, origin string) error {
	s.note("daily plan of %s, %s", nursery, origin)
	return nil
}

// after does something so long after the start.
func (s *stage) after(delay time.Duration, do func()) { s.env.RegisterDelayedCallback(do, delay) }

func (s *stage) ask(delay time.Duration, plan string) {
	s.after(delay, func() { s.env.SignalWorkflow(signalPlan, PlanAsked{Plan: plan}) })
}

func (s *stage) change(delay time.Duration, reason string) {
	s.after(delay, func() { s.env.SignalWorkflow(signalChanged, ConditionsChanged{Reason: reason, At: s.env.Now()}) })
}

// run runs the planner for a while and returns what it did.
func (s *stage) run(length time.Duration, carried *PlannerState) []string {
	s.t.Helper()
	s.after(length, s.env.CancelWorkflow)
	s.env.ExecuteWorkflow(PlannerWorkflow, PlannerInput{Nursery: "test", Carried: carried})
	require.True(s.t, s.env.IsWorkflowCompleted())
	var canceled *temporal.CanceledError
	require.ErrorAs(s.t, s.env.GetWorkflowError(), &canceled, "a planner never ends by itself")
	return s.notes
}

func (s *stage) state() PlannerState {
	s.t.Helper()
	value, err := s.env.QueryWorkflow(queryPlanner)
	require.NoError(s.t, err)
	var state PlannerState
	require.NoError(s.t, value.Get(&state))
	return state
}

func TestAPlanThatIsAskedForIsWorkedOutOnce(t *testing.T) {
	s := newStage(t)
	s.ask(time.Second, "d-1")
	s.ask(time.Second, "d-1")
	require.Equal(t, []string{"1s search d-1"}, s.run(time.Hour, nil))
	require.Equal(t, PlannerState{Proposed: "d-1"}, s.state())
}

func TestPlansAreWorkedOutOneAfterTheOther(t *testing.T) {
	s := newStage(t)
	s.failing, s.retryAfter = 1, 10*time.Second
	s.ask(time.Second, "d-1")
	s.ask(2*time.Second, "d-2")
	s.ask(3*time.Second, "d-3")
	require.Equal(t, []string{"1s search d-1", "11s search d-1", "11s search d-2", "11s search d-3"}, s.run(time.Hour, nil))
	require.Equal(t, "d-3", s.state().Proposed)
}

func TestChangesAreCollectedUntilNoneCameForHalfAMinute(t *testing.T) {
	s := newStage(t)
	s.change(0, "sprayer Cart is out of service")
	s.change(20*time.Second, "program p-2 began")
	s.change(40*time.Second, "sprayer Cart is out of service")
	require.Equal(t, []string{
		"1m10s plan because sprayer Cart is out of service; program p-2 began",
		"1m10s search again-1",
	}, s.run(time.Hour, nil))
}

func TestChangesThatGoOnAreMadeIntoAPlanAfterFiveMinutes(t *testing.T) {
	s := newStage(t)
	for i := range 20 {
		s.change(time.Duration(i)*20*time.Second, "the weather changed")
	}
	require.Equal(t, []string{
		"5m0s plan because the weather changed", "5m0s search again-1",
		"6m50s plan because the weather changed", "6m50s search again-2",
	}, s.run(time.Hour, nil))
}

func TestAPlanThatSomebodyAsksForDoesNotWaitForChangesToSettle(t *testing.T) {
	s := newStage(t)
	s.change(0, "program p-2 began")
	s.ask(10*time.Second, "d-1")
	require.Equal(t, []string{
		"10s search d-1", "30s plan because program p-2 began", "30s search again-1",
	}, s.run(time.Hour, nil))
}

func TestChangesDuringASearchMakeAPlanAfterIt(t *testing.T) {
	s := newStage(t)
	s.failing, s.retryAfter = 1, 10*time.Minute
	s.ask(0, "d-1")
	s.change(time.Minute, "sprayer Cart is out of service")
	require.Equal(t, []string{
		"0s search d-1", "10m0s search d-1", "10m30s plan because sprayer Cart is out of service", "10m30s search again-1",
	}, s.run(time.Hour, nil))
}

func TestANurseryThatWantsNoPlansForChangesGetsNone(t *testing.T) {
	s := newStage(t)
	s.unwanted = true
	s.change(0, "program p-2 began")
	require.Equal(t, []string{"30s plan because program p-2 began"}, s.run(time.Hour, nil))
}

func TestASearchThatFailsIsTriedAgain(t *testing.T) {
	s := newStage(t)
	s.failing = 2
	s.ask(0, "d-1")
	require.Equal(t, []string{"0s search d-1", "1s search d-1", "3s search d-1"}, s.run(time.Hour, nil))
	require.Equal(t, "d-1", s.state().Proposed)
}

func TestAPlanThatFailsAgainAndAgainMakesRoomForTheNext(t *testing.T) {
	s := newStage(t)
	s.failing = searchTries
	s.ask(0, "d-1")
	s.ask(0, "d-2")
	notes := s.run(24*time.Hour, nil)
	require.Len(t, notes, searchTries+2)
	require.Contains(t, notes[searchTries], "give up d-1")
	require.Contains(t, notes[searchTries+1], "search d-2")
	require.Equal(t, PlannerState{Proposed: "d-2"}, s.state())
}

func (s *stage) decide(delay time.Duration, decided PlanDecided, outcome *error) {
	s.after(delay, func() {
		s.env.UpdateWorkflow(updateDecided, "decided-"+decided.Plan, &testsuite.TestUpdateCallback{
			OnReject:   func(err error) { *outcome = err },
			OnAccept:   func() {},
			OnComplete: func(_ any, err error) { *outcome = err },
		}, decided)
	})
}

func TestADecisionIsNoted(t *testing.T) {
	s := newStage(t)
	var first, second error
	s.ask(0, "d-1")
	s.decide(time.Minute, PlanDecided{Plan: "d-1", Accepted: true}, &first)
	s.ask(2*time.Minute, "d-2")
	s.decide(3*time.Minute, PlanDecided{Plan: "d-2"}, &second)
	s.run(time.Hour, nil)
	require.NoError(t, errors.Join(first, second))
	require.Equal(t, PlannerState{Accepted: "d-1"}, s.state())
}

func TestADecisionThatNamesNoPlanIsRefused(t *testing.T) {
	s := newStage(t)
	var refused error
	s.decide(time.Second, PlanDecided{Accepted: true}, &refused)
	s.run(time.Minute, nil)
	require.ErrorContains(t, refused, "names its plan")
}

func TestAPlannerContinuesAsNewWithAllThatItHolds(t *testing.T) {
	s := newStage(t)
	s.failing, s.retryAfter = 1, time.Minute
	s.ask(0, "d-6")
	s.change(5*time.Second, "program p-2 began")
	s.ask(10*time.Second, "d-7")
	s.after(20*time.Second, func() { s.env.SetContinueAsNewSuggested(true) })
	s.env.ExecuteWorkflow(PlannerWorkflow, PlannerInput{Nursery: "test", Carried: &PlannerState{Accepted: "d-1"}})
	require.True(t, s.env.IsWorkflowCompleted())
	require.ErrorContains(t, s.env.GetWorkflowError(), "continue as new")
	carried := s.state()
	require.Equal(t, []string{"d-7"}, carried.Waiting)
	require.Equal(t, []string{"program p-2 began"}, carried.Reasons)
	require.Equal(t, "d-1", carried.Accepted)

	next := newStage(t)
	next.begin = begin.Add(time.Minute)
	next.env.SetStartTime(next.begin)
	require.Equal(t, []string{
		"0s search d-7", "30s plan because program p-2 began", "30s search again-1",
	}, next.run(time.Hour, &carried))
}

func TestTheDailyPlanIsAskedForOnceADay(t *testing.T) {
	s := newStage(t)
	s.env.ExecuteWorkflow(DailyPlanWorkflow, "test")
	require.NoError(t, s.env.GetWorkflowError())
	require.Len(t, s.notes, 1)
	require.Contains(t, s.notes[0], "daily plan of test, daily/")
}
