package records

import (
	"crypto/ed25519"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

// setUpSigning is setUp with a key in place.
func setUpSigning(t *testing.T) fixture {
	t.Helper()
	return setUpWith(t, func(db *postgres.DB) *Service { return NewSigning(db, testKey(7)) })
}

// ended is an application of 45 minutes with two products, that ended at a time.
func ended(id string, end time.Time) treatment.ApplicationConfirmed {
	applied := application(id)
	applied.Start, applied.End = end.Add(-45*time.Minute), end
	return applied
}

func january(day int) time.Time  { return time.Date(2026, 1, day, 9, 0, 0, 0, time.UTC) }
func february(day int) time.Time { return time.Date(2026, 2, day, 9, 0, 0, 0, time.UTC) }
func march(day int) time.Time    { return time.Date(2026, 3, day, 9, 0, 0, 0, time.UTC) }

func closeMonth(name string) *recordsv1.CloseMonthRequest {
	return &recordsv1.CloseMonthRequest{Parent: "nurseries/test", Month: name, RequestId: uuid.NewString()}
}

func (f fixture) close(t *testing.T, name string) *recordsv1.Close {
	t.Helper()
	closed, err := f.client.CloseMonth(f.manager, closeMonth(name))
	require.NoError(t, err)
	return closed
}

func (f fixture) closes(t *testing.T) []*recordsv1.Close {
	t.Helper()
	response, err := f.client.ListCloses(f.manager, &recordsv1.ListClosesRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	return response.GetCloses()
}

func TestAClosedMonthIsSignedWhereTheLedgerStood(t *testing.T) {
	f := setUpSigning(t)
	f.confirm(t, ended("a1", february(3)))
	f.confirm(t, ended("a2", february(10)))
	f.confirm(t, ended("a3", march(2)))
	_, err := f.client.CorrectEntry(f.manager, correct(1, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)

	request := closeMonth("2026-02")
	closed, err := f.client.CloseMonth(f.manager, request)
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/closes/2026-02", closed.GetName())
	require.Equal(t, int64(1), closed.GetNumber())
	require.Equal(t, "Africa/Johannesburg", closed.GetTimeZone())
	require.Equal(t, "2026-01-31T22:00:00Z", closed.GetBeginTime().AsTime().Format(time.RFC3339))
	require.Equal(t, "2026-02-28T22:00:00Z", closed.GetEndTime().AsTime().Format(time.RFC3339))
	require.Equal(t, int64(7), closed.GetLastEntry(), "the correction is of work in February; what was entered before it is signed too")
	require.Equal(t, int64(5), closed.GetMonthEntries())
	require.Equal(t, int64(1), closed.GetMonthCorrections())
	require.Equal(t, f.entries(t)[6].GetHash(), closed.GetHead())
	require.Equal(t, "nurseries/test/people/mira", closed.GetCloser())
	require.Empty(t, closed.GetLateEntries())

	again, err := f.client.CloseMonth(f.manager, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(closed, again), "a retry returns the first answer")
	require.Len(t, f.closes(t), 1)
	require.True(t, proto.Equal(closed, f.closes(t)[0]))

	response := f.verify(t)
	require.True(t, response.GetIntact(), response.GetFault())
	require.Equal(t, int64(1), response.GetCloses())
	require.Equal(t, closed.GetKeyId(), response.GetKeyId())
}

func TestAnybodyCanCheckASignatureWithThePublicKey(t *testing.T) {
	f := setUpSigning(t)
	f.confirm(t, ended("a1", february(3)))
	closed := f.close(t, "2026-02")
	public, err := hex.DecodeString(closed.GetPublicKey())
	require.NoError(t, err)
	signature, err := hex.DecodeString(closed.GetSignature())
	require.NoError(t, err)
	signed := "velamen records close v1\n" + closed.GetSignedText()
	require.True(t, ed25519.Verify(public, []byte(signed), signature))
	require.False(t, ed25519.Verify(public, []byte(closed.GetSignedText()), signature), "what is signed says what it is")
	require.Equal(t, `{"nursery":"test","number":1,"month":"2026-02","time_zone":"Africa/Johannesburg",`+
		`"begin_time":"2026-01-31T22:00:00Z","end_time":"2026-02-28T22:00:00Z","last_sequence":2,"head":"`+closed.GetHead()+`",`+
		`"month_entries":2,"month_corrections":0,"prev_close":"`+noClose()+`","closer":"nurseries/test/people/mira",`+
		`"close_time":"2026-03-20T12:00:00Z","key_id":"`+closed.GetKeyId()+`"}`, closed.GetSignedText(), "the canonical form never changes")
}

func TestAnEntryForAClosedMonthIsKeptAndShownAsLate(t *testing.T) {
	f := setUpSigning(t)
	f.confirm(t, ended("a1", january(5)))
	f.close(t, "2026-01")
	f.confirm(t, ended("a2", february(3)))
	f.confirm(t, ended("late-january", january(20)))
	f.close(t, "2026-02")
	f.confirm(t, ended("late-february", february(20)))
	f.confirm(t, ended("a3", march(2)))

	entries := f.entries(t)
	require.Len(t, entries, 10, "nothing is lost")
	for sequence, want := range map[int]string{
		1: "", 3: "", 5: "nurseries/test/closes/2026-01", 6: "nurseries/test/closes/2026-01",
		7: "nurseries/test/closes/2026-02", 8: "nurseries/test/closes/2026-02", 9: "",
	} {
		require.Equal(t, want, entries[sequence-1].GetLateFor(), sequence)
	}
	one, err := f.client.GetEntry(f.manager, &recordsv1.GetEntryRequest{Name: entryName("test", 5)})
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/closes/2026-01", one.GetLateFor())

	closes := f.closes(t)
	require.Equal(t, []string{entryName("test", 5), entryName("test", 6)}, closes[0].GetLateEntries())
	require.Equal(t, []string{entryName("test", 7), entryName("test", 8)}, closes[1].GetLateEntries())
	require.Equal(t, int64(6), closes[1].GetLastEntry(), "what came too late for January is signed with February")
	require.True(t, f.verify(t).GetIntact())
}

func TestWorkThatEndsAtMidnightIsOfTheMonthThatEnds(t *testing.T) {
	f := setUpSigning(t)
	midnight := time.Date(2026, 1, 31, 22, 0, 0, 0, time.UTC) // in Johannesburg
	f.confirm(t, ended("until-midnight", midnight))
	atOnce := ended("at-midnight", midnight)
	atOnce.Start = midnight
	f.confirm(t, atOnce)
	require.Equal(t, int64(2), f.close(t, "2026-01").GetMonthEntries())
	require.Equal(t, int64(2), f.close(t, "2026-02").GetMonthEntries(), "work of no length at midnight is of the day that begins")
	for _, entry := range f.entries(t) {
		require.Empty(t, entry.GetLateFor(), entry.GetName())
	}
}

func TestAMonthWithoutWorkIsClosedToo(t *testing.T) {
	f := setUpSigning(t)
	closed := f.close(t, "2025-12")
	require.Zero(t, closed.GetLastEntry())
	require.Equal(t, noClose(), closed.GetHead(), "zeros")
	f.confirm(t, ended("a1", january(5)))
	f.close(t, "2026-01")
	f.close(t, "2026-02")
	response := f.verify(t)
	require.True(t, response.GetIntact(), response.GetFault())
	require.Equal(t, int64(3), response.GetCloses())
}

func TestACloseIsRefusedWithTheRule(t *testing.T) {
	f := setUpSigning(t)
	f.close(t, "2026-01")
	for _, test := range []struct {
		name, month string
		code        codes.Code
		reason      fault.Reason
		says        string
	}{
		{"a month that goes on", "2026-03", codes.FailedPrecondition, fault.InvalidTimes,
			"2026-03 has not ended: it ends at 2026-04-01 00:00 in Africa/Johannesburg, and a month is closed after it ended"},
		{"a month that was closed", "2026-01", codes.AlreadyExists, fault.AlreadyExists, "2026-01 was closed before"},
		{"a month before one that was closed", "2025-12", codes.FailedPrecondition, fault.AlreadyExists, "months are closed in their order"},
		{"a month that no year has", "2026-13", codes.InvalidArgument, fault.InvalidField, `"2026-13" is not a month such as 2026-03`},
		{"a day", "2026-02-01", codes.InvalidArgument, fault.InvalidField, "is not a month such as 2026-03"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.CloseMonth(f.manager, closeMonth(test.month))
			message, _ := rpctest.Refused(t, err, test.code, test.reason)
			require.Contains(t, message, test.says)
		})
	}
	_, err := f.client.CloseMonth(rpctest.As(t.Context(), rpctest.Worker), closeMonth("2026-02"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = f.client.CloseMonth(rpctest.As(t.Context(), rpctest.Auditor), closeMonth("2026-02"))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = f.client.CloseMonth(rpctest.As(t.Context(), rpctest.Owner), closeMonth("2026-02"))
	require.NoError(t, err)
}

func TestWithoutAKeyNoMonthIsClosed(t *testing.T) {
	f := setUp(t)
	_, err := f.client.CloseMonth(f.manager, closeMonth("2026-02"))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.NotFoundReason)
	require.Contains(t, message, "no signing key is in place on this server, so no month can be closed")
	require.Empty(t, f.closes(t))
}

func TestAMonthEndsWhereTheClocksOfTheNurserySayAndNotBefore(t *testing.T) {
	for _, test := range []struct{ month, zone, begin, end string }{
		{"2026-03", "Europe/Amsterdam", "2026-02-28T23:00:00Z", "2026-03-31T22:00:00Z"},
		{"2026-12", "America/Los_Angeles", "2026-12-01T08:00:00Z", "2027-01-01T08:00:00Z"},
		{"2028-02", "UTC", "2028-02-01T00:00:00Z", "2028-03-01T00:00:00Z"},
	} {
		t.Run(test.month, func(t *testing.T) {
			zone, err := time.LoadLocation(test.zone)
			require.NoError(t, err)
			end, err := time.Parse(time.RFC3339, test.end)
			require.NoError(t, err)
			m, err := readMonth(test.month, zone, end)
			require.NoError(t, err)
			require.Equal(t, test.begin, m.begin.Format(time.RFC3339))
			require.Equal(t, test.end, m.end.Format(time.RFC3339))
			_, err = readMonth(test.month, zone, end.Add(-time.Microsecond))
			require.True(t, fault.Is(err, fault.InvalidTimes))
		})
	}
}

func TestClosesAreListedInPages(t *testing.T) {
	f := setUpSigning(t)
	for i := range 5 {
		f.close(t, fmt.Sprintf("2025-%02d", i+1))
	}
	var months []string
	request := &recordsv1.ListClosesRequest{Parent: "nurseries/test", PageSize: 2}
	for {
		page, err := f.client.ListCloses(f.manager, request)
		require.NoError(t, err)
		for _, closed := range page.GetCloses() {
			months = append(months, closed.GetMonth())
		}
		if request.PageToken = page.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	require.Equal(t, []string{"2025-01", "2025-02", "2025-03", "2025-04", "2025-05"}, months)
}

func TestTheDatabaseRefusesACloseThatDoesNotFit(t *testing.T) {
	f := setUpSigning(t)
	f.confirm(t, ended("a1", february(3)))
	f.close(t, "2026-01")
	last, err := lastClose(t.Context(), f.db, "test")
	require.NoError(t, err)
	entry := f.entries(t)[1]
	good := closing{
		Nursery: "test", Number: 2, Month: "2026-02", TimeZone: "UTC", BeginTime: last.endTime, EndTime: last.endTime.AddDate(0, 1, 0),
		LastSequence: 2, Head: entry.GetHash(), PrevClose: last.hash(), Closer: "nurseries/test/people/mira", CloseTime: now,
	}
	const broken = "23000" // integrity_constraint_violation
	for name, change := range map[string]func(*closing, *closeRow){
		"a gap in the numbers":         func(c *closing, _ *closeRow) { c.Number = 3 },
		"a month before the last":      func(c *closing, _ *closeRow) { c.Month = "2025-12" },
		"a head that no entry has":     func(c *closing, _ *closeRow) { c.Head = noClose() },
		"another hash before it":       func(c *closing, _ *closeRow) { c.PrevClose = noClose() },
		"a month that it does not say": func(_ *closing, r *closeRow) { r.month = "2026-03" },
		"an end that it does not say":  func(_ *closing, r *closeRow) { r.endTime = r.endTime.Add(time.Hour) },
		"a key that it does not say":   func(_ *closing, r *closeRow) { r.publicKey = testKey(8).publicKey() },
	} {
		t.Run(name, func(t *testing.T) {
			c := good
			change(&c, &closeRow{})
			r, err := c.sign(testKey(7))
			require.NoError(t, err)
			change(&closing{}, &r)
			require.Equal(t, broken, sqlState(t, f.db.AppURL, `
				INSERT INTO records.close (nursery, number, body, signature, public_key, month, end_time, last_sequence)
				VALUES ('test', $1, $2, $3, $4, $5, $6, $7)`,
				r.number, r.body, r.signature, r.publicKey, r.month, r.endTime, r.lastSequence))
		})
	}
	r, err := good.sign(testKey(7))
	require.NoError(t, err)
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error { return insertClose(t.Context(), tx, "test", r) }), "the one that fits is taken")
}

func TestAUseRecordSaysWhatCameLate(t *testing.T) {
	f := setUpSigning(t)
	f.close(t, "2026-02")
	f.confirm(t, ended("late", february(20)))
	f.confirm(t, ended("in-time", march(2)))
	record, err := f.client.GetUseRecord(f.manager, days("2026-02-01", "2026-03-31"))
	require.NoError(t, err)
	var late []string
	for _, entry := range record.GetEntries() {
		late = append(late, entry.GetLateFor())
	}
	require.Equal(t, []string{"nurseries/test/closes/2026-02", "nurseries/test/closes/2026-02", "", ""}, late)
}

func TestAnExportedHouseRecordShowsWhatCameLate(t *testing.T) {
	f := setUpSigning(t)
	f.close(t, "2026-02")
	f.confirm(t, ended("late", february(20)))
	f.confirm(t, ended("in-time", march(2)))
	written := func(format recordsv1.ExportFormat) string {
		made, err := f.client.ExportUseRecord(f.manager, &recordsv1.ExportUseRecordRequest{Record: days("2026-02-01", "2026-03-31"), Format: format})
		require.NoError(t, err)
		return string(made.GetData())
	}
	rows, err := csv.NewReader(strings.NewReader(written(recordsv1.ExportFormat_EXPORT_FORMAT_CSV))).ReadAll()
	require.NoError(t, err)
	var late []string
	for _, row := range rows {
		late = append(late, row[slices.Index(rows[0], "late_for")])
	}
	require.Equal(t, []string{"late_for", "2026-02", "2026-02", "", ""}, late)
	require.Equal(t, 2, strings.Count(written(recordsv1.ExportFormat_EXPORT_FORMAT_JSON), `"nurseries/test/closes/2026-02"`))
	require.Equal(t, 2, strings.Count(written(recordsv1.ExportFormat_EXPORT_FORMAT_TEXT), "LATE, entered after"))
}

func TestOfClosesAtOnceOneStandsAndNoEntrySlipsPastIt(t *testing.T) {
	f := setUpSigning(t)
	consumer := Consumer(f.db.DB)
	const people, applications = 6, 12
	var workers sync.WaitGroup
	entered, closed := make(chan error, applications), make(chan error, people)
	for i := range applications {
		body, err := json.Marshal(ended(fmt.Sprintf("a%d", i), february(1+i)))
		require.NoError(t, err)
		workers.Go(func() {
			entered <- f.db.InTx(t.Context(), func(tx pgx.Tx) error {
				return consumer.Apply(t.Context(), tx, postgres.Event{Nursery: "test", Payload: body})
			})
		})
	}
	for range people {
		workers.Go(func() {
			_, err := f.client.CloseMonth(f.manager, closeMonth("2026-02"))
			closed <- err
		})
	}
	workers.Wait()
	close(entered)
	close(closed)
	for err := range entered {
		require.NoError(t, err)
	}
	stood := 0
	for err := range closed {
		if err == nil {
			stood++
			continue
		}
		rpctest.Refused(t, err, codes.AlreadyExists, fault.AlreadyExists)
	}
	require.Equal(t, 1, stood)
	one := f.closes(t)[0]
	require.Equal(t, one.GetLastEntry(), one.GetMonthEntries(), "all that stood before it was counted")
	require.Len(t, one.GetLateEntries(), 2*applications-int(one.GetLastEntry()), "and all that came after it is late")
	require.True(t, f.verify(t).GetIntact())
}
