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

func (a *ledgerAnswers) ExportUseReport(_ context.Context, r *recordsv1.ExportUseReportRequest) (*recordsv1.ExportUseReportResponse, error) {
	a.asked = r
	return &recordsv1.ExportUseReportResponse{
		MediaType: "text/csv; charset=utf-8", Data: []byte("entry\r\n1\r\n"), Caution: caution,
		Gaps: []*recordsv1.ReportGap{
			{Title: "Operator identification number", Reason: "The nursery has none.", Section: "3 CCR 6624(c)(3)", Fix: "nurseries/test",
				FixField: "operator_id", FixCommand: "velamen nursery update --operator-id NUMBER"},
			{Entry: "nurseries/test/entries/1", Title: "Site identification number", Reason: "Nobody entered it.", Section: "3 CCR 6624(c)(4)", Fix: "nurseries/test/houses/h1",
				FixField: "site_number", FixCommand: "velamen stock house update h1 --site-number NUMBER"},
		},
	}, nil
}

func (a *ledgerAnswers) CheckUseReport(ctx context.Context, r *recordsv1.CheckUseReportRequest) (*recordsv1.CheckUseReportResponse, error) {
	made, err := a.ExportUseReport(ctx, nil)
	a.asked = r
	return &recordsv1.CheckUseReportResponse{Uses: 3, Gaps: made.GetGaps(), Caution: caution}, err
}

func TestAUseReportIsCheckedWithoutAFile(t *testing.T) {
	c, a := newLedgerClient(t)
	args := []string{"records", "report", "us-ca-monthly-use", "--from", "2026-03-01", "--to", "2026-03-31", "--house", "h1", "--check"}
	out, errors, code := c.run(args...)
	require.Equal(t, 1, code, errors)
	golden(t, "records-report-check.txt", out)
	require.Contains(t, errors, "2 fields are missing or doubtful")
	require.True(t, proto.Equal(&recordsv1.CheckUseReportRequest{
		Parent: "nurseries/test", Kind: "us-ca-monthly-use", House: "nurseries/test/houses/h1",
		FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	}, a.asked))
	_, _, code = c.run(append(args, "--file", "march.csv")...)
	require.NotZero(t, code, "a check writes no file")
}

func TestAUseReportIsWrittenToAFileOnceAndItsGapsAreListed(t *testing.T) {
	c, a := newLedgerClient(t)
	file := filepath.Join(t.TempDir(), "march.csv")
	args := []string{"records", "report", "us-ca-monthly-use", "--from", "2026-03-01", "--to", "2026-03-31", "--house", "h1", "--format", "csv", "--file"}
	out, errors, code := c.run(append(args, file)...)
	require.Zero(t, code, errors)
	golden(t, "records-report.txt", strings.ReplaceAll(out, file, "march.csv"))
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, "entry\r\n1\r\n", string(written))
	require.True(t, proto.Equal(&recordsv1.ExportUseReportRequest{
		Parent: "nurseries/test", Kind: "us-ca-monthly-use", House: "nurseries/test/houses/h1", Format: recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV,
		FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	}, a.asked))

	_, errors, code = c.run(append(args, file)...)
	require.NotZero(t, code, "a file that is there is not written over")
	require.Contains(t, errors, "--file")
	out, errors, code = c.run(append(args, "-")...)
	require.Zero(t, code, errors)
	require.Equal(t, "entry\r\n1\r\n", out)
}
