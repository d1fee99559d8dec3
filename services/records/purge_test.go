package records

import (
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"log/slog"
	"strings"
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
	"velamen/internal/postgres/pgtest"
	"velamen/internal/quantity"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/treatment"
)

// movedClock is a clock that a test moves.
type movedClock struct{ at time.Time }

// Now returns where the test put it.
func (c *movedClock) Now() time.Time { return c.at }

// yearsFixture is a nursery whose clock moves over years.
type yearsFixture struct {
	fixture
	clock *movedClock
	owner context.Context
	zone  *time.Location
}

// setUpYears serves a nursery under a law, in Los Angeles, on 2 April 2026.
func setUpYears(t *testing.T, jurisdiction string) yearsFixture {
	t.Helper()
	moved := &movedClock{time.Date(2026, 4, 2, 12, 0, 0, 0, time.UTC)}
	db := pgtest.NewAt(t, moved)
	pgtest.AddNursery(t, db)
	require.NoError(t, db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `UPDATE identity.nursery SET time_zone = 'America/Los_Angeles' WHERE id = 'test'`)
		return err
	}))
	f := yearsFixture{clock: moved, owner: rpctest.As(t.Context(), rpctest.Owner)}
	f.db = db
	f.moveTo(t, jurisdiction)
	admin(t, db, `DELETE FROM identity.past_jurisdiction`) // the law of the fixture is none that it was ever under
	require.NoError(t, db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `
			INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time)
			VALUES ('test', 'h1', 'Orchid house', 240, 'm2', $1), ('test', 'h2', 'Propagation house', 60, 'm2', $1)`, now)
		return err
	}))
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		recordsv1.RegisterRecordsServiceServer(server, NewSigning(db.DB, testKey(7)))
	})
	f.outbox = postgres.NewOutbox(db.DB, slog.New(slog.DiscardHandler), Consumer(db.DB))
	f.client = recordsv1.NewRecordsServiceClient(conn)
	f.manager = rpctest.As(t.Context(), rpctest.Manager)
	zone, err := time.LoadLocation("America/Los_Angeles")
	require.NoError(t, err)
	f.zone = zone
	return f
}

// admin runs a statement as someone who rules the database, with triggers off.
func admin(t *testing.T, db *pgtest.Database, sql string, args ...any) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.AdminURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	_, err = conn.Exec(t.Context(), `SET session_replication_role = replica`)
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), sql, args...)
	require.NoError(t, err)
}

// moveTo puts the nursery under another law.
func (f yearsFixture) moveTo(t *testing.T, jurisdiction string) {
	t.Helper()
	require.NoError(t, f.db.InTx(t.Context(), func(tx pgx.Tx) error {
		_, err := tx.Exec(t.Context(), `UPDATE identity.nursery SET jurisdiction = $1 WHERE id = 'test'`, jurisdiction)
		return err
	}))
}

// local reads a time of the nursery's clock.
func (f yearsFixture) local(t *testing.T, typed string) time.Time {
	t.Helper()
	at, err := time.ParseInLocation("2006-01-02 15:04", typed, f.zone)
	require.NoError(t, err)
	return at.UTC()
}

// apply confirms one product that ended at a time of the nursery's clock, with an
// interval of hours.
func (f yearsFixture) apply(t *testing.T, id, end, hours string) {
	t.Helper()
	applied := ended(id, f.local(t, end))
	applied.RestrictedEntryInterval = quantity.Must(hours, quantity.Hour)
	applied.Houses[0].Products = []treatment.ProductApplied{thiophanate("25")}
	f.confirm(t, applied)
}

func throughEntry(sequence int64) *recordsv1.PurgeEntriesRequest {
	return &recordsv1.PurgeEntriesRequest{Parent: "nurseries/test", ThroughSequence: sequence, Reason: "its time is over", RequestId: uuid.NewString()}
}

func throughDay(day string) *recordsv1.PurgeEntriesRequest {
	return &recordsv1.PurgeEntriesRequest{Parent: "nurseries/test", ThroughDate: dated(day), Reason: "its time is over", RequestId: uuid.NewString()}
}

