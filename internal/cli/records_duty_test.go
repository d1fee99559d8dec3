package cli_test

import (
	"context"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc/rpctest"
)

const requestID = "11111111-1111-4111-8111-111111111111"

func (a *ledgerAnswers) ListRecordDuties(_ context.Context, r *recordsv1.ListRecordDutiesRequest) (*recordsv1.ListRecordDutiesResponse, error) {
	a.asked = r
	const taken = "Nobody said who applied: the duties of both count."
	return &recordsv1.ListRecordDutiesResponse{
		Duties: []*recordsv1.Duty{
			{
				Deadline: "us-display-information", What: "show application information and safety data sheets", Applications: []string{"nurseries/test/applications/a1"},
				DueTime: utc(2, 8), State: recordsv1.DutyState_DUTY_STATE_OVERDUE, Source: "40 CFR 170.311(b)(5)", Notes: []string{taken},
			},
			{
				Deadline: "us-keep-displayed", What: "keep them shown", Applications: []string{"nurseries/test/applications/a1"}, Lasts: true,
				DueTime: utc(31, 8), State: recordsv1.DutyState_DUTY_STATE_LASTING, Source: "40 CFR 170.311(b)(5)",
			},
			{
				Deadline: "ca-grower-report", What: "report the use of the month", To: "county agricultural commissioner", MonthReport: true,
				Applications: []string{"nurseries/test/applications/a1", "nurseries/test/applications/a2"}, DueDate: &typev1.Date{Value: "2026-04-10"},
				DueTime: utc(31, 8), State: recordsv1.DutyState_DUTY_STATE_DONE, Source: "3 CCR 6626(a)", Verified: true, Notes: []string{taken},
				Records: []*recordsv1.DutyRecord{{Name: "nurseries/test/dutyRecords/1", DoneTime: utc(30, 8), Reference: "R-1182"}},
			},
		},
		Gaps: []string{"Not tracked here: what is due only when somebody asks."}, Caution: caution,
	}, nil
}

func (a *ledgerAnswers) RecordDuty(_ context.Context, r *recordsv1.RecordDutyRequest) (*recordsv1.DutyRecord, error) {
	a.asked = r
	record := proto.CloneOf(r.GetDutyRecord())
	record.Name, record.Person, record.CreateTime = "nurseries/test/dutyRecords/2", "nurseries/test/people/mira", utc(9, 8)
	return record, nil
}

func (a *ledgerAnswers) GetDutySettings(_ context.Context, r *recordsv1.GetDutySettingsRequest) (*recordsv1.DutySettings, error) {
	a.asked = r
	return &recordsv1.DutySettings{Name: r.GetName(), Etag: "v0"}, nil
}

func (a *ledgerAnswers) UpdateDutySettings(_ context.Context, r *recordsv1.UpdateDutySettingsRequest) (*recordsv1.DutySettings, error) {
	a.asked = r
	set := proto.CloneOf(r.GetDutySettings())
	set.Person, set.UpdateTime, set.Etag = "nurseries/test/people/mira", utc(3, 8), "v1"
	return set, nil
}

// ListRetention answers for a ledger of entries 3 to 12 of which 3 to 8 may go; the work
// of 9 ended in March 2024.
func (a *ledgerAnswers) ListRetention(_ context.Context, r *recordsv1.ListRetentionRequest) (*recordsv1.ListRetentionResponse, error) {
	a.asked = r
	groups := []*recordsv1.RetentionGroup{
		{
			Month: "2024-01", State: recordsv1.RetentionState_RETENTION_STATE_MAY_GO, Row: "ca-use-record-kept", Entries: 6, FirstEntry: 3, LastEntry: 8,
			FirstTime: utc(1, 8), LastTime: utc(2, 8), Message: "Entry 3 had to be kept until 2026-03-01.",
		},
		{
			Month: "2024-03", State: recordsv1.RetentionState_RETENTION_STATE_TIME_RUNS, Row: "ca-use-record-kept", Entries: 3, FirstEntry: 9, LastEntry: 11,
			FirstTime: utc(20, 8), LastTime: utc(25, 8), Message: "Keep entry 9 until 2026-03-20.",
		},
		{
			Month: "2024-03", State: recordsv1.RetentionState_RETENTION_STATE_HELD, Entries: 1, FirstEntry: 12, LastEntry: 12,
			FirstTime: utc(25, 8), LastTime: utc(25, 8), Holds: []string{"nurseries/test/holds/2"}, Message: "Keep entry 12: hold 2 covers it.",
		},
	}
	if from := r.GetFromDate().GetValue(); from > "2024-04" {
		groups = nil
	} else if from != "" {
		groups = groups[1:]
	}
	return &recordsv1.ListRetentionResponse{
		Groups: groups, Entries: 10, MayGo: 6, PurgeableThrough: 8, Jurisdictions: []string{"US-CA"}, Caution: caution,
	}, nil
}

