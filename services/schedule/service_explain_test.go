package schedule

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func newRequest() string { return uuid.NewString() }

func (n nursery) explain(plan *schedulev1.DayPlan, job string) (*schedulev1.ExplainJobResponse, error) {
	return n.schedule.ExplainJob(n.manager, &schedulev1.ExplainJobRequest{Name: plan.GetName(), Job: job})
}

func (n nursery) slots(plan *schedulev1.DayPlan, job string, limit int32) (*schedulev1.FindSlotsResponse, error) {
	return n.schedule.FindSlots(n.manager, &schedulev1.FindSlotsRequest{Name: plan.GetName(), Job: job, Limit: limit})
}

func TestAPlannedJobSaysWhatHoldsItAndWhereElseItCouldStand(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	first := plan.GetJobs()[0]
	other := map[string]string{
		"nurseries/test/people/mira": "Wandile Worker", "nurseries/test/people/wandile": "Mira Manager",
	}[first.GetPerson()]
	explained, err := n.explain(plan, first.GetJob())
	require.NoError(t, err)
	require.Equal(t, first.GetJob(), explained.GetPlanned().GetJob())
	require.Nil(t, explained.GetUnplanned())
	require.GreaterOrEqual(t, len(explained.GetReasons()), 2)
	last := explained.GetReasons()[len(explained.GetReasons())-1]
	require.Equal(t, "It could as well be done at 2026-03-02 10:30 by "+other+": that costs the same.", last)
	require.NotEmpty(t, explained.GetCaution())
}

func TestAPinnedJobSaysSo(t *testing.T) {
	n := planningNursery(t, 2)
	spray := sprayOf(t, n.proposal(t))
	at := timestamppb.New(time.Date(2026, 3, 4, 9, 0, 0, 0, time.UTC))
	_, err := n.pin(&schedulev1.Pin{Job: spray.GetJob(), StartTime: at, Person: "nurseries/test/people/mira"})
	require.NoError(t, err)

	plan := n.proposal(t)
	pinned := inPlan(t, plan, spray.GetJob())
	require.True(t, pinned.GetPinned())
	require.True(t, at.AsTime().Equal(pinned.GetStartTime().AsTime()))
	require.Equal(t, "nurseries/test/people/mira", pinned.GetPerson())
	explained, err := n.explain(plan, spray.GetJob())
	require.NoError(t, err)
	require.Contains(t, strings.Join(explained.GetReasons(), "\n"), "It is pinned to this time.")

	checked, err := n.check(plan, &schedulev1.PlanEdit{Job: spray.GetJob(), Person: "nurseries/test/people/wandile"})
	require.NoError(t, err)
	require.Equal(t, []string{"R11 pin"}, brokenRules(checked))
	require.Contains(t, messages(checked), "Mira Manager")
}

func TestAJobThatBreaksARuleByNowSaysWhich(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	spray := sprayOf(t, plan)
	_, err := n.setCalendar(n.manager, &schedulev1.HouseCalendar{
		Name: "nurseries/test/houseCalendars/h1", WorkingHours: []*schedulev1.WeeklyHours{hours(sunday, "07:00", "16:00")},
	})
	require.NoError(t, err)
	explained, err := n.explain(plan, spray.GetJob())
	require.NoError(t, err)
	require.Contains(t, strings.Join(explained.GetReasons(), "\n"), "R2 window")
}

// longWork makes the first step of the only program longer than any shift.
func longWork(t *testing.T) (nursery, *schedulev1.DayPlan, string) {
	t.Helper()
	n := planningNursery(t, 1)
	_, err := n.setSettings(n.manager, &schedulev1.PlanningSettings{
		Name: "nurseries/test/planningSettings", WorkRates: []*schedulev1.WorkRate{{Kind: "ISOLATE", FixedMinutes: 700}},
	})
	require.NoError(t, err)
	plan := n.proposal(t)
	for _, left := range plan.GetUnplanned() {
		if strings.HasSuffix(left.GetJob(), "/isolate-1") {
			return n, plan, left.GetJob()
		}
	}
	require.Fail(t, "a job of 700 minutes is left out", plan)
	return nursery{}, nil, ""
}

