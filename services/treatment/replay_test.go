package treatment_test

import (
	"testing"

	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"

	"velamen/internal/engine/replaytest"
	"velamen/services/treatment"
)

// replayed are the workflows whose histories internal/endtoend recorded.
func replayed(replayer worker.WorkflowReplayer) {
	replayer.RegisterWorkflowWithOptions(treatment.ProgramWorkflow, workflow.RegisterOptions{Name: treatment.WorkflowType})
}

func TestRunningProgramsGoOnUnderThisVersion(t *testing.T) {
	replaytest.RequireAllReplay(t, replayed)
}

func TestAHistoryOfAnotherWorkflowDoesNotReplay(t *testing.T) {
	replaytest.RequireAlteredRefused(t, "released.json", replayed,
		replaytest.Alteration{Name: "an activity has another name", Was: `"RaiseAlarm"`, Is: `"RaiseAlert"`},
		replaytest.Alteration{Name: "an update has another name", Was: `"advance"`, Is: `"proceed"`})
}
