package treatment_test

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

	"velamen/services/treatment"
)

// Histories of programs as they really ran; internal/endtoend records them.
// They are added, never recorded again.
const histories = "testdata/histories"

// nonDeterministic is Temporal's code for a workflow that does something else
// than its history says.
const nonDeterministic = "TMPRL1100"

// replay runs a history through the workflow as it is now.
func replay(t *testing.T, history []byte) error {
	t.Helper()
	replayer := sdkworker.NewWorkflowReplayer()
	replayer.RegisterWorkflowWithOptions(treatment.ProgramWorkflow, workflow.RegisterOptions{Name: treatment.WorkflowType})
	parsed, err := client.HistoryFromJSON(bytes.NewReader(history), client.HistoryJSONOptions{})
	require.NoError(t, err)
	return replayer.ReplayWorkflowHistory(log.NewStructuredLogger(slog.New(slog.DiscardHandler)), parsed)
}

func TestRunningProgramsGoOnUnderThisVersion(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(histories, "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			history, err := os.ReadFile(file)
			require.NoError(t, err)
			require.NoError(t, replay(t, history), "programs that run would stop; put the change behind workflow.GetVersion")
		})
	}
}

func TestAHistoryOfAnotherWorkflowDoesNotReplay(t *testing.T) {
	released, err := os.ReadFile(filepath.Join(histories, "released.json"))
	require.NoError(t, err)
	for _, test := range []struct{ name, was, is string }{
		{"an activity has another name", `"RaiseAlarm"`, `"RaiseAlert"`},
		{"an update has another name", `"advance"`, `"proceed"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Contains(t, string(released), test.was)
			err := replay(t, bytes.ReplaceAll(released, []byte(test.was), []byte(test.is)))
			require.ErrorContains(t, err, nonDeterministic)
		})
	}
}
