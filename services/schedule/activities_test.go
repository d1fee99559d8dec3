package schedule

import (
	"context"
	"encoding/hex"
	"errors"
	"log/slog"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/testsuite"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/postgres"
	"velamen/internal/rpc/rpctest"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// planningNursery is a nursery whose people work and whose sprayer can be planned
// with, and in which programs wait.
func planningNursery(t *testing.T, programs int) nursery {
	t.Helper()
	n := setUpNursery(t)
	n.applied(t) // adds the product
	for _, person := range []string{"wandile", "mira"} {
		pattern := &schedulev1.WorkPattern{Name: "nurseries/test/workPatterns/" + person, Applies: true}
		for day := schedulev1.Weekday_WEEKDAY_MONDAY; day <= schedulev1.Weekday_WEEKDAY_SUNDAY; day++ {
			pattern.Shifts = append(pattern.Shifts, &schedulev1.Shift{Hours: &schedulev1.WeeklyHours{Weekday: day, Start: "07:00", End: "17:00"}})
		}
		_, err := n.schedule.UpdateWorkPattern(n.manager, &schedulev1.UpdateWorkPatternRequest{WorkPattern: pattern, RequestId: uuid.NewString()})
		require.NoError(t, err)
	}
	_, err := n.schedule.UpdateSprayer(n.manager, &schedulev1.UpdateSprayerRequest{RequestId: uuid.NewString(), Sprayer: &schedulev1.Sprayer{
		Name: "nurseries/test/sprayers/knapsack", OutputPerMinute: &typev1.Quantity{Amount: "1", Unit: "L"}, MixMinutes: 5,
	}})
	require.NoError(t, err)
	for i := range programs {
		lot := "lot-" + string(rune('a'+i))
		if i%2 == 0 {
			n.start(t, lot, 50)
			continue
		}
		n.start(t, lot, 50, untilSystemic()...)
	}
	require.NoError(t, n.outbox.Drain(context.Background()))
	return n
}

// ask asks for a plan and returns its id.
func (n nursery) ask(t *testing.T) string {
	t.Helper()
	plan, err := n.schedule.CreateDayPlan(n.manager, &schedulev1.CreateDayPlanRequest{Parent: "nurseries/test", SolveSeconds: 60, RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, plan.GetState())
	return lastPart(plan.GetName())
}

// activities are those of a server, with segments of one round.
func (n nursery) activities() *Activities {
	a := NewActivities(n.db, n.outbox, slog.New(slog.DiscardHandler))
	a.search = brieflySearch
	return a
}

// brieflySearch is the search with segments of one round, which the few jobs of a test
// do not need more of.
func brieflySearch(ctx context.Context, p *model.Problem, options search.Options) (search.Result, error) {
	options.Rounds = 1
	return search.Solve(ctx, p, options)
}

// workOut runs the activity as a worker does, once.
func workOut(t *testing.T, a *Activities, plan string) (WorkedOut, error) {
	t.Helper()
	suite := &testsuite.WorkflowTestSuite{}
	suite.SetLogger(log.NewStructuredLogger(slog.New(slog.DiscardHandler)))
	env := suite.NewTestActivityEnvironment()
	env.RegisterActivity(a)
	value, err := env.ExecuteActivity(a.WorkOutPlan, "test", plan)
	if err != nil {
		return WorkedOut{}, err
	}
	var done WorkedOut
	require.NoError(t, value.Get(&done))
	return done, nil
}

func (n nursery) plan(t *testing.T, id string) *schedulev1.DayPlan {
	t.Helper()
	plan, err := n.schedule.GetDayPlan(rpctest.As(t.Context(), rpctest.Worker), &schedulev1.GetDayPlanRequest{Name: planName("test", id)})
	require.NoError(t, err)
	return plan
}

// proposal asks for a plan and works it out.
func (n nursery) proposal(t *testing.T) *schedulev1.DayPlan {
	t.Helper()
	id := n.ask(t)
	done, err := workOut(t, n.activities(), id)
	require.NoError(t, err)
	require.Equal(t, WorkedOut{Plan: id, State: stateProposed}, done, n.plan(t, id).GetFailure())
	return n.plan(t, id)
}

func TestAPlanIsWorkedOutAndProposed(t *testing.T) {
	n := planningNursery(t, 4)
	plan := n.proposal(t)
	require.NotEmpty(t, plan.GetJobs())
	require.Equal(t, "asked for by Mira Manager", plan.GetTrigger())
	require.NotEmpty(t, plan.GetPoints())
	require.Equal(t, engine, plan.GetEngine())
	require.NotEmpty(t, plan.GetCaution())
	row, err := readPlan(context.Background(), n.db, "test", lastPart(plan.GetName()), "")
	require.NoError(t, err)
	require.Equal(t, int32(len(plan.GetJobs())), row.watched().GetPlanned())
}

func TestAPlanThatIsWorkedOutIsLeftAlone(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.proposal(t)
	a := n.activities()
	a.search = func(context.Context, *model.Problem, search.Options) (search.Result, error) {
		return search.Result{}, errors.New("nothing is to be searched")
	}
	done, err := workOut(t, a, lastPart(plan.GetName()))
	require.NoError(t, err)
	require.Equal(t, stateProposed, done.State)
	require.Equal(t, plan.GetEtag(), n.plan(t, lastPart(plan.GetName())).GetEtag())
}

// dying breaks the search off after some segments, as a killed process does.
func dying(a *Activities, segments int) {
	a.search = func(ctx context.Context, p *model.Problem, options search.Options) (search.Result, error) {
		if segments--; segments < 0 {
			return search.Result{}, errors.New("killed")
		}
		return brieflySearch(ctx, p, options)
	}
}

func TestAKilledSearchGoesOnAsIfItHadNotBeen(t *testing.T) {
	n := planningNursery(t, 6)
	whole, killed := n.ask(t), n.ask(t)
	_, err := workOut(t, n.activities(), whole)
	require.NoError(t, err)

	for _, segments := range []int{0, 1, 2, 3} {
		a := n.activities()
		dying(a, segments)
		if _, err := workOut(t, a, killed); err == nil {
			break // the search ended before it was killed
		}
		n.clock.now = n.clock.now.Add(time.Minute)
	}
	n.clock.now = begin.Add(10 * time.Minute)
	_, err = workOut(t, n.activities(), killed)
	require.NoError(t, err)
	first, second := n.plan(t, whole), n.plan(t, killed)
	require.Equal(t, first.GetInputHash(), second.GetInputHash())
	require.Equal(t, first.GetRounds(), second.GetRounds())
	require.Equal(t, first.GetPlanHash(), second.GetPlanHash())
}

func TestASearchBeginsAgainWhenWhatItDependsOnChanged(t *testing.T) {
	n := planningNursery(t, 3)
	id := n.ask(t)
	a := n.activities()
	dying(a, 1)
	_, err := workOut(t, a, id)
	require.ErrorContains(t, err, "killed")
	before, err := readPlan(context.Background(), n.db, "test", id, "")
	require.NoError(t, err)
	require.Equal(t, 1, before.segment)

	n.start(t, "another", 30)
	n.clock.now = begin.Add(5 * time.Minute)
	_, err = workOut(t, n.activities(), id)
	require.NoError(t, err)
	plan := n.plan(t, id)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, plan.GetState())
	require.NotEqual(t, hex.EncodeToString(before.inputHash), plan.GetInputHash())
	require.Equal(t, begin.Add(5*time.Minute), plan.GetStartTime().AsTime(), "it plans from when it read again")
}

func TestASearchIsRepeatedFromWhatIsKept(t *testing.T) {
	n := planningNursery(t, 5)
	plan := n.proposal(t)
	was, err := problemOf(context.Background(), n.db, "test", lastPart(plan.GetName()))
	require.NoError(t, err)
	again, err := replay(context.Background(), brieflySearch, was, plan.GetSeed(), int(plan.GetRounds()))
	require.NoError(t, err)
	require.Equal(t, plan.GetPlanHash(), hex.EncodeToString(hashOf(again)))
	_, violations := checker.Check(was.Problem, again)
	require.Empty(t, violations)
}

func TestAPlanThatDoesNotPassTheCheckIsNeverShown(t *testing.T) {
	n := planningNursery(t, 2)
	a := n.activities()
	a.search = func(ctx context.Context, p *model.Problem, options search.Options) (search.Result, error) {
		result, err := brieflySearch(ctx, p, options)
		for j := range result.Plan {
			result.Plan[j].Start = 0 // all at once, in the middle of whatever
		}
		return result, err
	}
	id := n.ask(t)
	done, err := workOut(t, a, id)
	require.NoError(t, err)
	require.Equal(t, "FAILED", done.State)
	plan := n.plan(t, id)
	require.Contains(t, plan.GetFailure(), "did not pass the check")
	require.Empty(t, plan.GetJobs())
}

func TestAPlanOfAnotherDatabaseIsForgotten(t *testing.T) {
	n := setUpNursery(t)
	done, err := workOut(t, n.activities(), "d-77")
	require.NoError(t, err)
	require.Equal(t, WorkedOut{Plan: "d-77"}, done)
}

func TestANurseryWithoutWorkGetsAnEmptyPlan(t *testing.T) {
	n := planningNursery(t, 0)
	plan := n.proposal(t)
	require.Empty(t, plan.GetJobs())
	require.Equal(t, "0", plan.GetPoints())
}

func TestChangesMakeAPlanWhereTheNurseryWantsThat(t *testing.T) {
	n := planningNursery(t, 1)
	a := n.activities()
	wants := func(replan bool) {
		settings, err := n.schedule.GetPlanningSettings(n.manager, &schedulev1.GetPlanningSettingsRequest{Name: "nurseries/test/planningSettings"})
		require.NoError(t, err)
		settings.ReplanOnEvents = replan
		_, err = n.schedule.UpdatePlanningSettings(n.manager, &schedulev1.UpdatePlanningSettingsRequest{
			PlanningSettings: settings, UpdateMask: replanOnly, RequestId: uuid.NewString(),
		})
		require.NoError(t, err)
	}
	again := PlanAgain{Nursery: "test", Reasons: []string{"program p-9 began"}, Origin: "planner/test/run/1"}
	wants(false)
	none, err := a.PlanAgain(context.Background(), again)
	require.NoError(t, err)
	require.Empty(t, none)
	wants(true)
	first, err := a.PlanAgain(context.Background(), again)
	require.NoError(t, err)
	require.Equal(t, "program p-9 began", n.plan(t, first).GetTrigger())
	second, err := a.PlanAgain(context.Background(), again)
	require.NoError(t, err)
	require.Equal(t, first, second, "asked once more after a crash")
}

func TestWhatARuleRefusesIsPlannedForAnotherTime(t *testing.T) {
	n := planningNursery(t, 2)
	before := n.proposal(t)
	refused := n.sprayed(t, before)
	until := refused.GetStartTime().AsTime().Add(3 * time.Hour)
	a := n.activities()
	a.hold = func(_ context.Context, _ postgres.Reader, c *compiled, plan model.Plan) ([]ruleBreak, error) {
		if j := c.index[refused.GetJob()]; plan[j].Placed && c.at(plan[j].Start).Before(until) {
			return []ruleBreak{{job: refused.GetJob(), text: "Too soon after the last one.", until: until}}, nil
		}
		return nil, nil
	}
	id := n.ask(t)
	done, err := workOut(t, a, id)
	require.NoError(t, err)
	require.Equal(t, stateProposed, done.State)
	for _, job := range n.plan(t, id).GetJobs() {
		if job.GetJob() == refused.GetJob() {
			require.False(t, job.GetStartTime().AsTime().Before(until), "%s", job.GetStartTime().AsTime())
		}
	}
}

func TestWhatARuleRefusesAgainAndAgainIsLeftOutWithItsWords(t *testing.T) {
	n := planningNursery(t, 2)
	refused := n.sprayed(t, n.proposal(t)).GetJob()
	a := n.activities()
	var tries int
	a.hold = func(_ context.Context, _ postgres.Reader, c *compiled, plan model.Plan) ([]ruleBreak, error) {
		if j, ok := c.index[refused]; ok && plan[j].Placed {
			tries++
			return []ruleBreak{{job: refused, text: "The label allows no other use this year."}}, nil
		}
		return nil, nil
	}
	id := n.ask(t)
	_, err := workOut(t, a, id)
	require.NoError(t, err)
	require.Equal(t, ruleAttempts+1, tries)
	plan := n.plan(t, id)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, plan.GetState(), plan.GetFailure())
	for _, job := range plan.GetJobs() {
		require.NotEqual(t, refused, job.GetJob())
	}
	var reasons []string
	for _, job := range plan.GetUnplanned() {
		if job.GetJob() == refused {
			reasons = job.GetReasons()
		}
	}
	require.Contains(t, reasons, "The label allows no other use this year.")
	was, err := problemOf(context.Background(), n.db, "test", id)
	require.NoError(t, err)
	again, err := replay(context.Background(), brieflySearch, was, plan.GetSeed(), int(plan.GetRounds()))
	require.NoError(t, err)
	require.Equal(t, plan.GetPlanHash(), hex.EncodeToString(hashOf(again)), "the last attempt is what is repeated")
}

