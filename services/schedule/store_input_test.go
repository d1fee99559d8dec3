package schedule

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// workable gives a nursery what a plan needs: a product, hours of the manager, who
// applies, and what the knapsack puts out.
func (n nursery) workable(t *testing.T) {
	t.Helper()
	n.applied(t)
	var shifts []*schedulev1.Shift
	for day := schedulev1.Weekday_WEEKDAY_MONDAY; day <= schedulev1.Weekday_WEEKDAY_SUNDAY; day++ {
		shifts = append(shifts, &schedulev1.Shift{Hours: &schedulev1.WeeklyHours{Weekday: day, Start: "07:00", End: "16:00"}})
	}
	_, err := n.schedule.UpdateWorkPattern(n.manager, &schedulev1.UpdateWorkPatternRequest{
		WorkPattern: &schedulev1.WorkPattern{Name: "nurseries/test/workPatterns/mira", Shifts: shifts, Applies: true}, RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	sprayer := knapsack()
	sprayer.Name, sprayer.OutputPerMinute = "nurseries/test/sprayers/knapsack", &typev1.Quantity{Amount: "0.5", Unit: "L"}
	_, err = n.schedule.UpdateSprayer(n.manager, &schedulev1.UpdateSprayerRequest{Sprayer: sprayer, RequestId: uuid.NewString()})
	require.NoError(t, err)
}

// compiledNow reads and compiles what a nursery has to do.
func (n nursery) compiledNow(t *testing.T, days int) *compiled {
	t.Helper()
	var in Input
	require.NoError(t, n.db.InSnapshot(t.Context(), func(tx pgx.Tx) error {
		var err error
		in, err = readInput(t.Context(), tx, "test", n.clock.Now(), days)
		return err
	}))
	c := compile(in)
	require.NoError(t, c.problem.Validate())
	return c
}

func (n nursery) planNow(t *testing.T, c *compiled) (model.Plan, *schedulev1.DayPlan) {
	t.Helper()
	result, err := search.Solve(t.Context(), c.problem, search.Options{Seed: 1, Rounds: 1, Start: c.toldPlan()})
	require.NoError(t, err)
	score, violations := checker.Check(c.problem, result.Plan)
	require.Empty(t, violations)
	return result.Plan, c.dayPlan(result.Plan, score, provenBy(result.Bound))
}

func (n nursery) breaks(t *testing.T, c *compiled, plan model.Plan) []ruleBreak {
	t.Helper()
	var breaks []ruleBreak
	require.NoError(t, n.db.InSnapshot(t.Context(), func(tx pgx.Tx) error {
		var err error
		breaks, err = holdToRules(t.Context(), tx, c, plan)
		return err
	}))
	return breaks
}

func work(t *testing.T, c *compiled, job string) Work {
	t.Helper()
	for _, w := range c.input.Work {
		if w.Job == job {
			return w
		}
	}
	require.Failf(t, "no such work", "%s of %v", job, c.input.Work)
	return Work{}
}

func TestAChainIsPlannedAheadFromTheSystemicToTheContactSpray(t *testing.T) {
	n := setUpNursery(t)
	n.workable(t)
	program := n.start(t, "l1", 50, untilSystemic()...)

	c := n.compiledNow(t, 20)
	systemic := work(t, c, program.GetName()+"/steps/systemic-1")
	require.NotNil(t, systemic.Chemical, systemic.Impossible)
	require.Equal(t, "nurseries/test/products/thiophanate", systemic.Chemical.Product)
	require.Equal(t, productsv1.Method_METHOD_SPRAY, systemic.Chemical.Method)
	require.Equal(t, "1.2 L", systemic.Chemical.Volume.String(), "12 m2 of bench at a usual tenth of a litre: the label says nothing of water")
	require.Equal(t, "12 h", systemic.Chemical.RestrictedEntryInterval.String())
	require.True(t, systemic.Chemical.Protected, "the label asks for gloves")

	contact := work(t, c, program.GetName()+"/steps/contact-1")
	require.Len(t, contact.After, 1)
	require.Equal(t, systemic.Job, contact.After[0].Job)
	require.Equal(t, 12*24*time.Hour, contact.After[0].Least)
	require.True(t, contact.Open.IsZero(), "it waits for the systemic spray only")
}

func TestAPlanOfARunningNurseryKeepsEveryRule(t *testing.T) {
	n := setUpNursery(t)
	n.workable(t)
	program := n.start(t, "l1", 50, untilSystemic()...)

	c := n.compiledNow(t, 2)
	plan, day := n.planNow(t, c)
	require.Empty(t, n.breaks(t, c, plan))
	systemic := inPlan(t, day, program.GetName()+"/steps/systemic-1")
	require.Equal(t, "nurseries/test/people/mira", systemic.GetPerson())
	require.Equal(t, "nurseries/test/sprayers/knapsack", systemic.GetSprayer())
	require.Equal(t, systemic.GetEndTime().AsTime().Add(24*time.Hour), systemic.GetClosedUntilTime().AsTime(),
		"nothing is entered that changes the air of the house, so that it stays closed for longer than the interval of 12 h")
	require.EqualValues(t, 1, systemic.GetTankLoad())
	require.Equal(t, schedulev1.Change_CHANGE_UNSPECIFIED, systemic.GetChange())
}

func TestAPausedProgramIsNotPlanned(t *testing.T) {
	n := setUpNursery(t)
	n.workable(t)
	program := n.start(t, "l1", 50, untilSystemic()...)
	_, err := n.treatment.PauseProgram(n.manager, &treatmentv1.PauseProgramRequest{Name: program.GetName(), Note: "the owner decides", RequestId: uuid.NewString()})
	require.NoError(t, err)
	for _, w := range n.compiledNow(t, 7).input.Work {
		require.NotContains(t, w.Job, program.GetName())
	}
}

func TestAStepWithoutAProductThatPassesSaysWhy(t *testing.T) {
	n := setUpNursery(t)
	program := n.start(t, "l1", 50, untilSystemic()...)
	c := n.compiledNow(t, 2)
	systemic := work(t, c, program.GetName()+"/steps/systemic-1")
	require.Nil(t, systemic.Chemical)
	require.Equal(t, "No product of the nursery passes the rules for it. None holds an active ingredient of the step.", systemic.Impossible)
}

func TestWhatWasSprayedClosesItsHouse(t *testing.T) {
	n := setUpNursery(t)
	end := begin.Add(-30 * time.Minute)
	n.start(t, "l1", 50, append(untilSystemic(), &treatmentv1.CompletedStep{Key: "systemic", Confirmation: &treatmentv1.Confirmation{
		StartTime: timestamppb.New(end.Add(-15 * time.Minute)), EndTime: timestamppb.New(end), Treatments: n.applied(t),
	}})...)
	c := n.compiledNow(t, 2)
	require.Equal(t, []model.Span{{From: 0, To: 24*60 - 30}}, c.problem.Spaces[0].Closed, "24 h without vents or fans, of which 30 minutes are over")
}

func TestAPlannedSprayIsHeldToTheRulesAsTheyAreByThen(t *testing.T) {
	n := setUpNursery(t)
	n.workable(t)
	program := n.start(t, "l1", 50, untilSystemic()...)
	c := n.compiledNow(t, 2)
	systemic, known := c.index[program.GetName()+"/steps/systemic-1"]
	require.True(t, known)
	plan := make(model.Plan, len(c.jobs))
	plan[systemic] = model.Placement{Placed: true, Start: 60, NewLoad: true}
	require.Empty(t, n.breaks(t, c, plan))

	n.clock.now = begin.AddDate(0, 0, 1)
	_, err := n.products.UpdateProduct(n.manager, &productsv1.UpdateProductRequest{
		Product:    &productsv1.Product{Name: "nurseries/test/products/thiophanate", RegistrationExpireDate: &typev1.Date{Value: "2026-03-01"}},
		UpdateMask: mask([]string{"registration_expire_date"}), RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	breaks := n.breaks(t, c, plan)
	require.Len(t, breaks, 1)
	require.Equal(t, c.jobs[systemic], breaks[0].job)
	require.Contains(t, breaks[0].text, "ended on 2026-03-01")
	require.True(t, breaks[0].until.IsZero(), "waiting does not help")
}

func inPlan(t *testing.T, day *schedulev1.DayPlan, job string) *schedulev1.PlannedJob {
	t.Helper()
	for _, found := range day.GetJobs() {
		if found.GetJob() == job {
			return found
		}
	}
	require.Failf(t, "not planned", "%s: %v", job, day.GetUnplanned())
	return nil
}
