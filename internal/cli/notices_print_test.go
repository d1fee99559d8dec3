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
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
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

func TestASheetOfPlannedWorkIsAskedForWithWhatIsPlanned(t *testing.T) {
	a := &printAnswers{}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		treatmentv1.RegisterTreatmentServiceServer(server, a)
	})
	file := filepath.Join(t.TempDir(), "sign.pdf")
	args := []string{"notices", "print-planned", "entrance-sign", "--method", "spray", "--disorder", "black-rot", "--lot", "l-1",
		"--start", "2026-03-02 07:00", "--end", "2026-03-02 08:00",
		"--house", "h1", "--area", "40m2", "--mix", "20L", "--product", "topspray=24g", "--file"}
	out, errors, code := c.run(append(args, file)...)
	require.Zero(t, code, errors)
	golden(t, "notices-print-planned.txt", strings.ReplaceAll(out, file, "sign.pdf"))
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "%PDF-1.3\n", string(written))
	want := &treatmentv1.ExportNoticeRequest{
		Parent: "nurseries/test", Sheet: treatmentv1.NoticeSheet_NOTICE_SHEET_ENTRANCE_SIGN, PlannedEndTime: utc(2, 6),
		Planned: &treatmentv1.ProposedApplication{
			StartTime: utc(2, 5), Method: productsv1.Method_METHOD_SPRAY, Disorder: "black-rot", Lots: []string{"nurseries/test/lots/l-1"},
			Treatments: []*treatmentv1.HouseTreatment{{
				House: "nurseries/test/houses/h1",
				Area:  &typev1.Quantity{Amount: "40", Unit: "m2"}, MixVolume: &typev1.Quantity{Amount: "20", Unit: "L"},
				Products: []*treatmentv1.ProductUse{{Product: "nurseries/test/products/topspray", Amount: &typev1.Quantity{Amount: "24", Unit: "g"}}},
			}},
		},
	}
	require.True(t, proto.Equal(want, a.asked), "%v", a.asked)

	_, errors, code = c.run("notices", "print-planned", "entrance-sign", "--method", "spray", "--disorder", "black-rot", "--lot", "l-1",
		"--start", "2026-03-02 07:00", "--house", "h1", "--area", "40m2", "--mix", "20L", "--product", "topspray=24g", "--file", "-")
	require.NotZero(t, code)
	require.Contains(t, errors, "end", "the interval begins at the end, so it has to be said")
}