// kept asserts that a purge is refused, and returns why with the values.
func (f yearsFixture) refusedPurge(t *testing.T, request *recordsv1.PurgeEntriesRequest) (string, map[string]string) {
	t.Helper()
	before := f.entries(t)
	_, err := f.client.PurgeEntries(f.owner, request)
	message, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.RecordKept)
	require.Len(t, f.entries(t), len(before), "nothing goes")
	return message, values
}

// 40 CFR 170.311(b)(6), from memory: application information is kept 2 years from the end
// of the restricted-entry interval. An application that ends on 1 March 2018 at 10:00 with
// 12 hours must be kept until 1 March 2020 22:00. California keeps its record of any use
// (3 CCR 6624, from memory) to the end of that day, so there the purge opens at midnight;
// the second application has its interval end after that, and opens to the minute.
func TestAPurgeIsRefusedUntilTheTimeHasPassedPublished(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-03-01 10:00", "12")
	f.apply(t, "a2", "2018-03-01 20:00", "12")

	f.clock.at = f.local(t, "2020-03-01 21:59")
	message, values := f.refusedPurge(t, throughEntry(1))
	require.Contains(t, message, "Keep entry 1 until 2020-03-01")
	require.Equal(t, "nurseries/test/entries/1", values["entry"])
	require.Equal(t, "ca-use-record-kept", values["row"])
	require.Equal(t, "2020-03-02T08:00:00Z", values["until"])

	f.clock.at = f.local(t, "2020-03-02 00:01")
	message, values = f.refusedPurge(t, throughEntry(2))
	require.Contains(t, message, "Keep entry 2 until 2020-03-02 08:00")
	require.Equal(t, "us-worker-protection-kept", values["row"], "the federal rule keeps it to the minute")
	_, err := f.client.PurgeEntries(f.owner, throughEntry(1))
	require.NoError(t, err)

	f.clock.at = f.local(t, "2020-03-02 08:00")
	f.refusedPurge(t, throughEntry(2))
	f.clock.at = f.clock.at.Add(time.Second)
	_, err = f.client.PurgeEntries(f.owner, throughEntry(2))
	require.NoError(t, err)
	require.Empty(t, f.entries(t))
}

