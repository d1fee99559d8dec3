package records

import (
	"bytes"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func reportRequest(kind string, format recordsv1.UseReportFormat) *recordsv1.ExportUseReportRequest {
	return &recordsv1.ExportUseReportRequest{
		Parent: "nurseries/test", Kind: kind, Format: format,
		FromDate: &typev1.Date{Value: "2026-03-01"}, ToDate: &typev1.Date{Value: "2026-03-31"},
	}
}

// laidOut is what these tests read of a report in JSON.
type laidOut struct {
	Kind    string `json:"kind"`
	Missing int    `json:"missing"`
	Uses    struct {
		Rows []struct {
			Name  string `json:"name"`
			Cells []struct {
				State string `json:"state"`
				Text  string `json:"text"`
			} `json:"cells"`
		} `json:"rows"`
	} `json:"uses"`
}

func (f fixture) report(t *testing.T, request *recordsv1.ExportUseReportRequest) (laidOut, *recordsv1.ExportUseReportResponse) {
	t.Helper()
	made, err := f.client.ExportUseReport(f.manager, request)
	require.NoError(t, err)
	var read laidOut
	require.NoError(t, json.Unmarshal(made.GetData(), &read))
	return read, made
}

// entries are the numbers of the entries, sorted.
func (l laidOut) entries() []string {
	var names []string
	for _, row := range l.Uses.Rows {
		names = append(names, strings.TrimPrefix(row.Name, "nurseries/test/entries/"))
	}
	slices.Sort(names)
	return names
}

const reportJSON = recordsv1.UseReportFormat_USE_REPORT_FORMAT_JSON

func TestAUseReportHoldsWhatStandsInTheLedgerAndSaysWhatIsMissing(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	read, made := f.report(t, reportRequest("house-record", reportJSON))
	require.Equal(t, "house-record", read.Kind)
	require.Equal(t, []string{"1", "2"}, read.entries())
	require.NotEmpty(t, made.GetCaution())
	require.Equal(t, read.Missing, len(made.GetGaps()), "nothing here is doubtful")
	texts := ""
	for _, row := range read.Uses.Rows {
		for _, cell := range row.Cells {
			require.NotEmpty(t, cell.Text, "no field is blank")
			texts += cell.Text + "\n"
		}
	}
	for _, said := range []string{"Orchid house", "Thiophanate 50 WP", "L1001", "Wandile Worker", "25 g"} {
		require.Contains(t, texts, said)
	}
}

func TestAUseReportIsOfOneHouseAndOfTheDaysAskedFor(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	other := application("a2")
	other.Houses[0].House = "nurseries/test/houses/h2"
	other.Houses[0].Products = other.Houses[0].Products[:1]
	// It ends at 23:30 on 19 March in Johannesburg, where the nursery is.
	other.Start, other.End = time.Date(2026, 3, 19, 20, 0, 0, 0, time.UTC), time.Date(2026, 3, 19, 21, 30, 0, 0, time.UTC)
	f.confirm(t, other)

	request := reportRequest("house-record", reportJSON)
	request.House = "nurseries/test/houses/h2"
	read, _ := f.report(t, request)
	require.Equal(t, []string{"3"}, read.entries())
	request.House, request.ToDate = "", &typev1.Date{Value: "2026-03-18"}
	read, _ = f.report(t, request)
	require.Equal(t, []string{"1", "2"}, read.entries())
	request.FromDate, request.ToDate = &typev1.Date{Value: "2026-03-19"}, &typev1.Date{Value: "2026-03-19"}
	read, _ = f.report(t, request)
	require.Equal(t, []string{"3"}, read.entries(), "it ended at half past eleven on that day in the nursery")
}

func TestAUseReportIsWrittenInEveryFormat(t *testing.T) {
	f := setUp(t)
	f.confirm(t, application("a1"))
	for format, begins := range map[recordsv1.UseReportFormat]string{
		recordsv1.UseReportFormat_USE_REPORT_FORMAT_PDF: "%PDF-", recordsv1.UseReportFormat_USE_REPORT_FORMAT_XLSX: "PK",
		recordsv1.UseReportFormat_USE_REPORT_FORMAT_JSON: "{", recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV: "",
	} {
		made, err := f.client.ExportUseReport(f.manager, reportRequest("za-use-record", format))
		require.NoError(t, err)
		require.NotEmpty(t, made.GetMediaType())
		require.True(t, bytes.HasPrefix(made.GetData(), []byte(begins)), format)
		again, err := f.client.ExportUseReport(f.manager, reportRequest("za-use-record", format))
		require.NoError(t, err)
		require.Equal(t, made.GetData(), again.GetData(), "the same bytes again: %s", format)
	}
}

func TestAUseReportIsRefusedByItsField(t *testing.T) {
	f := setUp(t)
	for _, test := range []struct {
		name  string
		spoil func(*recordsv1.ExportUseReportRequest)
		code  codes.Code
		field string
	}{
		{"no such kind", func(r *recordsv1.ExportUseReportRequest) { r.Kind = "lunar" }, codes.InvalidArgument, "kind"},
		{"the law of another place", func(r *recordsv1.ExportUseReportRequest) { r.Kind = "us-ca-monthly-use" }, codes.FailedPrecondition, "kind"},
		{"days in no order", func(r *recordsv1.ExportUseReportRequest) { r.ToDate = &typev1.Date{Value: "2026-02-01"} }, codes.InvalidArgument, "to_date"},
		{"no day", func(r *recordsv1.ExportUseReportRequest) { r.FromDate = &typev1.Date{Value: "2026-02-30"} }, codes.InvalidArgument, "from_date"},
		{"a bench for a house", func(r *recordsv1.ExportUseReportRequest) { r.House = "nurseries/test/benches/b1" }, codes.InvalidArgument, "house"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := reportRequest("house-record", reportJSON)
			test.spoil(request)
			_, err := f.client.ExportUseReport(f.manager, request)
			message, _ := rpctest.Refused(t, err, test.code, fault.InvalidField)
			require.Contains(t, message, test.field)
		})
	}
	request := reportRequest("house-record", reportJSON)
	request.House = "nurseries/test/houses/h9"
	_, err := f.client.ExportUseReport(f.manager, request)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

// forHire returns which fields of a report are missing because it is not known whether a
// business did the work, and whether the report says that the answer is of now.
func (f yearsFixture) forHire(t *testing.T) (asked []string, ofNow bool) {
	t.Helper()
	made, err := f.client.ExportUseReport(f.manager, reportRequest("us-ca-monthly-use", reportJSON))
	require.NoError(t, err)
	for _, gap := range made.GetGaps() {
		if gap.GetFix() == "nurseries/test/dutySettings" {
			require.Equal(t, "performer", gap.GetFixField())
			require.Contains(t, gap.GetReason(), "whether that is so is not known")
			asked = append(asked, gap.GetTitle())
		}
	}
	return asked, strings.Contains(string(made.GetData()), "whether a business did the work for another")
}

// 3 CCR 6624(c)(7): the record of a business that applies for another says who supervised.
func TestWhetherABusinessDidTheWorkFollowsTheDutySettings(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-03-02 10:00", "12")
	asked, _ := f.forHire(t)
	require.Equal(t, []string{"Who supervised it"}, asked, "nobody said who applies")
	for _, test := range []struct {
		performer recordsv1.Performer
		asked     []string
	}{
		{recordsv1.Performer_PERFORMER_BUSINESS, []string{"Who supervised it"}},
		{recordsv1.Performer_PERFORMER_BOTH, []string{"Who supervised it"}},
		{recordsv1.Performer_PERFORMER_GROWER, nil},
	} {
		t.Run(test.performer.String(), func(t *testing.T) {
			f.answer(t, &recordsv1.DutySettings{Performer: test.performer})
			asked, _ := f.forHire(t)
			require.Equal(t, test.asked, asked)
		})
	}
	_, ofNow := f.forHire(t)
	require.True(t, ofNow, "the report says that the answer is none of the day")
}
