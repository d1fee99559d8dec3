package records

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
	"velamen/services/records/report"
)

// made is a report of the house record of some days.
func (f fixture) made(t *testing.T, from, to string) report.Document {
	t.Helper()
	request := reportRequest("house-record", reportJSON)
	request.FromDate, request.ToDate = dated(from), dated(to)
	made, err := f.client.ExportUseReport(f.manager, request)
	require.NoError(t, err)
	var document report.Document
	require.NoError(t, json.Unmarshal(made.GetData(), &document))
	return document
}

func numbersOf(document report.Document) []string {
	names := []string{}
	for _, row := range document.Uses.Rows {
		names = append(names, strings.TrimPrefix(row.Name, "nurseries/test/entries/"))
	}
	return names
}

func TestAReportOfATimeOfWhichEntriesWerePurgedSaysSo(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-20 10:00", "4")
	f.clock.at = f.local(t, "2020-02-20 09:00")
	_, err := f.client.PurgeEntries(f.owner, throughEntry(2))
	require.NoError(t, err)

	document := f.made(t, "2018-01-01", "2018-01-31")
	require.Equal(t, "purged", document.Gaps[0].Field)
	require.Contains(t, document.Gaps[0].Reason, "Entries 1 to 2 of the ledger were purged at 2020-02-20T17:00:00Z")
	require.Equal(t, "nurseries/test/purges/1", document.Gaps[0].Fix)
	require.Positive(t, document.Missing)
	request := reportRequest("house-record", recordsv1.UseReportFormat_USE_REPORT_FORMAT_CSV)
	request.FromDate, request.ToDate = dated("2018-01-01"), dated("2018-01-31")
	made, err := f.client.ExportUseReport(f.manager, request)
	require.NoError(t, err)
	require.Contains(t, string(made.GetData()), "uses may have been purged")
	require.NotContains(t, string(made.GetData()), "No use is on record in this period")
	for _, gap := range f.made(t, "2019-06-01", "2019-06-30").Gaps {
		require.NotEqual(t, "purged", gap.Field, "nothing so young was purged")
	}

	record, err := f.client.GetUseRecord(f.manager, &recordsv1.GetUseRecordRequest{
		House: "nurseries/test/houses/h1", FromDate: dated("2018-01-01"), ToDate: dated("2018-01-31"),
	})
	require.NoError(t, err)
	require.Contains(t, record.GetCaution(), "Entries 1 to 2 of the ledger were purged")
	_, duties := f.duties(t, "2018-01")
	require.Contains(t, strings.Join(duties.GetGaps(), "\n"), "Entries 1 to 2 of the ledger were purged")
}

func TestAServerWhoseClockIsAheadPurgesNothing(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-03-01 10:00", "4")
	f.clock.at = f.local(t, "2099-03-01 10:00")
	message, values := f.refusedPurge(t, throughEntry(1))
	require.Contains(t, message, "the clock of this server says 2099-03-01T18:00:00Z")
	require.NotEmpty(t, values["database_time"])

	p := purging{
		Nursery: "test", Number: 1, FirstSequence: 1, ThroughSequence: 1, Entries: 1, Head: f.entries(t)[0].GetHash(), Jurisdictions: []string{"US-CA"},
		Reason: "r", Person: "nurseries/test/people/olwen", PurgeTime: f.clock.at, PrevPurge: noPurge(),
	}
	row, err := p.sign(testKey(7))
	require.NoError(t, err)
	require.Equal(t, "23000", sqlState(t, f.db.AppURL, `SELECT records.purge_entries('test', $1, $2, $3, $4, $5, $6, $7)`,
		row.number, row.body, row.signature, row.publicKey, row.through, row.head, row.at), "the database asks its own clock")
	require.Len(t, f.entries(t), 1)
}