func TestAPurgeLeavesASignedTombstoneFromWhichTheLedgerGoesOn(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.close(t, "2018-01")
	f.apply(t, "a2", "2018-02-10 10:00", "4")
	f.close(t, "2018-02")
	f.apply(t, "a3", "2018-03-10 10:00", "4")
	f.close(t, "2018-03")
	removed := f.entries(t)[1]

	f.clock.at = f.local(t, "2020-02-20 09:00")
	request := throughDay("2018-02-28")
	purge, err := f.client.PurgeEntries(f.owner, request)
	require.NoError(t, err)
	again, err := f.client.PurgeEntries(f.owner, request)
	require.NoError(t, err)
	require.True(t, proto.Equal(purge, again), "a retry returns the first answer")

	require.Equal(t, []int64{1, 2, 2}, []int64{purge.GetFirstEntry(), purge.GetLastEntry(), purge.GetEntries()})
	require.Equal(t, removed.GetHash(), purge.GetHead())
	require.Equal(t, "nurseries/test/people/olwen", purge.GetPerson())
	require.Equal(t, []string{"US-CA"}, purge.GetJurisdictions())
	require.Equal(t, f.local(t, "2020-02-11 00:00"), purge.GetKeptUntil().AsTime())
	public, err := hex.DecodeString(purge.GetPublicKey())
	require.NoError(t, err)
	signature, err := hex.DecodeString(purge.GetSignature())
	require.NoError(t, err)
	require.True(t, ed25519.Verify(public, []byte("velamen records purge v1\n"+purge.GetSignedText()), signature))
	require.Equal(t, `{"nursery":"test","number":1,"first_sequence":1,"through_sequence":2,"head":"`+purge.GetHead()+`","entries":2,`+
		`"kept_until":"2020-02-11T08:00:00Z","jurisdictions":["US-CA"],"reason":"its time is over","person":"nurseries/test/people/olwen",`+
		`"purge_time":"2020-02-20T17:00:00Z","prev_purge":"`+noPurge()+`","key_id":"`+purge.GetKeyId()+`"}`, purge.GetSignedText(), "the canonical form never changes")

	response := f.verify(t)
	require.True(t, response.GetIntact(), response.GetFault())
	require.Equal(t, []int64{3, 3, 1}, []int64{response.GetFirstEntry(), response.GetLastEntry(), response.GetEntries()})
	require.Equal(t, int64(2), response.GetPurgedThrough())
	require.Equal(t, int64(2), response.GetCloses(), "February's close is checked against the tombstone, March's against the entry")
	require.Equal(t, int64(1), response.GetClosesBeforePurge(), "what January's close signed is gone")
	require.Contains(t, response.GetTrusts()[0], "The entries up to 2 were purged.")

	f.apply(t, "a4", "2020-02-20 08:00", "4")
	require.Equal(t, int64(4), f.entries(t)[1].GetSequence(), "numbers go on")
	require.True(t, f.verify(t).GetIntact())

	f.clock.at = f.local(t, "2020-04-01 09:00")
	second, err := f.client.PurgeEntries(f.owner, throughEntry(3))
	require.NoError(t, err)
	require.Equal(t, []int64{3, 3, 1}, []int64{second.GetFirstEntry(), second.GetLastEntry(), second.GetEntries()})
	f.close(t, "2020-01")
	response = f.verify(t)
	require.True(t, response.GetIntact(), "a month is closed after all that it signs has gone: %s", response.GetFault())
	listed, err := f.client.ListPurges(f.manager, &recordsv1.ListPurgesRequest{Parent: "nurseries/test", PageSize: 1})
	require.NoError(t, err)
	require.True(t, proto.Equal(purge, listed.GetPurges()[0]))
	require.NotEmpty(t, listed.GetNextPageToken())
}

