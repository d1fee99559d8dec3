package records

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

const selectCloses = `
	SELECT number, body, signature, public_key, month, end_time, last_sequence FROM records.close WHERE nursery = @nursery`

func queryCloses(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]closeRow, error) {
	rows, err := r.Query(ctx, selectCloses+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	closes, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (closeRow, error) {
		var c closeRow
		err := row.Scan(&c.number, &c.body, &c.signature, &c.publicKey, &c.month, &c.endTime, &c.lastSequence)
		return c, err
	})
	return closes, postgres.Translate(err)
}

// readCloses returns all closes of a nursery in their order: twelve in a year.
func readCloses(ctx context.Context, r postgres.Reader, nursery string) ([]closeRow, error) {
	return queryCloses(ctx, r, ` ORDER BY number`, pgx.NamedArgs{"nursery": nursery})
}

func listCloses(ctx context.Context, r postgres.Reader, nursery string, after int64, limit int) ([]closeRow, error) {
	return queryCloses(ctx, r, ` AND number > @after ORDER BY number LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// lastClose returns the newest close, or nil when there is none.
func lastClose(ctx context.Context, r postgres.Reader, nursery string) (*closeRow, error) {
	closes, err := queryCloses(ctx, r, ` ORDER BY number DESC LIMIT 1`, pgx.NamedArgs{"nursery": nursery})
	if err != nil || len(closes) == 0 {
		return nil, err
	}
	return &closes[0], nil
}

// Work that ends at the stroke of midnight is of the day that ends, and work of no
// length at midnight is of the day that begins, as in a use record.
const (
	endedBefore = `e.end_time <= @end AND (e.end_time < @end OR e.start_time < @end)`
	endedFrom   = `e.end_time >= @begin AND (e.end_time > @begin OR e.start_time = @begin)`
)

// standAt fills a close with where the ledger stands when a month has ended. The
// transaction holds the head of the ledger locked.
func standAt(ctx context.Context, tx pgx.Tx, c closing) (closing, error) {
	args := pgx.NamedArgs{"nursery": c.Nursery, "begin": c.BeginTime, "end": c.EndTime}
	err := tx.QueryRow(ctx, `
		SELECT greatest(coalesce(max(e.sequence), 0), coalesce((SELECT max(through_sequence) FROM records.purge WHERE nursery = @nursery), 0)),
			count(*) FILTER (WHERE `+endedFrom+`),
			count(*) FILTER (WHERE `+endedFrom+` AND e.corrects IS NOT NULL)
		FROM records.entry e WHERE e.nursery = @nursery AND `+endedBefore, args).
		Scan(&c.LastSequence, &c.MonthEntries, &c.MonthCorrections)
	if err != nil {
		return closing{}, err
	}
	purges, err := purgesSince(ctx, tx, c.Nursery, c.BeginTime)
	if len(purges) > 0 {
		c.PurgedThrough = purges[len(purges)-1].through
	}
	return c, err
}

// hashAt returns the stored hash of an entry, that of the start for 0, and for the last
// entry of a purge the one of its tombstone; false when there is none.
func hashAt(ctx context.Context, r postgres.Reader, nursery string, sequence int64) (head, bool, error) {
	if sequence == 0 {
		return start(), true, nil
	}
	at := head{sequence: sequence}
	err := r.QueryRow(ctx, `
		SELECT hash FROM records.entry WHERE nursery = $1 AND sequence = $2
		UNION ALL
		SELECT head FROM records.purge WHERE nursery = $1 AND through_sequence = $2`, nursery, sequence).Scan(&at.hash)
	if postgres.NoRows(err) {
		return at, false, nil
	}
	return at, err == nil, err
}

// extentOf returns the entries from the first whose work ended on the days to the
// last; an open end of the days is that of the ledger. It is empty when there is none.
func extentOf(ctx context.Context, r postgres.Reader, nursery string, s span) (extent, error) {
	where, args := s.where(nursery)
	var x extent
	err := r.QueryRow(ctx, `
		SELECT coalesce(min(e.sequence), 1), coalesce(max(e.sequence), 0)
		FROM records.entry e WHERE e.nursery = @nursery`+where, args).Scan(&x.from, &x.to)
	if err != nil || x.empty() {
		return x, err
	}
	if s.begin == nil {
		x.from = 1
	}
	if s.end == nil {
		x.to = toTheEnd
	}
	return x, nil
}

func insertClose(ctx context.Context, tx pgx.Tx, nursery string, r closeRow) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO records.close (nursery, number, body, signature, public_key, month, end_time, last_sequence)
		VALUES (@nursery, @number, @body, @signature, @public_key, @month, @end_time, @last_sequence)`,
		pgx.NamedArgs{
			"nursery": nursery, "number": r.number, "body": r.body, "signature": r.signature, "public_key": r.publicKey,
			"month": r.month, "end_time": r.endTime, "last_sequence": r.lastSequence,
		})
	return err
}

// selectLate reads entries that came after the close of the month in which their work
// ended: that is the first close whose month had ended by then. A correction that moves
// work to another month changes the month that it leaves too, and comes late for that one.
const selectLate = `
	SELECT DISTINCT e.sequence, c.month
	FROM records.entry e
	LEFT JOIN records.entry old ON old.nursery = e.nursery AND old.sequence = e.corrects
	CROSS JOIN LATERAL (VALUES (e.start_time, e.end_time), (old.start_time, old.end_time)) AS worked (start_time, end_time)
	CROSS JOIN LATERAL (
		SELECT month, last_sequence FROM records.close
		WHERE nursery = e.nursery AND end_time >= worked.end_time AND (end_time > worked.end_time OR worked.start_time < worked.end_time)
		ORDER BY end_time LIMIT 1) c
	WHERE e.nursery = @nursery AND e.sequence > c.last_sequence`

type lateEntry struct {
	sequence int64
	month    string
}

func queryLate(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]lateEntry, error) {
	rows, err := r.Query(ctx, selectLate+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	late, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (lateEntry, error) {
		var l lateEntry
		err := row.Scan(&l.sequence, &l.month)
		return l, err
	})
	return late, postgres.Translate(err)
}

// lateAmong returns the months that some entries came too late for, by entry; the earlier
// where there are two.
func lateAmong(ctx context.Context, r postgres.Reader, nursery string, sequences []int64) (map[int64]string, error) {
	late, err := queryLate(ctx, r, ` AND e.sequence = ANY(@sequences)`, pgx.NamedArgs{"nursery": nursery, "sequences": sequences})
	if err != nil {
		return nil, err
	}
	months := make(map[int64]string, len(late))
	for _, l := range late {
		if known := months[l.sequence]; known == "" || l.month < known {
			months[l.sequence] = l.month
		}
	}
	return months, nil
}

// lateOf returns the entries that came too late for some closes, by month, each in
// ledger order. The closes are in their order.
func lateOf(ctx context.Context, r postgres.Reader, nursery string, closes []closeRow) (map[string][]int64, error) {
	if len(closes) == 0 {
		return nil, nil
	}
	// No entry before the first close's last one is late for any of them.
	late, err := queryLate(ctx, r, ` AND e.sequence > @first AND least(e.end_time, old.end_time) <= @end ORDER BY e.sequence`,
		pgx.NamedArgs{"nursery": nursery, "first": closes[0].lastSequence, "end": closes[len(closes)-1].endTime})
	if err != nil {
		return nil, err
	}
	months := map[string][]int64{}
	for _, l := range late {
		months[l.month] = append(months[l.month], l.sequence)
	}
	return months, nil
}