func TestAReportThatWentOutBeforeAnEntryCameIsNamed(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-03-01 10:00", "12")
	f.apply(t, "a2", "2026-03-02 10:00", "12")
	f.clock.at = f.local(t, "2026-04-05 09:00")
	_, err := f.client.RecordDuty(f.manager, recordDuty("2026-03", "ca-grower-report", "", f.local(t, "2026-04-05 08:00")))
	require.NoError(t, err)
	_, response := f.duties(t, "2026-03")
	require.NotContains(t, strings.Join(response.GetGaps(), "\n"), "hand a corrected one in")

	f.clock.at = f.local(t, "2026-04-20 09:00")
	f.apply(t, "a3", "2026-03-30 10:00", "12")
	_, err = f.client.CorrectEntry(f.manager, correct(2, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)
	_, response = f.duties(t, "2026-03")
	gaps := strings.Join(response.GetGaps(), "\n")
	require.Contains(t, gaps, "Application nurseries/test/applications/a3 was entered or corrected after ca-grower-report was done at 2026-04-05T15:00:00Z")
	require.Contains(t, gaps, "Application nurseries/test/applications/a2 was entered or corrected after ca-grower-report")
	require.NotContains(t, gaps, "Application nurseries/test/applications/a1 was")
}

func TestWorkOverTheLastMidnightOfAMonthIsNamedInBothMonths(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-04-01 00:20", "4")
	_, response := f.duties(t, "2026-03")
	require.Contains(t, strings.Join(response.GetGaps(), "\n"), "Application nurseries/test/applications/a1 began in 2026-03 and was finished after it")
	_, response = f.duties(t, "2026-04")
	require.Contains(t, strings.Join(response.GetGaps(), "\n"), "Application nurseries/test/applications/a1 was finished in 2026-04 and began before it")
	march := f.made(t, "2026-03-01", "2026-03-31")
	require.Empty(t, march.Uses.Rows)
	require.Contains(t, strings.Join(march.LeftOut, "\n"), "Uses that began in this period and were finished after it")
	require.Equal(t, []string{"1"}, numbersOf(f.made(t, "2026-04-01", "2026-04-30")))
}

func TestACorrectionThatMovesWorkOutOfAClosedMonthIsLateForIt(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2026-03-10 10:00", "4")
	f.close(t, "2026-03")
	f.clock.at = f.local(t, "2026-04-20 09:00")
	moved, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) {
		r.StartTime, r.EndTime = timestamppb.New(f.local(t, "2026-04-02 09:00")), timestamppb.New(f.local(t, "2026-04-02 10:00"))
	}))
	require.NoError(t, err)
	read, err := f.client.GetEntry(f.manager, &recordsv1.GetEntryRequest{Name: moved.GetName()})
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/closes/2026-03", read.GetLateFor())
	require.Equal(t, []string{moved.GetName()}, f.closes(t)[0].GetLateEntries())

	march := f.made(t, "2026-03-01", "2026-03-31")
	require.Empty(t, march.Uses.Rows)
	require.Contains(t, march.LeftOut, "Entries that another entry corrects, and that are not counted: 1.")
}

func TestTheHistoryOfAPersonHasThePurgesDutiesAndAnswersThatTheyGave(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	_, err := f.client.PurgeEntries(f.owner, throughEntry(1))
	require.NoError(t, err)
	f.answer(t, &recordsv1.DutySettings{TradesInProducts: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	f.apply(t, "a2", "2026-03-01 10:00", "12")
	_, err = f.client.RecordDuty(f.manager, recordDuty("2026-03", "ca-grower-report", "", f.clock.at.Add(-time.Hour)))
	require.NoError(t, err)
	require.Subset(t, kinds(f.history(t, historyRequest("people/olwen"))), []string{"purge"})
	mira := f.history(t, historyRequest("people/mira"))
	require.Subset(t, kinds(mira), []string{"duty done", "answers about duties"})
	require.NotContains(t, kinds(mira), "purge", "nothing of others")
}

func TestAnEntryThatWasPurgedIsNotCorrected(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	_, err := f.client.PurgeEntries(f.owner, throughEntry(1))
	require.NoError(t, err)
	_, err = f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	require.True(t, f.verify(t).GetIntact())
}

func TestAMonthThatIsClosedAfterAPurgeSaysThatItCountsOnlyWhatWasLeft(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-11 10:00", "4")
	_, err := f.client.PurgeEntries(f.owner, throughEntry(1))
	require.NoError(t, err)
	closed := f.close(t, "2018-01")
	require.Equal(t, int64(1), closed.GetMonthEntries())
	require.Contains(t, closed.GetSignedText(), `,"purged_through":1}`, "it is signed")
	require.NotContains(t, f.close(t, "2026-03").GetSignedText(), "purged_through", "nothing so young was purged")
	require.True(t, f.verify(t).GetIntact())
}