func TestAnEntryGoesOnlyTogetherWithItsCorrections(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-11 10:00", "4")
	f.apply(t, "a3", "2018-03-12 10:00", "4")
	_, err := f.client.CorrectEntry(f.manager, correct(2, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)

	f.clock.at = f.local(t, "2020-02-01 09:00")
	message, values := f.refusedPurge(t, throughEntry(2))
	require.Contains(t, message, "entry 2 was corrected by entry 4, which would stay")
	require.Equal(t, "nurseries/test/entries/4", values["correction"])
	retention := f.retention(t, "", "")
	require.Equal(t, []int64{4, 3, 1}, []int64{retention.GetEntries(), retention.GetMayGo(), retention.GetPurgeableThrough()})

	f.clock.at = f.local(t, "2020-04-01 09:00")
	purge, err := f.client.PurgeEntries(f.owner, throughEntry(4))
	require.NoError(t, err)
	require.Equal(t, int64(4), purge.GetEntries())
	require.True(t, f.verify(t).GetIntact())
}

func TestAHoldKeepsEntriesWhateverTheirAge(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-11 10:00", "4")
	f.clock.at = f.local(t, "2021-01-01 09:00")
	placed := f.place(t, &recordsv1.Hold{Reason: "claim of a buyer", FromDate: dated("2018-01-11")})

	message, values := f.refusedPurge(t, throughEntry(2))
	require.Contains(t, message, "Keep entry 2: the legal hold nurseries/test/holds/1 stands (claim of a buyer)")
	require.Equal(t, "nurseries/test/holds/1", values["holds"])
	retention := f.retention(t, "", "")
	require.Equal(t, int64(1), retention.GetPurgeableThrough())
	require.Equal(t, recordsv1.RetentionState_RETENTION_STATE_HELD, retention.GetGroups()[1].GetState())
	require.Equal(t, []string{"nurseries/test/holds/1"}, retention.GetGroups()[1].GetHolds())

	_, err := f.client.LiftHold(f.manager, lifting(placed.GetName(), "Settled."))
	require.NoError(t, err)
	_, err = f.client.PurgeEntries(f.owner, throughEntry(2))
	require.NoError(t, err)
}

func TestRecordsWhoseLawNobodyReadAreNeverPurged(t *testing.T) {
	for jurisdiction, says := range map[string]string{
		"ZA": "How long a pest control operator keeps the log of each operation was not confirmed.",
		"US": "Name the state and ask its authority.",
	} {
		t.Run(jurisdiction, func(t *testing.T) {
			f := setUpYears(t, jurisdiction)
			f.apply(t, "a1", "2018-01-10 10:00", "4")
			f.clock.at = f.local(t, "2026-04-02 09:00")
			message, values := f.refusedPurge(t, throughEntry(1))
			require.Contains(t, message, says)
			require.Empty(t, values["until"])
			require.Equal(t, recordsv1.RetentionState_RETENTION_STATE_NOT_KNOWN, f.retention(t, "", "").GetGroups()[0].GetState())

			// A nursery that moves under another law keeps what it wrote under the first.
			f.moveTo(t, "US-CA")
			message, _ = f.refusedPurge(t, throughEntry(1))
			require.Contains(t, message, says)
			require.Equal(t, []string{"US-CA", jurisdiction}, f.retention(t, "", "").GetJurisdictions())
		})
	}
}

func TestWhoOnceTradedInProductsKeepsAsLongAsWhoDoes(t *testing.T) {
	f := setUpYears(t, "DE")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.clock.at = f.local(t, "2021-06-01 09:00")
	message, values := f.refusedPurge(t, throughEntry(1))
	require.Contains(t, message, "until 2023-01-10", "nobody said whether it trades")
	require.Equal(t, "eu-trade-kept", values["row"])

	f.answer(t, &recordsv1.DutySettings{TradesInProducts: recordsv1.DutyAnswer_DUTY_ANSWER_YES})
	f.answer(t, &recordsv1.DutySettings{TradesInProducts: recordsv1.DutyAnswer_DUTY_ANSWER_NO})
	_, values = f.refusedPurge(t, throughEntry(1))
	require.Equal(t, "eu-trade-kept", values["row"])
}

func TestTheSummaryOfWhatMayGoIsByMonthAndReason(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-20 20:00", "12")
	f.apply(t, "a3", "2018-03-10 10:00", "4")
	f.clock.at = f.local(t, "2020-02-01 09:00")
	retention := f.retention(t, "", "")
	require.Equal(t, []int64{3, 2, 2}, []int64{retention.GetEntries(), retention.GetMayGo(), retention.GetPurgeableThrough()})
	require.Contains(t, retention.GetCaution(), "local law decide")
	var lines []string
	for _, g := range retention.GetGroups() {
		lines = append(lines, fmt.Sprint(g.GetMonth(), " ", g.GetState(), " ", g.GetRow(), " ", g.GetEntries(), " ", g.GetFirstTime().AsTime().Format(time.RFC3339)))
	}
	require.Equal(t, []string{
		"2018-01 RETENTION_STATE_MAY_GO ca-use-record-kept 1 2020-01-11T08:00:00Z",
		"2018-01 RETENTION_STATE_MAY_GO us-worker-protection-kept 1 2020-01-21T16:00:00Z",
		"2018-03 RETENTION_STATE_TIME_RUNS ca-use-record-kept 1 2020-03-11T07:00:00Z",
	}, lines)
	require.Equal(t, int64(1), f.retention(t, "2018-03-01", "2018-03-31").GetEntries())
}

func (f yearsFixture) retention(t *testing.T, from, to string) *recordsv1.ListRetentionResponse {
	t.Helper()
	response, err := f.client.ListRetention(f.manager, &recordsv1.ListRetentionRequest{Parent: "nurseries/test", FromDate: dated(from), ToDate: dated(to)})
	require.NoError(t, err)
	return response
}

func TestAPurgeIsRefusedByFieldAndRole(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-11 10:00", "4")
	f.clock.at = f.local(t, "2021-01-01 09:00")
	_, err := f.client.PurgeEntries(f.manager, throughEntry(1))
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
	_, err = f.client.PurgeEntries(f.owner, throughEntry(1))
	require.NoError(t, err)
	both := throughEntry(2)
	both.ThroughDate = dated("2018-01-11")
	noReason := throughEntry(2)
	noReason.Reason = ""
	for _, test := range []struct {
		name, field, says string
		request           *recordsv1.PurgeEntriesRequest
	}{
		{"past the end of the ledger", "through_sequence", "the ledger ends at entry 2", throughEntry(3)},
		{"what was purged before", "through_sequence", "the entries up to 1 were purged before", throughEntry(1)},
		{"neither an entry nor a day", "through_sequence", "one of the two", throughEntry(0)},
		{"both", "through_sequence", "one of the two", both},
		{"a day before all work", "through_date", "does not begin with an entry", throughDay("2018-01-01")},
		{"a day that no month has", "through_date", "is not a day", throughDay("2018-02-30")},
		{"without a reason", "reason", "", noReason},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.PurgeEntries(f.owner, test.request)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.says)
		})
	}
	_, err = f.client.VerifyLedger(f.manager, numbers(0, 1))
	require.Contains(t, rpctest.RefusedField(t, err, "to_sequence"), "the entries up to 1 were purged")
}

