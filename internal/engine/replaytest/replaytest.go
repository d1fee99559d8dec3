// Package replaytest runs recorded histories of workflows through the workflows as
// they are now. Histories are added and never recorded again: each stands for a
// workflow that may be running somewhere when this version is installed.
package replaytest

import (
	"bytes"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/log"
	"go.temporal.io/sdk/worker"
)

// Folder is where a service keeps its histories.
const Folder = "testdata/histories"

// nonDeterministic is Temporal's code for a workflow that does something else than
// its history says.
const nonDeterministic = "TMPRL1100"

// Alteration is a name that a history has, and another in its place.
type Alteration struct{ Name, Was, Is string }

// RequireAllReplay fails the test when a history of the folder does not replay through
// the workflows that register adds.
func RequireAllReplay(t *testing.T, register func(worker.WorkflowReplayer)) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(Folder, "*.json"))
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			history, err := os.ReadFile(file)
			require.NoError(t, err)
			require.NoError(t, replay(t, history, register), "workflows that run would stop; put the change behind workflow.GetVersion")
		})
	}
}

// RequireAlteredRefused fails the test when a history of the folder replays although a
// name in it was altered.
func RequireAlteredRefused(t *testing.T, file string, register func(worker.WorkflowReplayer), alterations ...Alteration) {
	t.Helper()
	history, err := os.ReadFile(filepath.Join(Folder, file))
	require.NoError(t, err)
	for _, altered := range alterations {
		t.Run(altered.Name, func(t *testing.T) {
			require.Contains(t, string(history), altered.Was)
			err := replay(t, bytes.ReplaceAll(history, []byte(altered.Was), []byte(altered.Is)), register)
			require.ErrorContains(t, err, nonDeterministic)
		})
	}
}

func replay(t *testing.T, history []byte, register func(worker.WorkflowReplayer)) error {
	t.Helper()
	replayer := worker.NewWorkflowReplayer()
	register(replayer)
	parsed, err := client.HistoryFromJSON(bytes.NewReader(history), client.HistoryJSONOptions{})
	require.NoError(t, err)
	return replayer.ReplayWorkflowHistory(log.NewStructuredLogger(slog.New(slog.DiscardHandler)), parsed)
}
