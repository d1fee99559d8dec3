package schedule

import (
	"context"
	"errors"
	"io"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

// replanOnly changes nothing of the settings but whether changes make plans.
var replanOnly = &fieldmaskpb.FieldMask{Paths: []string{"replan_on_events"}}

func (n nursery) accept(plan *schedulev1.DayPlan, edits ...*schedulev1.PlanEdit) (*schedulev1.DayPlan, error) {
	return n.schedule.AcceptDayPlan(n.manager, &schedulev1.AcceptDayPlanRequest{
		Name: plan.GetName(), Etag: plan.GetEtag(), Edits: edits, RequestId: uuid.NewString(),
	})
}

func (n nursery) assignments(t *testing.T, request *schedulev1.ListAssignmentsRequest) []*schedulev1.Assignment {
	t.Helper()
	request.Parent = "nurseries/test"
	response, err := n.schedule.ListAssignments(rpctest.As(t.Context(), rpctest.Worker), request)
	require.NoError(t, err)
	return response.GetAssignments()
}

// violated lists the rules that a refusal names.
func violated(err error) []string {
	var rules []string
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, violation := range bad.GetFieldViolations() {
				rules = append(rules, violation.GetDescription())
			}
		}
	}
	return rules
}

func TestAnAcceptedPlanIsWhatPeopleAreTold(t *testing.T) {
	n := planningNursery(t, 3)
	plan := n.proposal(t)
	accepted, err := n.accept(plan)
	require.NoError(t, err)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED, accepted.GetState())
	require.Equal(t, "nurseries/test/people/mira", accepted.GetDecider())
	require.Equal(t, begin, accepted.GetDecideTime().AsTime())
	require.Equal(t, plan.GetPlanHash(), accepted.GetPlanHash())

	told := n.assignments(t, &schedulev1.ListAssignmentsRequest{})
	require.Len(t, told, len(plan.GetJobs()))
	for i, assignment := range told {
		require.Equal(t, schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED, assignment.GetState())
		require.Equal(t, plan.GetName(), assignment.GetDayPlan())
		require.NotEmpty(t, assignment.GetCaution())
		if i > 0 {
			require.False(t, assignment.GetJob().GetStartTime().AsTime().Before(told[i-1].GetJob().GetStartTime().AsTime()), "by start")
		}
	}
	again := n.proposal(t)
	require.Equal(t, plan.GetName(), again.GetBefore())
	for _, job := range again.GetJobs() {
		require.Equal(t, schedulev1.Change_CHANGE_NONE, job.GetChange(), "nothing changed: %s %s", job.GetTitle(), job.GetReason())
	}
}

func TestAPlanIsDecidedOnOnce(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.proposal(t)
	_, err := n.schedule.AcceptDayPlan(rpctest.As(t.Context(), rpctest.Worker), &schedulev1.AcceptDayPlanRequest{Name: plan.GetName(), RequestId: uuid.NewString()})
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	stale := proto.CloneOf(plan)
	stale.Etag = `"v0"`
	_, err = n.accept(stale)
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)

	request := &schedulev1.RejectDayPlanRequest{Name: plan.GetName(), Note: "too early", RequestId: uuid.NewString()}
	rejected, err := n.schedule.RejectDayPlan(n.manager, request)
	require.NoError(t, err)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_REJECTED, rejected.GetState())
	again, err := n.schedule.RejectDayPlan(n.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(rejected, again), "a retry gets the first answer")
	_, err = n.accept(rejected)
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
	require.Contains(t, message, "rejected before")
	require.Empty(t, n.assignments(t, &schedulev1.ListAssignmentsRequest{}))
}

func TestAPlanThatIsBeingWorkedOutCannotBeAccepted(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.plan(t, n.ask(t))
	_, err := n.accept(plan)
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
	require.Contains(t, message, "still being worked out")
}