func TestNothingIsPurgedWithoutAKeyOrFromABrokenLedger(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.clock.at = f.local(t, "2021-01-01 09:00")
	conn := rpctest.Serve(t, func(server *rpc.Server) { recordsv1.RegisterRecordsServiceServer(server, New(f.db.DB)) })
	_, err := recordsv1.NewRecordsServiceClient(conn).PurgeEntries(f.owner, throughEntry(1))
	message, _ := rpctest.Refused(t, err, codes.FailedPrecondition, fault.NotFoundReason)
	require.Contains(t, message, "without a signed tombstone nobody can tell a purge from a loss")

	admin(t, f.db, `UPDATE records.entry SET body = replace(body, 'BATH', 'SPRAY')`)
	message, _ = f.refusedPurge(t, throughEntry(1))
	require.Contains(t, message, "the ledger is broken at nurseries/test/entries/1, so nothing of it is purged")
}

// twoPurges is a ledger of five entries of which two were purged, one after the other.
func twoPurges(t *testing.T) yearsFixture {
	t.Helper()
	f := setUpYears(t, "US-CA")
	for day := 10; day < 15; day++ {
		f.apply(t, fmt.Sprintf("a%d", day), fmt.Sprintf("2018-01-%d 10:00", day), "4")
	}
	f.clock.at = f.local(t, "2021-01-01 09:00")
	for _, through := range []int64{1, 2} {
		_, err := f.client.PurgeEntries(f.owner, throughEntry(through))
		require.NoError(t, err)
	}
	return f
}