func TestAJobLongerThanAnyShiftIsExplainedWithAFix(t *testing.T) {
	n, plan, job := longWork(t)
	explained, err := n.explain(plan, job)
	require.NoError(t, err)
	require.Nil(t, explained.GetPlanned())
	require.Equal(t, job, explained.GetUnplanned().GetJob())
	require.NotEmpty(t, explained.GetUnplanned().GetReasons())
	require.NotEmpty(t, explained.GetConflicts())
	conflict := explained.GetConflicts()[0]
	require.True(t, conflict.GetProven())
	require.NotEmpty(t, conflict.GetRequirements())
	require.NotEmpty(t, conflict.GetFix())
	require.Equal(t, conflict.GetFix(), explained.GetUnplanned().GetFix())

	found, err := n.slots(plan, job, 0)
	require.NoError(t, err)
	require.Empty(t, found.GetSlots())
	require.NotEmpty(t, found.GetConflicts())
}

func TestAJobThatNoSprayerCanDoSaysWhatIsMissing(t *testing.T) {
	n := planningNursery(t, 2)
	spray := sprayOf(t, n.proposal(t)).GetJob()
	_, err := n.schedule.UpdateSprayer(n.manager, &schedulev1.UpdateSprayerRequest{
		Sprayer: &schedulev1.Sprayer{Name: "nurseries/test/sprayers/knapsack", OutOfService: true}, RequestId: newRequest(),
	})
	require.NoError(t, err)
	plan := n.proposal(t)
	explained, err := n.explain(plan, spray)
	require.NoError(t, err)
	require.Equal(t, []string{"No sprayer in service is for spraying."}, explained.GetConflicts()[0].GetRequirements())
	found, err := n.slots(plan, spray, 0)
	require.NoError(t, err)
	require.Equal(t, "No sprayer in service is for spraying.", found.GetConflicts()[0].GetMessage())
}

func TestAJobThatIsNotThereIsNotExplained(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.proposal(t)
	_, err := n.explain(plan, "nurseries/test/programs/absent/steps/x-1")
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.slots(plan, "nurseries/test/programs/absent/steps/x-1", 0)
	rpctest.RefusedField(t, err, "job")
}

func TestEverySlotKeepsAllRulesAndCostsWhatItSays(t *testing.T) {
	n := planningNursery(t, 4)
	plan := n.proposal(t)
	job := ""
	for _, planned := range plan.GetJobs() {
		if planned.GetSprayer() == "" {
			job = planned.GetJob() // a change by hand leaves the tank loads as they are
		}
	}
	found, err := n.slots(plan, job, 5)
	require.NoError(t, err)
	require.NotEmpty(t, found.GetSlots())
	require.LessOrEqual(t, len(found.GetSlots()), 5)
	before := decimalOf(t, plan.GetPoints())
	for i, slot := range found.GetSlots() {
		checked, err := n.check(plan, &schedulev1.PlanEdit{Job: job, StartTime: slot.GetStartTime(), Person: slot.GetPerson()})
		require.NoError(t, err)
		require.Empty(t, checked.GetViolations(), "slot %d", i)
		require.False(t, slot.GetStartTime().AsTime().Before(n.clock.now))
		require.Equal(t, decimalOf(t, checked.GetPoints()).String(), before.Add(decimalOf(t, slot.GetPoints())).String(), "slot %d", i)
		if i > 0 {
			require.False(t, decimalOf(t, slot.GetPoints()).LessThan(decimalOf(t, found.GetSlots()[i-1].GetPoints())), "cheapest first")
		}
	}
}

func TestASprayFitsIntoTheLoadThatIsMixedForAnother(t *testing.T) {
	n := planningNursery(t, 4)
	plan := n.proposal(t)
	var joining *schedulev1.PlannedJob
	for _, load := range plan.GetTankLoads() {
		if len(load.GetJobs()) > 1 {
			joining = inPlan(t, plan, load.GetJobs()[1])
		}
	}
	require.NotNil(t, joining, "two sprays share a load")
	found, err := n.slots(plan, joining.GetJob(), 0)
	require.NoError(t, err)
	require.True(t, slices.ContainsFunc(found.GetSlots(), (*schedulev1.Slot).GetJoinsLoad))
	for _, slot := range found.GetSlots() {
		require.Equal(t, "nurseries/test/sprayers/knapsack", slot.GetSprayer())
		require.NotEmpty(t, slot.GetPerson())
	}
}

func decimalOf(t *testing.T, text string) decimal.Decimal {
	t.Helper()
	number, err := decimal.NewFromString(text)
	require.NoError(t, err)
	return number
}

func TestChangesOfCostsAreWrittenWithTheirSign(t *testing.T) {
	require.Equal(t, "-1.5", points(-1_500_000))
	require.Equal(t, "-0.000001", points(-1))
	require.Equal(t, "2", points(2_000_000))
}
