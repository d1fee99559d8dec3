package records

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc/rpctest"
)

// numbers asks for a range by numbers of entries.
func numbers(from, to int64) *recordsv1.VerifyLedgerRequest {
	return &recordsv1.VerifyLedgerRequest{Parent: "nurseries/test", FromSequence: from, ToSequence: to}
}

// onDays asks for a range by days; an empty one is absent.
func onDays(from, to string) *recordsv1.VerifyLedgerRequest {
	return &recordsv1.VerifyLedgerRequest{Parent: "nurseries/test", FromDate: dated(from), ToDate: dated(to)}
}

func dated(day string) *typev1.Date {
	if day == "" {
		return nil
	}
	return &typev1.Date{Value: day}
}

// threeMonths fills a ledger with two entries in January, two in February and two in
// March, and closes the first two months: entries 1 to 6.
func threeMonths(t *testing.T) fixture {
	t.Helper()
	f := setUpSigning(t)
	f.confirm(t, ended("a1", january(5)))
	f.close(t, "2026-01")
	f.confirm(t, ended("a2", february(5)))
	f.close(t, "2026-02")
	f.confirm(t, ended("a3", march(5)))
	return f
}

func TestARangeIsVerifiedFromTheHashOfTheEntryBeforeIt(t *testing.T) {
	f := threeMonths(t)
	for _, test := range []struct {
		name         string
		request      *recordsv1.VerifyLedgerRequest
		first, last  int64
		closes       int64
		trusts, head string
	}{
		{"the whole ledger trusts what no close has signed yet", numbers(0, 0), 1, 6, 2, "No close has signed the entries from 5 to 6.", "6"},
		{"from the first entry, all signed", numbers(1, 3), 1, 3, 1, "", "3"},
		{"from one that no close signed", numbers(4, 0), 4, 6, 1, "The range begins from the stored hash of entry 3, which is believed.", "6"},
		{"from one that a close signed", numbers(3, 6), 3, 6, 2, "The range begins from the stored hash of entry 2, which a signed close has too.", "6"},
		{"one entry", numbers(6, 6), 6, 6, 0, "entry 5, which is believed.", "6"},
		{"a day", onDays("2026-02-05", "2026-02-05"), 3, 4, 2, "entry 2, which a signed close has too.", "4"},
		{"up to a day", onDays("", "2026-02-05"), 1, 4, 2, "", "4"},
		{"from a day", onDays("2026-03-01", ""), 5, 6, 1, "entry 4, which a signed close has too.", "6"},
		{"a day without work", onDays("2026-02-06", "2026-02-07"), 0, 0, 0, "No work in the ledger ended on these days, so no entry was checked.", ""},
		{"days after all work", onDays("2026-04-01", ""), 0, 0, 0, "No work in the ledger ended on these days", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			response, err := f.client.VerifyLedger(f.manager, test.request)
			require.NoError(t, err)
			require.True(t, response.GetIntact(), response.GetFault())
			require.Equal(t, []int64{test.first, test.last}, []int64{response.GetFirstEntry(), response.GetLastEntry()})
			if test.first > 0 {
				require.Equal(t, test.last-test.first+1, response.GetEntries())
			}
			require.Equal(t, test.closes, response.GetCloses())
			if test.trusts == "" {
				require.Empty(t, response.GetTrusts())
			} else {
				require.Contains(t, strings.Join(response.GetTrusts(), " "), test.trusts)
			}
			if test.head != "" {
				entry, err := f.client.GetEntry(f.manager, &recordsv1.GetEntryRequest{Name: "nurseries/test/entries/" + test.head})
				require.NoError(t, err)
				require.Equal(t, entry.GetHash(), response.GetHead())
			}
		})
	}
}