func (a *ledgerAnswers) PurgeEntries(_ context.Context, r *recordsv1.PurgeEntriesRequest) (*recordsv1.Purge, error) {
	a.asked = r
	return aPurge(), nil
}

func (a *ledgerAnswers) ListPurges(_ context.Context, r *recordsv1.ListPurgesRequest) (*recordsv1.ListPurgesResponse, error) {
	a.asked = r
	return &recordsv1.ListPurgesResponse{Purges: []*recordsv1.Purge{aPurge()}}, nil
}

func aPurge() *recordsv1.Purge {
	return &recordsv1.Purge{
		Name: "nurseries/test/purges/2", FirstEntry: 3, LastEntry: 8, Entries: 6, Head: strings.Repeat("ab", 32), KeptUntil: utc(2, 8),
		Jurisdictions: []string{"US-CA"}, Reason: "kept long enough", Person: "nurseries/test/people/olwen", CreateTime: utc(3, 8),
		KeyId: "0123456789abcdef", PublicKey: strings.Repeat("cd", 32), Signature: strings.Repeat("ef", 64), SignedText: "{}",
	}
}

func TestTheDutiesOfAMonthSayWhatByWhenAndHowItStands(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "duties", "2026-03")
	require.Zero(t, code, errors)
	golden(t, "records-duties.txt", out)
	require.True(t, proto.Equal(&recordsv1.ListRecordDutiesRequest{Parent: "nurseries/test", Month: "2026-03"}, a.asked))
	_, errors, code = c.run("records", "duties", "March")
	require.Equal(t, 2, code)
	require.Contains(t, errors, `MONTH "March": it must be a month such as 2026-03`)
}

func TestThatADutyWasDoneIsRecorded(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "duty-done", "2026-03", "us-display-information", "--application", "a1", "--done", "2026-03-02 08:00",
		"--to", "everybody", "--reference", "board by the gate", "--note", "late: the printer was broken", "--request-id", requestID)
	require.Zero(t, code, errors)
	golden(t, "records-duty-done.txt", out)
	sentAs(t, "records-duty-done-request.json", a.asked)

	for _, wrong := range [][]string{
		{"2026-03", "ca-grower-report"},
		{"2026-03", "ca-grower-report", "--done", "yesterday"},
		{"March", "ca-grower-report", "--done", "2026-04-08 15:30"},
		{"2026-03", "--done", "2026-04-08 15:30"},
	} {
		_, _, code = c.run(append([]string{"records", "duty-done"}, wrong...)...)
		require.Equal(t, 2, code, wrong)
	}
}

func TestDutySettingsAreShownAndOnlyWhatIsGivenIsChanged(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "duty-settings")
	require.Zero(t, code, errors)
	golden(t, "records-duty-settings.txt", out)
	require.True(t, proto.Equal(&recordsv1.GetDutySettingsRequest{Name: "nurseries/test/dutySettings"}, a.asked))

	out, errors, code = c.run("records", "duty-settings", "--performer", "grower", "--trades-in-products", "no", "--monthly-summary", "not-said",
		"--etag", "v0", "--request-id", requestID)
	require.Zero(t, code, errors)
	golden(t, "records-duty-settings-changed.txt", out)
	require.True(t, proto.Equal(&recordsv1.UpdateDutySettingsRequest{
		DutySettings: &recordsv1.DutySettings{
			Name: "nurseries/test/dutySettings", Performer: recordsv1.Performer_PERFORMER_GROWER, TradesInProducts: recordsv1.DutyAnswer_DUTY_ANSWER_NO, Etag: "v0",
		},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"monthly_summary", "performer", "trades_in_products"}}, RequestId: requestID,
	}, a.asked))

	_, errors, code = c.run("records", "duty-settings", "--performer", "somebody")
	require.Equal(t, 2, code)
	require.Contains(t, errors, `"somebody" is none of grower, business, both, not-said`)
}

