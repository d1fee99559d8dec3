package endtoend

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/client"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// plannerID is how the planner of the nursery is found.
const plannerID = "planner/test"

// readyToPlan sets up what a plan needs: people who work at all hours, so that a test can
// run at any, and a sprayer.
func (n *nursery) readyToPlan() {
	n.t.Helper()
	for _, person := range []string{"mira", "wandile"} {
		pattern := &schedulev1.WorkPattern{Name: name("workPatterns/" + person), Applies: true}
		for day := schedulev1.Weekday_WEEKDAY_MONDAY; day <= schedulev1.Weekday_WEEKDAY_SUNDAY; day++ {
			pattern.Shifts = append(pattern.Shifts, &schedulev1.Shift{Hours: &schedulev1.WeeklyHours{Weekday: day, Start: "00:00", End: "24:00"}})
		}
		must(n, n.manager, n.schedule.UpdateWorkPattern, &schedulev1.UpdateWorkPatternRequest{WorkPattern: pattern, RequestId: id()})
	}
	must(n, n.manager, n.schedule.CreateSprayer, &schedulev1.CreateSprayerRequest{Parent: parent, SprayerId: "cart", RequestId: id(), Sprayer: &schedulev1.Sprayer{
		DisplayName: "Cart", TankVolume: q("100", "L"), Methods: []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH},
		OutputPerMinute: q("2", "L"), MixMinutes: 5,
	}})
}

// settings changes how the nursery plans.
func (n *nursery) settings(change func(*schedulev1.PlanningSettings), paths ...string) {
	n.t.Helper()
	settings := must(n, n.manager, n.schedule.GetPlanningSettings, &schedulev1.GetPlanningSettingsRequest{Name: name("planningSettings")})
	change(settings)
	must(n, n.manager, n.schedule.UpdatePlanningSettings, &schedulev1.UpdatePlanningSettingsRequest{
		PlanningSettings: settings, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}, RequestId: id(),
	})
}

// ask asks for a plan that is worked out for at most so many seconds.
func (n *nursery) ask(seconds int32) *schedulev1.DayPlan {
	n.t.Helper()
	return must(n, n.manager, n.schedule.CreateDayPlan, &schedulev1.CreateDayPlanRequest{Parent: parent, SolveSeconds: seconds, RequestId: id()})
}