func TestVerifyNamesATombstoneThatWasRemovedChangedOrFaked(t *testing.T) {
	f := twoPurges(t)
	rows, err := readPurges(t.Context(), f.db, "test")
	require.NoError(t, err)
	p, err := parsePurging(rows[1].body)
	require.NoError(t, err)
	p.Reason = "another reason"
	faked, err := p.sign(testKey(9))
	require.NoError(t, err)
	third := purging{Nursery: "test", Number: 3, FirstSequence: 3, ThroughSequence: 3, Head: strings.Repeat("ab", 32), Entries: 1,
		Jurisdictions: []string{"US-CA"}, Reason: "r", Person: "nurseries/test/people/olwen", PurgeTime: f.clock.at, PrevPurge: rows[1].hash()}
	added, err := third.sign(testKey(9))
	require.NoError(t, err)
	for _, test := range []struct {
		name, tamper, purge, entry, fault string
		args                              []any
	}{
		{"the newest was removed", `DELETE FROM records.purge WHERE number = 2`, "", "2",
			"It is missing: the next entry that is there is 3. No tombstone says that it was purged.", nil},
		{"all were removed", `DELETE FROM records.purge`, "", "1", "It is missing: the next entry that is there is 3. No tombstone says that it was purged.", nil},
		{"the first was removed", `DELETE FROM records.purge WHERE number = 1`, "1", "", "It is missing: the next tombstone that is there is 2.", nil},
		{"one byte was flipped", flipOneByte("purge", "number = 1"), "1", "", "cannot be read as a tombstone in the canonical form", nil},
		{"it says another reason", `UPDATE records.purge SET body = replace(body, 'is over', 'was over') WHERE number = 1`, "1", "",
			"Its signature is not that of what it says", nil},
		{"a column was changed", `UPDATE records.purge SET through_sequence = 3 WHERE number = 2`, "2", "", "Its column through_sequence differs", nil},
		{"its hash was changed", `UPDATE records.purge SET head = decode(repeat('ab', 32), 'hex') WHERE number = 2`, "2", "", "Its column head differs", nil},
		{"its time was changed", `UPDATE records.purge SET create_time = now() WHERE number = 2`, "2", "", "Its column create_time differs", nil},
		{"it was signed again with another key", `UPDATE records.purge SET body = $1, signature = $2, public_key = $3 WHERE number = 2`, "2", "",
			"It is signed with the key", []any{faked.body, faked.signature, faked.publicKey}},
		{"an entry that was purged was put back", `INSERT INTO records.entry
			SELECT nursery, 1, body, prev_hash, hash, application || 'x', house, product, start_time, end_time FROM records.entry WHERE sequence = 3`, "", "1",
			"It was purged, and is there again.", nil},
		{"another entry was removed", `DELETE FROM records.entry WHERE sequence = 3`, "", "3", "It is missing: the next entry that is there is 4.", nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			response := changed(t, f.db, wholeLedger(), testKey(7), test.tamper, test.args...)
			require.False(t, response.GetIntact())
			require.Contains(t, response.GetFault(), test.fault)
			require.Equal(t, test.purge, strings.TrimPrefix(response.GetBrokenPurge(), "nurseries/test/purges/"))
			require.Equal(t, test.entry, strings.TrimPrefix(response.GetBrokenEntry(), "nurseries/test/entries/"))
		})
	}
	t.Run("a tombstone was faked for entries that were removed", func(t *testing.T) {
		admin(t, f.db, `DELETE FROM records.entry WHERE sequence <= 3`)
		admin(t, f.db, `INSERT INTO records.purge VALUES ('test', 3, $1, $2, $3, $4, $5, $6)`,
			added.body, added.signature, added.publicKey, added.through, added.head, added.at)
		response := f.verify(t)
		require.False(t, response.GetIntact())
		require.Equal(t, "nurseries/test/purges/3", response.GetBrokenPurge())
		require.Contains(t, response.GetFault(), "It is signed with the key")
		require.Contains(t, response.GetTrusts(), "No entry was checked: nothing says where the ledger begins.")
	})
}

func TestNobodyRemovesAnEntryWithoutItsTombstone(t *testing.T) {
	f := twoPurges(t)
	const refused = "42501" // insufficient_privilege
	for role, url := range map[string]string{
		"velamen_app": f.db.AppURL, "velamen_owner": f.db.OwnerURL, "velamen_admin, the superuser": f.db.AdminURL,
	} {
		t.Run(role, func(t *testing.T) {
			conn, err := pgx.Connect(t.Context(), url)
			require.NoError(t, err)
			defer func() { require.NoError(t, conn.Close(context.Background())) }()
			for _, table := range []string{"records.entry", "records.purge", "records.duty_settings", "records.duty_done", "identity.past_jurisdiction"} {
				for _, sql := range []string{"UPDATE %s SET nursery = nursery", "DELETE FROM %s", "TRUNCATE %s CASCADE"} {
					statement := fmt.Sprintf(sql, table)
					require.Equal(t, refused, refusedState(t, conn, statement), statement)
				}
			}
		})
	}
	require.Equal(t, refused, sqlState(t, f.db.AppURL, `INSERT INTO records.purge VALUES ('test', 3, '', '', '', 3, '', now())`), "only by way of its function")
	require.Len(t, f.entries(t), 3)
	require.True(t, f.verify(t).GetIntact())
}