func TestRetentionSaysWhatKeepsWhichEntries(t *testing.T) {
	c, a := newLedgerClient(t)
	out, errors, code := c.run("records", "retention", "--to", "2024-12-31")
	require.Zero(t, code, errors)
	golden(t, "records-retention.txt", out)
	require.True(t, proto.Equal(&recordsv1.ListRetentionRequest{Parent: "nurseries/test", ToDate: &typev1.Date{Value: "2024-12-31"}}, a.asked))
	_, _, code = c.run("records", "retention", "--from", "January")
	require.Equal(t, 2, code)
}

func TestWithoutYesNothingIsPurgedAndWhatWouldGoIsShown(t *testing.T) {
	c, a := newLedgerClient(t)
	for _, test := range []struct {
		args  []string
		says  string
		names []string
	}{
		{[]string{"--through", "6"}, "Entries 3 to 6 would go for good, 4 of them, unless", []string{"2024-01"}},
		{[]string{"--before", "2024-03-01"}, "Entries 3 to 8 would go for good, 6 of them, unless", []string{"2024-01"}},
		{[]string{"--before", "2024-05-01"}, "It would be refused: now the ledger can be purged through entry 8, not through 12.", []string{"2024-01", "Keep entry 9", "hold 2 covers it"}},
		{[]string{"--through", "9"}, "It would be refused: now the ledger can be purged through entry 8, not through 9.", []string{"Keep entry 9"}},
		{[]string{"--through", "13"}, "It would be refused: the ledger ends at entry 12.", nil},
		{[]string{"--through", "2"}, "None of the entries that are there would go.", nil},
	} {
		out, errors, code := c.run(append([]string{"records", "purge", "--reason", "kept long enough"}, test.args...)...)
		require.Equal(t, 2, code, test.args)
		require.Contains(t, errors, "nothing was removed: give --yes to remove entries for good")
		require.Contains(t, strings.Join(strings.Fields(out), " "), test.says)
		for _, name := range test.names {
			require.Contains(t, strings.Join(strings.Fields(out), " "), name)
		}
		require.IsType(t, &recordsv1.ListRetentionRequest{}, a.asked, "it only asked")
	}
	out, _, _ := c.run("records", "purge", "--reason", "kept long enough", "--before", "2024-05-01")
	golden(t, "records-purge-preview.txt", out)
}

func TestAPurgeRemovesThroughAnEntryOrThroughTheDayBeforeOne(t *testing.T) {
	c, a := newLedgerClient(t)
	c.environment["VELAMEN_TOKEN"] = rpctest.Owner.Person
	out, errors, code := c.run("records", "purge", "--before", "2024-03-01", "--reason", "kept long enough", "--yes", "--request-id", requestID)
	require.Zero(t, code, errors)
	golden(t, "records-purge.txt", out)
	require.True(t, proto.Equal(&recordsv1.PurgeEntriesRequest{
		Parent: "nurseries/test", ThroughDate: &typev1.Date{Value: "2024-02-29"}, Reason: "kept long enough", RequestId: requestID,
	}, a.asked))
	_, errors, code = c.run("records", "purge", "--through", "8", "--reason", "kept long enough", "--yes", "--request-id", requestID)
	require.Zero(t, code, errors)
	require.Equal(t, int64(8), a.asked.(*recordsv1.PurgeEntriesRequest).GetThroughSequence())

	out, errors, code = c.run("records", "purges")
	require.Zero(t, code, errors)
	golden(t, "records-purges.txt", out)
	a.asked = nil
	for _, wrong := range [][]string{
		{"--yes", "--reason", "r"},
		{"--yes", "--through", "8"},
		{"--yes", "--through", "0", "--reason", "r"},
		{"--yes", "--through", "8", "--before", "2024-03-01", "--reason", "r"},
		{"--yes", "--before", "March", "--reason", "r"},
	} {
		_, _, code := c.run(append([]string{"records", "purge"}, wrong...)...)
		require.Equal(t, 2, code, wrong)
	}
	require.Nil(t, a.asked)
}