// watch waits until a plan is worked out, as a manager at a screen does, also across
// restarts of the server.
func (n *nursery) watch(plan *schedulev1.DayPlan) *schedulev1.DayPlan {
	n.t.Helper()
	eventually(n.t, startWithin, func() error {
		ctx, cancel := context.WithTimeout(n.manager.sign(context.Background()), attemptWithin)
		defer cancel()
		stream, err := n.schedule.WatchDayPlan(ctx, &schedulev1.WatchDayPlanRequest{Name: plan.GetName()}, grpc.WaitForReady(true))
		for err == nil {
			_, err = stream.Recv()
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		return err
	})
	return must(n, n.manager, n.schedule.GetDayPlan, &schedulev1.GetDayPlanRequest{Name: plan.GetName()})
}

// searching waits until the search of a plan has found something.
func (n *nursery) searching(plan *schedulev1.DayPlan) {
	n.t.Helper()
	ctx, cancel := context.WithTimeout(n.manager.sign(context.Background()), attemptWithin)
	defer cancel()
	stream, err := n.schedule.WatchDayPlan(ctx, &schedulev1.WatchDayPlanRequest{Name: plan.GetName()})
	require.NoError(n.t, err)
	for rounds := int32(0); rounds == 0; {
		progress, err := stream.Recv()
		require.NoError(n.t, err)
		rounds = progress.GetRounds()
	}
}

// proposed waits until a plan is proposed.
func (n *nursery) proposed(plan *schedulev1.DayPlan) *schedulev1.DayPlan {
	n.t.Helper()
	solved := n.watch(plan)
	require.Equal(n.t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, solved.GetState(), solved.GetFailure())
	return solved
}

func (n *nursery) accept(plan *schedulev1.DayPlan) {
	n.t.Helper()
	must(n, n.manager, n.schedule.AcceptDayPlan, &schedulev1.AcceptDayPlanRequest{Name: plan.GetName(), Etag: plan.GetEtag(), RequestId: id()})
}

// newestPlan waits for a plan that was made for a reason.
func (n *nursery) newestPlan(reason string) *schedulev1.DayPlan {
	n.t.Helper()
	var newest *schedulev1.DayPlan
	eventually(n.t, startWithin, func() error {
		plans, err := read(n.manager, n.schedule.ListDayPlans, &schedulev1.ListDayPlansRequest{Parent: parent, PageSize: 1})
		if err != nil {
			return err
		}
		if len(plans.GetDayPlans()) == 0 || !strings.Contains(plans.GetDayPlans()[0].GetTrigger(), reason) {
			return fmt.Errorf("no plan because %q yet: %v", reason, plans)
		}
		newest = plans.GetDayPlans()[0]
		return nil
	})
	return newest
}

// assigned waits until an assignment of a job is in a state.
func (n *nursery) assigned(job string, state schedulev1.AssignmentState) {
	n.t.Helper()
	eventually(n.t, settleWithin, func() error {
		found, err := read(n.worker, n.schedule.ListAssignments, &schedulev1.ListAssignmentsRequest{Parent: parent, States: []schedulev1.AssignmentState{state}})
		if err != nil {
			return err
		}
		for _, assignment := range found.GetAssignments() {
			if assignment.GetJob().GetJob() == job {
				return nil
			}
		}
		return fmt.Errorf("no assignment of %s is %s", job, state)
	})
}

// TestAPlanIsMadeAcceptedDoneAndMadeAgain plays a day on the real binary: a plan is
// asked for, the server is killed while it is worked out, the plan is accepted, the
// server is killed again, the work is confirmed, and a broken sprayer makes another
// plan.
func TestAPlanIsMadeAcceptedDoneAndMadeAgain(t *testing.T) {
	i := newInstall(t)
	i.up()
	n := settle(i)
	n.readyToPlan()
	n.settings(func(s *schedulev1.PlanningSettings) { s.ReplanOnEvents, s.SolveSeconds = true, 2 }, "replan_on_events", "solve_seconds")
	program, err := n.newProgram("phyllosticta-leaf-spot", "leaf-spots")
	require.NoError(t, err)
	for range 5 {
		_, err := n.newProgram("anthracnose", "leaf-spots")
		require.NoError(t, err)
	}

	asked := n.ask(20)
	n.searching(asked)
	i.kill()
	i.up()
	plan := n.proposed(asked)
	require.NotEmpty(t, plan.GetJobs())
	n.accept(plan)
	i.kill()
	i.up()
	isolate := program.GetName() + "/steps/isolate-1"
	n.assigned(isolate, schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED)
	must(n, n.worker, n.treatment.ConfirmStep, confirmRequest(program.GetName(), work{step: "isolate-1"}))
	n.assigned(isolate, schedulev1.AssignmentState_ASSIGNMENT_STATE_DONE)

	must(n, n.manager, n.schedule.UpdateSprayer, &schedulev1.UpdateSprayerRequest{
		Sprayer: &schedulev1.Sprayer{Name: name("sprayers/cart"), OutOfService: true}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"out_of_service"}}, RequestId: id(),
	})
	again := n.proposed(n.newestPlan("sprayer Cart is out of service"))
	require.Equal(t, plan.GetName(), again.GetBefore())
	i.stop(stopWithin)
}

// TestTheDailyPlanFollowsTheSettings sees the schedule of the daily plan change with
// the settings, rest without a time, and make a plan.
func TestTheDailyPlanFollowsTheSettings(t *testing.T) {
	i := newInstall(t)
	i.up()
	n := settle(i)
	n.readyToPlan()
	at := func(planTime string) {
		n.settings(func(s *schedulev1.PlanningSettings) { s.PlanTime, s.SolveSeconds = planTime, 1 }, "plan_time", "solve_seconds")
	}
	c := i.temporal()
	daily := c.ScheduleClient().GetHandle(context.Background(), "plan-test")
	kept := func(paused bool, hour int) {
		t.Helper()
		eventually(t, settleWithin, func() error {
			found, err := daily.Describe(context.Background())
			if err != nil {
				return err
			}
			calendar := found.Schedule.Spec.Calendars
			if found.Schedule.State.Paused != paused || !paused && (len(calendar) != 1 || calendar[0].Hour[0].Start != hour) {
				return fmt.Errorf("the daily plan is kept as %+v, paused %v", calendar, found.Schedule.State.Paused)
			}
			require.Equal(t, 2*time.Hour, found.Schedule.Policy.CatchupWindow)
			require.Equal(t, "Africa/Johannesburg", found.Schedule.Spec.TimeZoneName)
			return nil
		})
	}
	at("18:30")
	kept(false, 18)
	at("19:15")
	kept(false, 19)
	at("")
	kept(true, 0)
	at("20:00")
	kept(false, 20)
	require.NoError(t, daily.Trigger(context.Background(), client.ScheduleTriggerOptions{}))
	n.proposed(n.newestPlan("daily plan"))
	c.Close()
	i.kill()
	i.up()
	c = i.temporal()
	defer c.Close()
	daily = c.ScheduleClient().GetHandle(context.Background(), "plan-test")
	kept(false, 20)
	i.stop(stopWithin)
}