func TestAPlanWhoseTimeHasPassedIsOutdated(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	n.clock.now = begin.Add(24 * time.Hour)
	_, err := n.accept(plan)
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
	require.Contains(t, message, "should have begun at")
	require.NotEmpty(t, violated(err))
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, n.plan(t, lastPart(plan.GetName())).GetState(), "nothing was kept")
}

func TestAPlanWithABrokenSprayerIsOutdated(t *testing.T) {
	n := planningNursery(t, 2)
	plan := n.proposal(t)
	_, err := n.schedule.UpdateSprayer(n.manager, &schedulev1.UpdateSprayerRequest{
		Sprayer:    &schedulev1.Sprayer{Name: "nurseries/test/sprayers/knapsack", OutOfService: true},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"out_of_service"}}, RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	_, err = n.accept(plan)
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanOutdated)
	require.NotEmpty(t, violated(err))
}

func TestAPlanIsAcceptedWithAChangeByHandThatKeepsTheRules(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.proposal(t)
	job := plan.GetJobs()[len(plan.GetJobs())-1]
	later := job.GetStartTime().AsTime().Add(30 * time.Minute)
	accepted, err := n.accept(plan, &schedulev1.PlanEdit{Job: job.GetJob(), StartTime: timestamppb.New(later)})
	require.NoError(t, err)
	require.NotEqual(t, plan.GetPlanHash(), accepted.GetPlanHash())
	for _, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{}) {
		if assignment.GetJob().GetJob() == job.GetJob() {
			require.Equal(t, later, assignment.GetJob().GetStartTime().AsTime())
		}
	}
}

func TestAChangeByHandThatBreaksARuleIsRefused(t *testing.T) {
	n := planningNursery(t, 1)
	plan := n.proposal(t)
	job := plan.GetJobs()[0]
	night := begin.Add(14 * time.Hour) // 00:00 in Johannesburg
	_, err := n.accept(plan, &schedulev1.PlanEdit{Job: job.GetJob(), StartTime: timestamppb.New(night)})
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.PlanBreaksRule)
	require.Contains(t, message, job.GetTitle())
	require.NotEmpty(t, violated(err))
	require.Empty(t, n.assignments(t, &schedulev1.ListAssignmentsRequest{}))
}

func TestAConfirmedStepIsDoneAndAGivenUpProgramWithdrawsTheRest(t *testing.T) {
	n := planningNursery(t, 1)
	_, err := n.accept(n.proposal(t))
	require.NoError(t, err)
	step := n.assignments(t, &schedulev1.ListAssignmentsRequest{})[0].GetJob()
	n.clock.now = step.GetEndTime().AsTime()
	_, err = n.treatment.ConfirmStep(rpctest.As(t.Context(), rpctest.Worker), &treatmentv1.ConfirmStepRequest{
		Name: step.GetJob(), RequestId: uuid.NewString(),
		Confirmation: &treatmentv1.Confirmation{StartTime: step.GetStartTime(), EndTime: step.GetEndTime(), Bench: "nurseries/test/houses/h1/benches/apart"},
	})
	require.NoError(t, err)
	_, err = n.treatment.GiveUpProgram(n.manager, &treatmentv1.GiveUpProgramRequest{Name: "nurseries/test/programs/p-1", Note: "not worth it", RequestId: uuid.NewString()})
	require.NoError(t, err)
	require.NoError(t, n.outbox.Drain(context.Background()))
	for i, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{}) {
		if i == 0 {
			require.Equal(t, schedulev1.AssignmentState_ASSIGNMENT_STATE_DONE, assignment.GetState())
			require.Equal(t, step.GetEndTime().AsTime(), assignment.GetDoneTime().AsTime())
			continue
		}
		require.Equal(t, schedulev1.AssignmentState_ASSIGNMENT_STATE_WITHDRAWN, assignment.GetState(), assignment.GetJob().GetTitle())
	}
}