func TestARangeIsRefusedByField(t *testing.T) {
	f := threeMonths(t)
	both := numbers(2, 0)
	both.FromDate = dated("2026-02-01")
	bothAtTheEnd := numbers(0, 2)
	bothAtTheEnd.FromDate = dated("2026-02-01")
	for _, test := range []struct {
		name, field, says string
		request           *recordsv1.VerifyLedgerRequest
	}{
		{"an end before its beginning", "to_sequence", "entry 2 is before the first entry of the range, 3", numbers(3, 2)},
		{"a beginning past the end of the ledger", "from_sequence", "the ledger ends at entry 6", numbers(7, 0)},
		{"an end past the end of the ledger", "to_sequence", "the ledger ends at entry 6", numbers(2, 7)},
		{"a number below zero", "from_sequence", "", numbers(-1, 0)},
		{"a last day before the first", "to_date", "2026-02-01 is before the first day, 2026-02-02", onDays("2026-02-02", "2026-02-01")},
		{"a day that no month has", "from_date", "is not a day", onDays("2026-02-30", "")},
		{"a number and a day", "from_sequence", "not by both", both},
		{"a day and a number", "to_sequence", "not by both", bothAtTheEnd},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := f.client.VerifyLedger(f.manager, test.request)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.says)
		})
	}
}

// changed verifies after a change that only the superuser could make, with triggers
// and references off, and takes the change back.
func changed(t *testing.T, db *pgtest.Database, asked extent, key *SigningKey, sql string, args ...any) *recordsv1.VerifyLedgerResponse {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), db.AdminURL)
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(context.Background())) }()
	tx, err := conn.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), `SET LOCAL session_replication_role = replica`)
	require.NoError(t, err)
	for statement := range strings.SplitSeq(sql, ";") {
		if strings.TrimSpace(statement) != "" {
			_, err = tx.Exec(t.Context(), statement, args...)
			require.NoError(t, err, statement)
		}
	}
	found, err := verify(t.Context(), tx, "test", asked, key)
	require.NoError(t, err)
	require.NoError(t, tx.Rollback(t.Context()))
	return found.contract()
}

// flipOneByte changes one byte of a body, whatever stands there.
func flipOneByte(table, row string) string {
	return fmt.Sprintf(`UPDATE records.%[1]s SET body = overlay(body placing chr(ascii(substr(body, 40, 1)) # 1) from 40 for 1) WHERE %[2]s`, table, row)
}

// sealAgain seals a ledger anew from an entry to its end, and moves its head there,
// as someone would who knows how the chain is made.
const sealAgain = `
	WITH RECURSIVE chain AS (
		SELECT sequence, prev_hash, sha256(prev_hash || convert_to(body, 'UTF8')) AS hash
		FROM records.entry WHERE nursery = 'test' AND sequence = %d
		UNION ALL
		SELECT e.sequence, c.hash, sha256(c.hash || convert_to(e.body, 'UTF8'))
		FROM records.entry e JOIN chain c ON e.nursery = 'test' AND e.sequence = c.sequence + 1)
	UPDATE records.entry e SET prev_hash = c.prev_hash, hash = c.hash FROM chain c WHERE e.nursery = 'test' AND e.sequence = c.sequence;
	UPDATE records.head h SET (sequence, hash) = (SELECT sequence, hash FROM records.entry WHERE nursery = 'test' ORDER BY sequence DESC LIMIT 1);`

