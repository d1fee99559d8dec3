package schedule

import (
	"testing"

	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"

	"velamen/internal/engine/replaytest"
)

// replayed are the workflows whose histories internal/endtoend recorded.
func replayed(replayer worker.WorkflowReplayer) {
	replayer.RegisterWorkflowWithOptions(PlannerWorkflow, workflow.RegisterOptions{Name: PlannerType})
	replayer.RegisterWorkflowWithOptions(DailyPlanWorkflow, workflow.RegisterOptions{Name: DailyPlanType})
}

func TestRunningPlannersGoOnUnderThisVersion(t *testing.T) {
	replaytest.RequireAllReplay(t, replayed)
}

func TestAHistoryOfAnotherPlannerDoesNotReplay(t *testing.T) {
	replaytest.RequireAlteredRefused(t, "accepted.json", replayed,
		replaytest.Alteration{Name: "an activity has another name", Was: `"WorkOutPlan"`, Is: `"SolvePlan"`},
		replaytest.Alteration{Name: "an update has another name", Was: `"decided"`, Is: `"settled"`})
}
