package cli_test

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/cli"
	"velamen/internal/cli/clitest"
	"velamen/internal/quantity"
	"velamen/services/records/report"
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

// filledIn is what a person writes in the place of the capitals of a command.
var filledIn = strings.NewReplacer(
	" NUMBER:LAST-DAY:CATEGORY", " C-17:2027-01-31:greenhouse", `"CROP=CODE"`, `"Vanda coerulea=VNDCO"`, " SETTING", " greenhouse",
	" COVERING", " glass", " AREA", " 300m2", " AMOUNT", " 24g", " VOLUME", " 20L", " NUMBER", " 3", " STAGE", " 61",
	" TIME", ` "2026-03-01 10:00"`, " CODE", " NL", " NAME", ` "A name"`, " PLACE", " bench-1", " LOCATION", " here", " PERSON", " mira", " PERFORMER", " grower",
	" ADDRESS", " here", " COUNTY", " here", " FILE", " file.json", " WHY", ` "forgotten on the day"`, " ZONE", " Europe/Berlin")

// Whatever a report lacks is mended with a command that there is.
func TestTheCommandsThatMendAReportAreCommandsOfVelamen(t *testing.T) {
	lines := map[string]bool{}
	for _, kind := range report.Kinds() {
		use := report.Use{
			Entry: "nurseries/test/entries/1", House: "nurseries/test/houses/h1", Product: "nurseries/test/products/p1",
			Applicator: report.Person{Resource: "nurseries/test/people/wandile"}, RestrictedUse: true,
			Crops: []report.Crop{{Name: "Vanda coerulea", Lot: "nurseries/test/lots/l1"}}, ForHire: report.Yes,
			TimeLimited: report.Yes, StageLimited: report.Yes,
		}
		uses := []report.Use{use}
		use.Entry, use.Setting, use.Crops = "nurseries/test/entries/2", "outdoor", []report.Crop{{Name: "Vanda coerulea", EPPO: "?"}}
		use.ForHire = report.Unknown
		use.Planted, use.Treated = quantity.Must("0", quantity.SquareMetre), quantity.Must("1", quantity.SquareMetre)
		for _, gap := range report.Check(kind, report.Nursery{Name: "nurseries/test"}, append(uses, use)) {
			require.NotEmpty(t, gap.Fix)
			require.NotEmpty(t, gap.FixField)
			if gap.FixCommand != "" {
				lines[filledIn.Replace(gap.FixCommand)] = true
			}
		}
	}
	require.Greater(t, len(lines), 15)
	for line := range lines {
		clitest.CheckCommand(t, cli.Tree(cli.Options{Out: io.Discard, Err: io.Discard}), line)
	}
}
