package cli_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

// printAnswers serves one sheet and keeps what it was asked for.
type printAnswers struct {
	treatmentv1.UnimplementedTreatmentServiceServer
	asked *treatmentv1.ExportNoticeRequest
}

func (a *printAnswers) ExportNotice(_ context.Context, r *treatmentv1.ExportNoticeRequest) (*treatmentv1.ExportNoticeResponse, error) {
	a.asked = r
	return &treatmentv1.ExportNoticeResponse{
		MediaType: "application/pdf", Data: []byte("%PDF-1.3\n"), Caution: caution,
		Missing: []string{"Telephone in an emergency", "Leafguard 70: First aid, word for word as it was entered from the label"},
	}, nil
}

func TestASheetIsWrittenToAFileOnceAndWhatIsMissingIsListed(t *testing.T) {
	a := &printAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
	})
	file := filepath.Join(t.TempDir(), "physician.pdf")
	args := []string{"notices", "print", "physician", "--application", "a1", "--house", "h1", "--file"}
	out, errors, code := c.run(append(args, file)...)
	require.Zero(t, code, errors)
	golden(t, "notices-print.txt", strings.ReplaceAll(out, file, "physician.pdf"))
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "%PDF-1.3\n", string(written))
	require.True(t, proto.Equal(&treatmentv1.ExportNoticeRequest{
		Application: "nurseries/test/applications/a1", House: "nurseries/test/houses/h1", Sheet: treatmentv1.NoticeSheet_NOTICE_SHEET_PHYSICIAN,
	}, a.asked))

	_, errors, code = c.run(append(args, file)...)
	require.NotZero(t, code, "a file that is there is not written over")
	require.Contains(t, errors, "--file")
	out, errors, code = c.run(append(args, "-")...)
	require.Zero(t, code, errors)
	require.Equal(t, "%PDF-1.3\n", out)

	_, errors, code = c.run("notices", "print", "poster", "--application", "a1", "--file", "-")
	require.NotZero(t, code)
	require.Contains(t, errors, "entrance-sign")
}