// sprayed returns the first job of a plan that applies a product.
func (n nursery) sprayed(t *testing.T, plan *schedulev1.DayPlan) *schedulev1.PlannedJob {
	t.Helper()
	for _, job := range plan.GetJobs() {
		if job.GetProduct() != "" {
			return job
		}
	}
	require.Fail(t, "no job of the plan applies a product", "%v %v", plan.GetJobs(), plan.GetUnplanned())
	return nil
}

func TestTheBoundIsWorkedOutOnceAndShownToWhoWatches(t *testing.T) {
	n := planningNursery(t, 4)
	// Nobody has the time for more than the shortest jobs: work is left out.
	for _, person := range []string{"wandile", "mira"} {
		_, err := n.schedule.UpdateWorkPattern(n.manager, &schedulev1.UpdateWorkPatternRequest{RequestId: uuid.NewString(), WorkPattern: &schedulev1.WorkPattern{
			Name: "nurseries/test/workPatterns/" + person, Applies: true,
			Shifts: []*schedulev1.Shift{{Hours: &schedulev1.WeeklyHours{Weekday: schedulev1.Weekday_WEEKDAY_TUESDAY, Start: "07:00", End: "07:40"}}},
		}})
		require.NoError(t, err)
	}
	id := n.ask(t)
	a := n.activities()
	var known []bool
	a.search = func(ctx context.Context, p *model.Problem, options search.Options) (search.Result, error) {
		known = append(known, options.Bound != nil)
		result, err := brieflySearch(ctx, p, options)
		result.Optimal = len(known) > 2 // so that there are three segments
		return result, err
	}
	_, err := workOut(t, a, id)
	require.NoError(t, err)
	require.Equal(t, []bool{false, true, true}, known)

	plan := n.plan(t, id)
	require.NotEmpty(t, plan.GetUnplanned())
	require.True(t, plan.GetBoundOfSameUnplanned())
	row, err := readWatched(context.Background(), n.db, "test", id)
	require.NoError(t, err)
	watched := row.watched()
	require.True(t, watched.GetBoundOfSameUnplanned())
	require.Equal(t, plan.GetBound(), watched.GetBound())
	require.NotEmpty(t, watched.GetGap())
}
