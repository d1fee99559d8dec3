package endtoend

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/api/workflowservice/v1"
	"go.temporal.io/sdk/client"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// plannerHistoryFolder holds the histories that services/schedule replays.
const plannerHistoryFolder = "../../services/schedule/testdata/histories"

// changesToContinue is how many changes a planner hears until it goes on in a new
// run.
const changesToContinue = 501

// TestSavePlannerHistories records how real planners ran on a real server, for the
// replay test of services/schedule. It adds histories and never replaces one: a change
// of the workflow under which an old history no longer replays is wrong.
func TestSavePlannerHistories(t *testing.T) {
	if os.Getenv("VELAMEN_SAVE_HISTORIES") != "1" {
		t.Skip("set VELAMEN_SAVE_HISTORIES=1 to add the histories of new cases")
	}
	for _, test := range []struct {
		name string
		run  func(n *nursery) (workflow string)
	}{
		{"accepted", (*nursery).planAccepted},
		{"planned-again", (*nursery).plannedAgain},
		{"killed", (*nursery).killedAtWork},
		{"continued", (*nursery).continuedPlanner},
		{"daily", (*nursery).daily},
	} {
		if recorded(t, plannerHistoryFolder, test.name) {
			t.Logf("%s is recorded already", test.name)
			continue
		}
		t.Run(test.name, func(t *testing.T) {
			i := newInstall(t)
			i.up()
			n := settle(i)
			n.readyToPlan()
			_, err := n.newProgram("phyllosticta-leaf-spot", "leaf-spots")
			require.NoError(t, err)
			n.saveHistory(plannerHistoryFolder, test.name, test.run(n))
			i.stop(stopWithin)
		})
	}
}

// planAccepted has two plans made, the first rejected and the second accepted.
func (n *nursery) planAccepted() string {
	first := n.proposed(n.ask(1))
	must(n, n.manager, n.schedule.RejectDayPlan, &schedulev1.RejectDayPlanRequest{Name: first.GetName(), RequestId: id()})
	second := n.proposed(n.ask(1))
	n.accept(second)
	n.plannerHolds(func(s plannerState) bool { return s.Accepted != "" && s.Proposed == "" })
	return plannerID
}

// plannedAgain has a sprayer break after a plan was accepted.
func (n *nursery) plannedAgain() string {
	n.settings(func(s *schedulev1.PlanningSettings) { s.ReplanOnEvents, s.SolveSeconds = true, 1 }, "replan_on_events", "solve_seconds")
	n.accept(n.proposed(n.ask(1)))
	must(n, n.manager, n.schedule.UpdateSprayer, &schedulev1.UpdateSprayerRequest{
		Sprayer: &schedulev1.Sprayer{Name: name("sprayers/cart"), OutOfService: true}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"out_of_service"}}, RequestId: id(),
	})
	n.proposed(n.newestPlan("out of service"))
	n.plannerHolds(func(s plannerState) bool { return s.Proposed != "" })
	return plannerID
}

// killedAtWork has the server die while a plan is worked out.
func (n *nursery) killedAtWork() string {
	for range 5 {
		_, err := n.newProgram("anthracnose", "leaf-spots")
		require.NoError(n.t, err)
	}
	asked := n.ask(20)
	n.searching(asked)
	n.kill()
	n.up()
	n.proposed(asked)
	n.plannerHolds(func(s plannerState) bool { return s.Proposed != "" })
	return plannerID
}

// continuedPlanner hears so many changes that it goes on in a new run.
func (n *nursery) continuedPlanner() string {
	n.proposed(n.ask(1))
	c := n.temporal()
	defer c.Close()
	for i := range changesToContinue {
		err := c.SignalWorkflow(context.Background(), plannerID, "", "changed", map[string]string{"reason": fmt.Sprintf("change %d", i%7)})
		require.NoError(n.t, err)
	}
	n.proposed(n.ask(1))
	n.plannerHolds(func(s plannerState) bool { return len(s.Waiting) == 0 && s.Proposed == "d-2" })
	return plannerID
}

// daily has the plan of the day asked for.
func (n *nursery) daily() string {
	n.settings(func(s *schedulev1.PlanningSettings) { s.PlanTime, s.SolveSeconds = "20:00", 1 }, "plan_time", "solve_seconds")
	c := n.temporal()
	defer c.Close()
	handle := c.ScheduleClient().GetHandle(context.Background(), "plan-test")
	eventually(n.t, settleWithin, func() error { return handle.Trigger(context.Background(), client.ScheduleTriggerOptions{}) })
	n.proposed(n.newestPlan("daily plan"))
	var found string
	eventually(n.t, settleWithin, func() error {
		listed, err := c.ListWorkflow(context.Background(), &workflowservice.ListWorkflowExecutionsRequest{Query: "WorkflowType = 'DailyPlan'"})
		if err != nil {
			return err
		}
		for _, execution := range listed.GetExecutions() {
			if execution.GetStatus() == enumspb.WORKFLOW_EXECUTION_STATUS_COMPLETED && strings.HasPrefix(execution.GetExecution().GetWorkflowId(), "daily/test") {
				found = execution.GetExecution().GetWorkflowId()
				return nil
			}
		}
		return fmt.Errorf("no daily plan is listed")
	})
	return found
}

// plannerState is what the query of a planner answers.
type plannerState struct {
	Waiting  []string `json:"waiting"`
	Proposed string   `json:"proposed"`
	Accepted string   `json:"accepted"`
}

// plannerHolds waits until the planner holds what it should.
func (n *nursery) plannerHolds(right func(plannerState) bool) {
	n.t.Helper()
	c := n.temporal()
	defer c.Close()
	eventually(n.t, settleWithin, func() error {
		value, err := c.QueryWorkflow(context.Background(), plannerID, "", "planner")
		if err != nil {
			return err
		}
		var state plannerState
		if err := value.Get(&state); err != nil {
			return err
		}
		if !right(state) {
			return fmt.Errorf("the planner holds %+v", state)
		}
		return nil
	})
}
