package records

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/postgres"
)

func queryPurges(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]purgeRow, error) {
	rows, err := r.Query(ctx, `
		SELECT number, body, signature, public_key, through_sequence, head, create_time
		FROM records.purge WHERE nursery = @nursery`+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	purges, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (purgeRow, error) {
		var p purgeRow
		err := row.Scan(&p.number, &p.body, &p.signature, &p.publicKey, &p.through, &p.head, &p.at)
		p.at = clock.Stored(p.at)
		return p, err
	})
	return purges, postgres.Translate(err)
}

// readPurges returns all tombstones of a nursery in their order: a few in a year.
func readPurges(ctx context.Context, r postgres.Reader, nursery string) ([]purgeRow, error) {
	return queryPurges(ctx, r, ` ORDER BY number`, pgx.NamedArgs{"nursery": nursery})
}

func listPurges(ctx context.Context, r postgres.Reader, nursery string, after int64, limit int) ([]purgeRow, error) {
	return queryPurges(ctx, r, ` AND number > @after ORDER BY number LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// purgeOf is a purge by which entries may have gone.
type purgeOf struct {
	number, first, through int64
	at                     time.Time
}

// purgesSince returns the purges by which entries may have gone whose work ended at a time
// or later. The database lets none go that is younger than its floor, so those before are
// none of them.
func purgesSince(ctx context.Context, r postgres.Reader, nursery string, begin time.Time) ([]purgeOf, error) {
	rows, err := r.Query(ctx, `
		SELECT number, first_sequence, through_sequence, create_time
		FROM (SELECT *, lag(through_sequence, 1, 0) OVER (ORDER BY number) + 1 AS first_sequence FROM records.purge WHERE nursery = @nursery) p
		WHERE create_time >= @begin::timestamptz + records.purge_floor() ORDER BY number`, pgx.NamedArgs{"nursery": nursery, "begin": begin})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	purges, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (purgeOf, error) {
		var p purgeOf
		err := row.Scan(&p.number, &p.first, &p.through, &p.at)
		return p, err
	})
	return purges, postgres.Translate(err)
}

// said says of a purge that entries of some time may have gone by it.
func (p purgeOf) said(nursery string) string {
	return fmt.Sprintf("Entries %d to %d of the ledger were purged at %s (%s); work of this time may be among them.",
		p.first, p.through, moment(p.at.UTC()), purgeName(nursery, p.number))
}

// purgedThrough returns the last entry that was purged by what the tombstones say, 0 for
// none.
func purgedThrough(ctx context.Context, r postgres.Reader, nursery string) (int64, error) {
	var through int64
	err := r.QueryRow(ctx, `SELECT coalesce(max(through_sequence), 0) FROM records.purge WHERE nursery = $1`, nursery).Scan(&through)
	return through, err
}

// firstBack returns the first entry that is there although it was purged, 0 for none.
func firstBack(ctx context.Context, r postgres.Reader, nursery string, purged int64) (int64, error) {
	var back int64
	err := r.QueryRow(ctx, `SELECT coalesce(min(sequence), 0) FROM records.entry WHERE nursery = $1 AND sequence <= $2`, nursery, purged).Scan(&back)
	return back, err
}

// insertPurge adds a tombstone, with which the database removes the entries. It refuses
// what is too young, held, or would go without its correction.
func insertPurge(ctx context.Context, tx pgx.Tx, nursery string, p purgeRow) error {
	_, err := tx.Exec(ctx, `SELECT records.purge_entries(@nursery, @number, @body, @signature, @public_key, @through, @head, @at)`,
		pgx.NamedArgs{
			"nursery": nursery, "number": p.number, "body": p.body, "signature": p.signature, "public_key": p.publicKey,
			"through": p.through, "head": p.head, "at": p.at,
		})
	return err
}

// aheadOfDatabase returns the clock of the database where a time is later than it by more
// than the hour that check_purge allows; zero where it is not.
func aheadOfDatabase(ctx context.Context, r postgres.Reader, now time.Time) (time.Time, error) {
	var at time.Time
	var ahead bool
	err := r.QueryRow(ctx, `SELECT clock_timestamp(), $1::timestamptz > clock_timestamp() + interval '1 hour'`, now).Scan(&at, &ahead)
	if err != nil || !ahead {
		return time.Time{}, err
	}
	return clock.Stored(at), nil
}

// endedBy returns the last of the entries from the start of the ledger up to the first
// whose work ended at a time or later, the end of the ledger when there is none.
func endedBy(ctx context.Context, r postgres.Reader, nursery string, end time.Time, ledger head) (int64, error) {
	var first *int64
	err := r.QueryRow(ctx, `SELECT min(e.sequence) FROM records.entry e WHERE e.nursery = @nursery AND NOT (`+endedBefore+`)`,
		pgx.NamedArgs{"nursery": nursery, "end": end}).Scan(&first)
	if err != nil || first == nil {
		return ledger.sequence, err
	}
	return *first - 1, nil
}

// eachEntry calls visit for every entry that a condition selects, in ledger order,
// without holding more than one in memory, until visit returns false.
func eachEntry(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs, visit func(entry) bool) error {
	rows, err := r.Query(ctx, `SELECT e.body FROM records.entry e WHERE e.nursery = @nursery`+where+` ORDER BY e.sequence`, args)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var body string
		if err := rows.Scan(&body); err != nil {
			return err
		}
		e, err := parseEntry(body)
		if err != nil {
			return err
		}
		if !visit(e) {
			return nil
		}
	}
	return rows.Err()
}

// correctedOrCorrecting selects the entries that were corrected and those that correct.
const correctedOrCorrecting = ` AND (e.corrects IS NOT NULL OR EXISTS (
	SELECT FROM records.entry n WHERE n.nursery = e.nursery AND n.corrects = e.sequence))`
