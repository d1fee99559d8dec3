package schedule

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/log"
	sdkworker "go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"
)

// histories of planners as they really ran; internal/endtoend records them. They are
// added, never recorded again.
const histories = "testdata/histories"

// nonDeterministic is Temporal's code for a workflow that does something else than
// its history says.
const nonDeterministic = "TMPRL1100"

// replayed runs a history through the workflows as they are now.
func replayed(t *testing.T, history []byte) error {
	t.Helper()
	replayer := sdkworker.NewWorkflowReplayer()
	replayer.RegisterWorkflowWithOptions(PlannerWorkflow, workflow.RegisterOptions{Name: PlannerType})
	replayer.RegisterWorkflowWithOptions(DailyPlanWorkflow, workflow.RegisterOptions{Name: DailyPlanType})
	parsed, err := client.HistoryFromJSON(bytes.NewReader(history), client.HistoryJSONOptions{})
	require.NoError(t, err)
	return replayer.ReplayWorkflowHistory(log.NewStructuredLogger(slog.New(slog.DiscardHandler)), parsed)
}

func TestRunningPlannersGoOnUnderThisVersion(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(histories, "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			history, err := os.ReadFile(file)
			require.NoError(t, err)
			require.NoError(t, replayed(t, history), "planners that run would stop; put the change behind workflow.GetVersion")
		})
	}
}

func TestAHistoryOfAnotherPlannerDoesNotReplay(t *testing.T) {
	accepted, err := os.ReadFile(filepath.Join(histories, "accepted.json"))
	require.NoError(t, err)
	for _, test := range []struct{ name, was, is string }{
		{"an activity has another name", `"WorkOutPlan"`, `"SolvePlan"`},
		{"an update has another name", `"decided"`, `"settled"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Contains(t, string(accepted), test.was)
			err := replayed(t, bytes.ReplaceAll(accepted, []byte(test.was), []byte(test.is)))
			require.ErrorContains(t, err, nonDeterministic)
		})
	}
}