func TestAssignmentsAreListedByPersonTimeAndState(t *testing.T) {
	n := planningNursery(t, 4)
	_, err := n.accept(n.proposal(t))
	require.NoError(t, err)
	all := n.assignments(t, &schedulev1.ListAssignmentsRequest{})
	require.Greater(t, len(all), 2)
	var mine int
	for _, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{Person: "nurseries/test/people/wandile"}) {
		require.Equal(t, "nurseries/test/people/wandile", assignment.GetJob().GetPerson())
		mine++
	}
	others := len(n.assignments(t, &schedulev1.ListAssignmentsRequest{Person: "nurseries/test/people/mira"}))
	require.Equal(t, len(all), mine+others)
	middle := all[1].GetJob().GetStartTime()
	for _, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{EndTime: middle}) {
		require.True(t, assignment.GetJob().GetStartTime().AsTime().Before(middle.AsTime()))
	}
	for _, assignment := range n.assignments(t, &schedulev1.ListAssignmentsRequest{StartTime: middle}) {
		require.True(t, assignment.GetJob().GetEndTime().AsTime().After(middle.AsTime()))
	}
	require.Empty(t, n.assignments(t, &schedulev1.ListAssignmentsRequest{States: []schedulev1.AssignmentState{schedulev1.AssignmentState_ASSIGNMENT_STATE_DONE}}))

	var paged []string
	request := &schedulev1.ListAssignmentsRequest{Parent: "nurseries/test", PageSize: 1}
	for {
		page, err := n.schedule.ListAssignments(n.manager, request)
		require.NoError(t, err)
		for _, assignment := range page.GetAssignments() {
			paged = append(paged, assignment.GetName())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Len(t, paged, len(all))
	_, err = n.schedule.ListAssignments(n.manager, &schedulev1.ListAssignmentsRequest{Parent: "nurseries/test", Person: "wandile"})
	rpctest.RefusedField(t, err, "person")
}

func TestPlansAreListedNewestFirstWithoutTheirJobs(t *testing.T) {
	n := planningNursery(t, 1)
	first, second := n.proposal(t), n.proposal(t)
	response, err := n.schedule.ListDayPlans(n.manager, &schedulev1.ListDayPlansRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Len(t, response.GetDayPlans(), 2)
	require.Equal(t, second.GetName(), response.GetDayPlans()[0].GetName())
	require.Empty(t, response.GetDayPlans()[0].GetJobs())
	require.NotEmpty(t, response.GetDayPlans()[0].GetPoints())
	superseded, err := n.schedule.ListDayPlans(n.manager, &schedulev1.ListDayPlansRequest{
		Parent: "nurseries/test", States: []schedulev1.DayPlanState{schedulev1.DayPlanState_DAY_PLAN_STATE_SUPERSEDED},
	})
	require.NoError(t, err)
	require.Len(t, superseded.GetDayPlans(), 1)
	require.Equal(t, first.GetName(), superseded.GetDayPlans()[0].GetName())
}

func TestAPlanIsWatchedUntilItIsWorkedOut(t *testing.T) {
	n := planningNursery(t, 2)
	id := n.ask(t)
	stream, err := n.schedule.WatchDayPlan(rpctest.As(t.Context(), rpctest.Worker), &schedulev1.WatchDayPlanRequest{Name: planName("test", id)})
	require.NoError(t, err)
	first, err := stream.Recv()
	require.NoError(t, err)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, first.GetState())
	_, err = workOut(t, n.activities(), id)
	require.NoError(t, err)
	last := first
	for {
		next, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		last = next
	}
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, last.GetState())
	require.Equal(t, n.plan(t, id).GetPoints(), last.GetPoints())
	require.NotEmpty(t, last.GetGap())

	missing, err := n.schedule.WatchDayPlan(n.manager, &schedulev1.WatchDayPlanRequest{Name: planName("test", "d-99")})
	require.NoError(t, err)
	_, err = missing.Recv()
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}