func TestVerifyNamesWhatSomeoneWhoOwnsTheDatabaseDid(t *testing.T) {
	f := threeMonths(t)
	const spray = `UPDATE records.entry SET body = replace(body, 'BATH', 'SPRAY') WHERE sequence = %d;`
	for _, test := range []struct {
		name, tamper, entry, close, fault string
	}{
		{"one byte of a body was flipped", flipOneByte("entry", "sequence = 3"), "3", "",
			"Its hash is not that of what it says: it was changed after it was written."},
		{"the last entry was removed", `DELETE FROM records.entry WHERE sequence = 6`, "6", "",
			"It is missing: the ledger ends at entry 6, and the last one that is there is 5."},
		{"two entries were exchanged", `UPDATE records.entry SET sequence = 99 WHERE sequence = 2;
			UPDATE records.entry SET sequence = 2 WHERE sequence = 3; UPDATE records.entry SET sequence = 3 WHERE sequence = 99`, "2", "",
			"It does not carry the hash of the entry before it."},
		{"the tail was replaced by a consistent other one", fmt.Sprintf(spray+sealAgain, 3, 3), "4", "2026-02",
			"Its hash is not the one that the close of 2026-02 signed: it was replaced, or one of the entries from 3 on."},
		{"the whole ledger was replaced by a consistent other one", fmt.Sprintf(spray+sealAgain, 1, 1), "2", "2026-01",
			"Its hash is not the one that the close of 2026-01 signed: it was replaced, or one of the entries from 1 on."},
		{"the tail was cut off and the head moved back", `DELETE FROM records.entry WHERE sequence > 3;
			UPDATE records.head SET sequence = 3, hash = (SELECT hash FROM records.entry WHERE sequence = 3)`, "4", "2026-02",
			"It is missing: the close of 2026-02 signed the entries up to 4, and the ledger ends at 3."},
		{"one byte of a close was flipped", flipOneByte("close", "number = 1"), "", "2026-01",
			"Its signature is not that of what it says: it was changed after it was signed."},
		{"a close says another count", `UPDATE records.close SET body = replace(body, '"month_entries":2', '"month_entries":3') WHERE number = 2`, "", "2026-02",
			"Its signature is not that of what it says: it was changed after it was signed."},
		{"a close was removed", `DELETE FROM records.close WHERE number = 1`, "", "2026-02", "Close number 1, which was before it, is missing."},
		{"a column of a close was changed", `UPDATE records.close SET last_sequence = 3 WHERE number = 2`, "", "2026-02",
			"Its column last_sequence differs from what it says."},
	} {
		t.Run(test.name, func(t *testing.T) {
			response := changed(t, f.db, wholeLedger(), testKey(7), test.tamper)
			require.False(t, response.GetIntact())
			require.Equal(t, test.fault, response.GetFault())
			require.Equal(t, test.entry, strings.TrimPrefix(response.GetBrokenEntry(), "nurseries/test/entries/"))
			require.Equal(t, test.close, strings.TrimPrefix(response.GetBrokenClose(), "nurseries/test/closes/"))
		})
	}
	require.True(t, f.verify(t).GetIntact())
}

func TestACloseThatWasSignedAgainWithAnotherKeyIsNotBelieved(t *testing.T) {
	f := threeMonths(t)
	rows, err := readCloses(t.Context(), f.db, "test")
	require.NoError(t, err)
	c, err := parseClosing(rows[0].body)
	require.NoError(t, err)
	c.MonthEntries = 9
	forged, err := c.sign(testKey(9))
	require.NoError(t, err)
	const replaced = `UPDATE records.close SET body = $1, signature = $2, public_key = $3 WHERE number = 1`

	response := changed(t, f.db, wholeLedger(), testKey(7), replaced, forged.body, forged.signature, forged.publicKey)
	require.Equal(t, "nurseries/test/closes/2026-01", response.GetBrokenClose())
	require.Equal(t, "It is signed with the key "+keyID(testKey(9).publicKey())+", which is neither the key in place, "+
		keyID(testKey(7).publicKey())+", nor an earlier one that the key's file names.", response.GetFault())

	lied, err := c.sign(testKey(9))
	require.NoError(t, err)
	response = changed(t, f.db, wholeLedger(), testKey(7), replaced, lied.body, lied.signature, testKey(7).publicKey())
	require.Contains(t, response.GetFault(), "It says that the key "+keyID(testKey(9).publicKey())+" signed it")

	// A close that someone who has the key signed again no longer fits the next one.
	own, err := c.sign(testKey(7))
	require.NoError(t, err)
	response = changed(t, f.db, wholeLedger(), testKey(7), replaced, own.body, own.signature, own.publicKey)
	require.Equal(t, "nurseries/test/closes/2026-02", response.GetBrokenClose())
	require.Equal(t, "It does not carry the hash of the close before it: that one was replaced.", response.GetFault())

	// An earlier key goes on being believed where the key's file names it.
	renewed := testKey(8)
	renewed.earlier = append(renewed.earlier, testKey(7).publicKey())
	require.True(t, changed(t, f.db, wholeLedger(), renewed, "").GetIntact())
}