// The database asks no service: what is too young, held or corrected stays whoever signs.
func TestTheDatabaseItselfRefusesAPurgeThatItCanSeeIsWrong(t *testing.T) {
	f := setUpYears(t, "US-CA")
	f.apply(t, "a1", "2018-01-10 10:00", "4")
	f.apply(t, "a2", "2018-01-11 10:00", "4")
	f.apply(t, "a3", "2019-06-11 10:00", "4")
	f.clock.at = f.local(t, "2020-02-01 09:00")
	_, err := f.client.CorrectEntry(f.manager, correct(2, func(r *recordsv1.CorrectEntryRequest) { r.ProductAmount = amount("26", "g") }))
	require.NoError(t, err)
	entries := f.entries(t)
	attempt := func(t *testing.T, change func(*purging)) string {
		t.Helper()
		p := purging{Nursery: "test", Number: 1, FirstSequence: 1, ThroughSequence: 1, Jurisdictions: []string{"US-CA"}, Reason: "r",
			Person: "nurseries/test/people/olwen", PurgeTime: f.clock.at, PrevPurge: noPurge()}
		change(&p)
		p.Entries, p.Head = p.ThroughSequence, entries[p.ThroughSequence-1].GetHash()
		row, err := p.sign(testKey(7))
		require.NoError(t, err)
		return sqlState(t, f.db.AppURL, `SELECT records.purge_entries('test', $1, $2, $3, $4, $5, $6, $7)`,
			row.number, row.body, row.signature, row.publicKey, row.through, row.head, row.at)
	}
	const broken = "23000" // integrity_constraint_violation
	for _, test := range []struct {
		name   string
		change func(*purging)
	}{
		{"an entry younger than 2 years", func(p *purging) { p.PurgeTime = f.local(t, "2019-12-31 09:00") }},
		{"one among older ones", func(p *purging) { p.ThroughSequence = 3 }},
		{"an entry without its correction", func(p *purging) { p.ThroughSequence = 2 }},
		{"a tombstone out of turn", func(p *purging) { p.Number = 2 }},
		{"one that says nothing of why", func(p *purging) { p.Reason = "" }},
		{"one that begins elsewhere", func(p *purging) { p.FirstSequence = 0 }},
		{"one of another nursery", func(p *purging) { p.Nursery = "other" }},
	} {
		t.Run(test.name, func(t *testing.T) { require.Equal(t, broken, attempt(t, test.change)) })
	}
	f.place(t, &recordsv1.Hold{Reason: "r", House: "nurseries/test/houses/h2"})
	f.place(t, &recordsv1.Hold{Reason: "r", House: "nurseries/test/houses/h1", ToDate: dated("2018-01-10")})
	t.Run("an entry that a hold covers", func(t *testing.T) { require.Equal(t, broken, attempt(t, func(*purging) {})) })
	require.Len(t, f.entries(t), 4)
}

func TestATombstoneIsReadOnlyInItsCanonicalForm(t *testing.T) {
	p := purging{Nursery: "test", Number: 1, Jurisdictions: []string{"US-CA"}}
	body, err := canonical(p)
	require.NoError(t, err)
	_, err = parsePurging(body)
	require.NoError(t, err)
	spaced, err := json.MarshalIndent(p, "", " ")
	require.NoError(t, err)
	for _, wrong := range []string{string(spaced), body + " ", strings.Replace(body, `"number":1`, `"number":1,"extra":2`, 1), "no json"} {
		_, err := parsePurging(wrong)
		require.Error(t, err, wrong)
	}
}
