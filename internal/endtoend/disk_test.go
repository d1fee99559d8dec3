package endtoend

import (
	"errors"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	recordsv1 "velamen/gen/velamen/records/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// TestAFullDiskRefusesConfirmationsWholeAndLosesNone fills the disk while
// programs run. A confirmation is answered and there, or refused and not there;
// when there is space again the same request is answered.
func TestAFullDiskRefusesConfirmationsWholeAndLosesNone(t *testing.T) {
	i := newInstall(t)
	disk := mount(t, 0, "size=800m,mode=711")
	i.folder = filepath.Join(disk, "data")
	i.up()
	n := settle(i)
	var requests []*treatmentv1.ConfirmStepRequest
	for range 40 {
		program, err := n.newProgram("phyllosticta-leaf-spot", "leaf-spots", upToContact(14*day)...)
		require.NoError(t, err)
		requests = append(requests, confirmRequest(program.GetName(), work{step: "contact-1"}))
	}

	filler := filepath.Join(disk, "filler")
	fill(t, filler)
	refused, said := n.confirmUntilRefused(requests)
	require.NoError(t, os.Remove(filler))

	// PostgreSQL ends when it cannot write its log of changes, and velamen with
	// it; then it is started again as it is after a power cut.
	select {
	case <-i.server.exited:
		require.NotZero(t, i.server.cmd.ProcessState.ExitCode())
		i.up()
	case <-time.After(time.Second):
	}
	t.Logf("confirmation %d was refused: %s", refused, said)
	if strings.Contains(said, "nothing was changed") {
		require.Zero(t, n.confirmed(requests[refused]))
	}
	for at, request := range requests {
		response := must(n, n.worker, n.treatment.ConfirmStep, request)
		require.Equal(t, treatmentv1.StepState_STEP_STATE_CONFIRMED, response.GetStep().GetState())
		require.NotEmpty(t, response.GetApplication())
		require.Equal(t, 1, n.confirmed(request), "confirmation %d", at)
	}
	eventually(t, settleWithin, func() error {
		verified, err := read(n.worker, n.records.VerifyLedger, &recordsv1.VerifyLedgerRequest{Parent: parent})
		if err != nil {
			return err
		}
		// The systemic spray of the past has two products, the contact one has one.
		if want := int64(len(requests) * 3 * len(houses)); verified.GetEntries() != want || !verified.GetIntact() {
			return errors.New("the ledger is not complete: " + verified.String())
		}
		return nil
	})
	temporal := i.temporal()
	defer temporal.Close()
	for _, request := range requests {
		eventually(t, settleWithin, func() error { return n.agrees(temporal, programOf(request)) })
	}
	i.stop(stopWithin)
}

// confirmUntilRefused confirms until the disk is too full, and returns the index
// of the refused request and what was said.
func (n *nursery) confirmUntilRefused(requests []*treatmentv1.ConfirmStepRequest) (int, string) {
	n.t.Helper()
	for at, request := range requests {
		_, err := once(n.worker, n.treatment.ConfirmStep, request)
		if err == nil {
			continue
		}
		require.Equal(n.t, codes.Unavailable.String(), status.Code(err).String(), err)
		return at, status.Convert(err).Message()
	}
	require.FailNow(n.t, "a full disk refused no confirmation")
	return 0, ""
}

func programOf(request *treatmentv1.ConfirmStepRequest) string {
	return path.Dir(path.Dir(request.GetName()))
}

// confirmed returns how often the confirmation of a request is on record.
func (n *nursery) confirmed(request *treatmentv1.ConfirmStepRequest) int {
	n.t.Helper()
	var found int
	eventually(n.t, settleWithin, func() error {
		events, err := n.events(programOf(request))
		found = 0
		for _, event := range events {
			if event.GetNote() == request.GetConfirmation().GetNote() {
				found++
			}
		}
		return err
	})
	return found
}

// fill writes a file until there is no space left on its disk.
func fill(t testing.TB, name string) {
	t.Helper()
	file, err := os.Create(name)
	require.NoError(t, err)
	defer func() { require.NoError(t, file.Close()) }()
	for _, piece := range []int{1 << 20, 1 << 12, 1} {
		for err = nil; err == nil; {
			_, err = file.Write(make([]byte, piece))
		}
		require.ErrorIs(t, err, syscall.ENOSPC)
		_, err = file.Seek(0, io.SeekEnd)
		require.NoError(t, err)
	}
}
