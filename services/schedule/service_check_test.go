package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func (n nursery) check(plan *schedulev1.DayPlan, edits ...*schedulev1.PlanEdit) (*schedulev1.CheckDayPlanResponse, error) {
	return n.schedule.CheckDayPlan(n.manager, &schedulev1.CheckDayPlanRequest{Name: plan.GetName(), Edits: edits})
}

// brokenRules lists the rules of violations.
func brokenRules(response *schedulev1.CheckDayPlanResponse) []string {
	var rules []string
	for _, violation := range response.GetViolations() {
		rules = append(rules, violation.GetRule())
	}
	return rules
}

func messages(response *schedulev1.CheckDayPlanResponse) string {
	text := ""
	for _, violation := range response.GetViolations() {
		text += violation.GetMessage() + "\n"
	}
	return text
}

// sprayOf returns the systemic spray of a plan.
func sprayOf(t *testing.T, plan *schedulev1.DayPlan) *schedulev1.PlannedJob {
	t.Helper()
	for _, job := range plan.GetJobs() {
		if job.GetKind() == "SPRAY" {
			return job
		}
	}
	require.Fail(t, "no spray is planned", plan)
	return nil
}

func TestAProposedPlanBreaksNoRuleAndCostsWhatItSays(t *testing.T) {
	n := planningNursery(t, 4)
	plan := n.proposal(t)
	checked, err := n.check(plan)
	require.NoError(t, err)
	require.Empty(t, checked.GetViolations())
	require.Equal(t, plan.GetPoints(), checked.GetPoints())
	require.Len(t, checked.GetTerms(), len(plan.GetTerms()))
	require.NotEmpty(t, checked.GetCaution())
}

func TestEveryRuleThatAChangeByHandBreaksIsNamedAsPeopleReadIt(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	spray := sprayOf(t, plan)
	for _, test := range []struct {
		name, rule, says string
		edit             *schedulev1.PlanEdit
	}{
		{"a start when nobody works", "R5 person", "lies in no shift",
			&schedulev1.PlanEdit{StartTime: timestamppb.New(time.Date(2026, 3, 3, 20, 0, 0, 0, time.UTC))}},
		{"a start that is past", "R2 window", "before the plan begins",
			&schedulev1.PlanEdit{StartTime: timestamppb.New(begin.Add(-time.Hour))}},
		{"a start after the last day", "R2 window", "after the plan ends",
			&schedulev1.PlanEdit{StartTime: timestamppb.New(plan.GetEndTime().AsTime().Add(time.Hour))}},
		{"somebody who applies nothing", "R1 way", "may not be done by Olwen Owner", &schedulev1.PlanEdit{Person: "nurseries/test/people/olwen"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.edit.Job = spray.GetJob()
			checked, err := n.check(plan, test.edit)
			require.NoError(t, err)
			require.Contains(t, brokenRules(checked), test.rule)
			require.Contains(t, messages(checked), test.says)
			require.NotContains(t, messages(checked), "minute ", "times are those of the nursery's clock")
		})
	}
	unchanged, err := n.check(plan)
	require.NoError(t, err)
	require.Empty(t, unchanged.GetViolations(), "nothing of it was kept")
}

func TestAChangeByHandThatCannotBeReadIsRefused(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	job := sprayOf(t, plan).GetJob()
	for _, test := range []struct {
		field string
		edits []*schedulev1.PlanEdit
	}{
		{"edits[0].job", []*schedulev1.PlanEdit{{Job: "nurseries/test/programs/absent/steps/x-1", Remove: true}}},
		{"edits[0]", []*schedulev1.PlanEdit{{Job: job}}},
		{"edits[1].job", []*schedulev1.PlanEdit{{Job: job, Remove: true}, {Job: job, Remove: true}}},
		{"edits[0].sprayer", []*schedulev1.PlanEdit{{Job: job, Sprayer: "nurseries/test/sprayers/bath"}}},
	} {
		_, err := n.check(plan, test.edits...)
		rpctest.RefusedField(t, err, test.field)
	}
}

func TestAPlanIsCheckedByWhatIsKnownNow(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	spray := sprayOf(t, plan)
	_, err := n.schedule.UpdateSprayer(n.manager, &schedulev1.UpdateSprayerRequest{
		Sprayer: &schedulev1.Sprayer{Name: spray.GetSprayer(), OutOfService: true}, RequestId: newRequest(),
	})
	require.NoError(t, err)
	checked, err := n.check(plan)
	require.NoError(t, err)
	require.Contains(t, brokenRules(checked), "R1 way")
	require.Contains(t, messages(checked), "No sprayer in service is for spraying.")

	n.clock.now = spray.GetPrepareTime().AsTime().Add(time.Minute)
	late, err := n.check(plan)
	require.NoError(t, err)
	require.Contains(t, messages(late), "should have begun at")
	n.clock.now = plan.GetEndTime().AsTime()
	_, err = n.check(plan)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
}

func TestAPlanThatIsStillWorkedOutIsNotChecked(t *testing.T) {
	n := planningNursery(t, 1)
	_, err := n.check(&schedulev1.DayPlan{Name: planName("test", n.ask(t))})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
	_, err = n.check(&schedulev1.DayPlan{Name: planName("test", "d-9")})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestDaysAreCountedByTheNurserysCalendar(t *testing.T) {
	zone := zoneOf(t, "Europe/Berlin")
	for _, test := range []struct {
		now, end string
		days     int
	}{
		{"2026-03-28T22:30:00Z", "2026-03-28T23:00:00Z", 1},
		{"2026-03-28T22:30:00Z", "2026-03-29T22:00:00Z", 2}, // the second day has 23 hours
		{"2026-10-24T22:30:00Z", "2026-10-25T23:00:00Z", 1}, // a day of 25 hours
		{"2026-10-24T21:30:00Z", "2026-10-31T23:00:00Z", 8},
	} {
		require.Equal(t, test.days, daysUntil(utc(t, test.now), utc(t, test.end), zone), "%s", test.now)
	}
}
