package cli_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *ledgerAnswers) ExportHistory(_ context.Context, r *recordsv1.ExportHistoryRequest) (*recordsv1.ExportHistoryResponse, error) {
	a.asked = r
	return &recordsv1.ExportHistoryResponse{
		MediaType: "text/csv; charset=utf-8", Data: []byte("time\r\n"), Records: 12, Caution: caution,
		LeftOut: []string{"The hash of the password: with it somebody could try passwords.", "The bytes of photos."},
	}, nil
}

func TestAHistoryIsWrittenToAFileAndWhatIsLeftOutIsListed(t *testing.T) {
	c, a := newLedgerClient(t)
	file := filepath.Join(t.TempDir(), "wandile.csv")
	out, errors, code := c.run("records", "history", "person", "wandile", "--from", "2026-03-01", "--format", "csv", "--file", file)
	require.Zero(t, code, errors)
	golden(t, "records-history.txt", strings.ReplaceAll(out, file, "wandile.csv"))
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "time\r\n", string(written))
	require.True(t, proto.Equal(&recordsv1.ExportHistoryRequest{
		Name: "nurseries/test/people/wandile", Format: recordsv1.HistoryFormat_HISTORY_FORMAT_CSV, FromDate: &typev1.Date{Value: "2026-03-01"},
	}, a.asked))
}

func TestAHistoryIsOfAPersonAHouseALotOrAContainer(t *testing.T) {
	c, a := newLedgerClient(t)
	for _, test := range []struct{ kind, typed, name string }{
		{"house", "h1", "nurseries/test/houses/h1"},
		{"lot", "lot-1", "nurseries/test/lots/lot-1"},
		{"container", "thio/c1", "nurseries/test/products/thio/containers/c1"},
	} {
		out, errors, code := c.run("records", "history", test.kind, test.typed, "--format", "json", "--file", "-")
		require.Zero(t, code, errors)
		require.Equal(t, "time\r\n", out)
		require.True(t, proto.Equal(&recordsv1.ExportHistoryRequest{Name: test.name, Format: recordsv1.HistoryFormat_HISTORY_FORMAT_JSON}, a.asked))
	}
	_, errors, code := c.run("records", "history", "case", "c1", "--format", "json", "--file", "-")
	require.NotZero(t, code)
	require.Contains(t, errors, "person, house, lot or container")
}