func TestWithoutTheKeyNoCloseIsBelieved(t *testing.T) {
	f := threeMonths(t)
	response := changed(t, f.db, wholeLedger(), nil, "")
	require.False(t, response.GetIntact(), "a public key that stands beside the close proves nothing")
	require.Equal(t, "nurseries/test/closes/2026-01", response.GetBrokenClose())
	require.Contains(t, response.GetFault(), "No signing key is in place on this server")
	require.Equal(t, int64(6), response.GetEntries(), "the chain was checked all the same")
}

func TestARangeFindsWhatIsWrongInItAndBeforeIt(t *testing.T) {
	f := threeMonths(t)
	for _, test := range []struct {
		name, tamper string
		asked        extent
		entry, fault string
	}{
		{"in it", flipOneByte("entry", "sequence = 4"), extent{3, 5}, "4", "Its hash is not that of what it says"},
		{"a broken entry before it is not seen", flipOneByte("entry", "sequence = 1"), extent{3, 5}, "", ""},
		{"nor one after it", flipOneByte("entry", "sequence = 6"), extent{3, 5}, "", ""},
		{"the entry before it is missing", `DELETE FROM records.entry WHERE sequence = 2`, extent{3, 5}, "2", "It is missing, so nothing says what entry 3 follows."},
		{"its last entry is missing", `DELETE FROM records.entry WHERE sequence = 5`, extent{3, 5}, "5", "It is missing: the last one of the range that is there is 4."},
		{"the last entry of the ledger is missing", `DELETE FROM records.entry WHERE sequence = 6`, extent{3, toTheEnd}, "6", "It is missing: the ledger ends at entry 6"},
		{"the hash before it is not the signed one", fmt.Sprintf(`UPDATE records.entry SET body = replace(body, 'BATH', 'SPRAY') WHERE sequence = 2;`+sealAgain, 2),
			extent{3, 3}, "2", "Its hash is not the one that the close of 2026-01 signed"},
	} {
		t.Run(test.name, func(t *testing.T) {
			response := changed(t, f.db, test.asked, testKey(7), test.tamper)
			require.Equal(t, test.entry == "", response.GetIntact())
			require.Equal(t, test.entry, strings.TrimPrefix(response.GetBrokenEntry(), "nurseries/test/entries/"))
			require.Contains(t, response.GetFault(), test.fault)
		})
	}
}

// refusedState returns the SQLSTATE with which a statement of a transaction that is
// taken back was refused.
func refusedState(t *testing.T, conn *pgx.Conn, sql string) string {
	t.Helper()
	tx, err := conn.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), sql)
	require.Error(t, err, sql)
	require.NoError(t, tx.Rollback(t.Context()))
	var pg *pgconn.PgError
	require.ErrorAs(t, err, &pg)
	return pg.Code
}

func TestEveryRoleIsRefusedToChangeWhatIsKept(t *testing.T) {
	f := threeMonths(t)
	_, err := f.client.PlaceHold(f.manager, &recordsv1.PlaceHoldRequest{
		Parent: "nurseries/test", Hold: &recordsv1.Hold{Reason: "inquiry"}, RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	const refused = "42501" // insufficient_privilege
	for role, url := range map[string]string{
		"velamen_app": f.db.AppURL, "velamen_owner": f.db.OwnerURL, "velamen_admin, the superuser": f.db.AdminURL,
	} {
		t.Run(role, func(t *testing.T) {
			conn, err := pgx.Connect(t.Context(), url)
			require.NoError(t, err)
			defer func() { require.NoError(t, conn.Close(context.Background())) }()
			for _, table := range []string{"entry", "head", "close", "hold"} {
				for _, sql := range []string{"UPDATE records.%s SET nursery = nursery", "DELETE FROM records.%s", "TRUNCATE records.%s CASCADE"} {
					statement := fmt.Sprintf(sql, table)
					require.Equal(t, refused, refusedState(t, conn, statement), statement)
				}
			}
		})
	}
	require.Equal(t, "42501", sqlState(t, f.db.AppURL, `ALTER TABLE records.close DISABLE TRIGGER USER`), "only its owner turns a trigger off")
	require.True(t, f.verify(t).GetIntact())
}
