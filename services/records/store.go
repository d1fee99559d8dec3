package records

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// lockHead waits for other appends to the nursery's ledger and returns its end.
func lockHead(ctx context.Context, tx pgx.Tx, nursery string) (head, error) {
	var h head
	err := tx.QueryRow(ctx, `SELECT last_sequence, last_hash FROM records.lock_head($1)`, nursery).Scan(&h.sequence, &h.hash)
	return h, err
}

// appendEntry adds an entry after the head, which the transaction holds locked,
// and returns it with the new head.
func appendEntry(ctx context.Context, tx pgx.Tx, last head, e entry, now time.Time) (kept, head, error) {
	e.Sequence, e.CreateTime = last.sequence+1, now
	body, err := e.body()
	if err != nil {
		return kept{}, head{}, err
	}
	next := head{sequence: e.Sequence, hash: seal(last.hash, body)}
	var corrects *int64
	if e.Correction != nil {
		corrects = &e.Correction.Corrects
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO records.entry (nursery, sequence, body, prev_hash, hash, application, house, product, start_time, end_time, corrects)
		VALUES (@nursery, @sequence, @body, @prev_hash, @hash, @application, @house, @product, @start_time, @end_time, @corrects)`,
		pgx.NamedArgs{
			"nursery": e.Nursery, "sequence": e.Sequence, "body": body, "prev_hash": last.hash, "hash": next.hash,
			"application": e.Application, "house": e.House, "product": e.Product,
			"start_time": e.StartTime, "end_time": e.EndTime, "corrects": corrects,
		})
	if err != nil {
		return kept{}, head{}, err
	}
	return kept{entry: e, hash: next.hash}, next, nil
}

// entered reports whether the ledger has the first entry of a product of an
// application in a house.
func entered(ctx context.Context, r postgres.Reader, e entry) (bool, error) {
	var found bool
	err := r.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM records.entry
			WHERE nursery = @nursery AND application = @application AND house = @house AND product = @product AND corrects IS NULL)`,
		pgx.NamedArgs{"nursery": e.Nursery, "application": e.Application, "house": e.House, "product": e.Product}).Scan(&found)
	return found, err
}

// selectEntries reads entries with the one that took each one's place.
const selectEntries = `
	SELECT e.body, e.hash, newer.sequence
	FROM records.entry e
	LEFT JOIN records.entry newer ON newer.nursery = e.nursery AND newer.corrects = e.sequence
	WHERE e.nursery = @nursery`

func scanKept(row pgx.CollectableRow) (kept, error) {
	var (
		k    kept
		body string
	)
	if err := row.Scan(&body, &k.hash, &k.correctedBy); err != nil {
		return kept{}, err
	}
	var err error
	k.entry, err = parseEntry(body)
	return k, err
}

func queryEntries(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]kept, error) {
	rows, err := r.Query(ctx, selectEntries+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	entries, err := pgx.CollectRows(rows, scanKept)
	return entries, postgres.Translate(err)
}

func readEntry(ctx context.Context, r postgres.Reader, nursery string, sequence int64) (kept, error) {
	entries, err := queryEntries(ctx, r, ` AND e.sequence = @sequence`, pgx.NamedArgs{"nursery": nursery, "sequence": sequence})
	if err != nil {
		return kept{}, err
	}
	if len(entries) == 0 {
		return kept{}, fault.Missing("entry", entryName(nursery, sequence))
	}
	return entries[0], nil
}

func listEntries(ctx context.Context, r postgres.Reader, nursery string, after int64, limit int) ([]kept, error) {
	return queryEntries(ctx, r, ` AND e.sequence > @after ORDER BY e.sequence LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// longestWork is how long after a period work that began in it is looked for, so that its
// report can say that another has it. Design value: nobody sprays for a week.
const longestWork = 7 * 24 * time.Hour

// aroundDays returns the entries of a report from begin up to end, by start, and those that
// it says it leaves out: those that were corrected, and those whose work went on after the
// end; of one house (name), or of all when it is empty. Which of them a day has the report
// decides.
func aroundDays(ctx context.Context, r postgres.Reader, nursery, house string, begin, end time.Time) ([]kept, error) {
	return queryEntries(ctx, r, `
		AND e.end_time >= @begin AND e.end_time < @latest AND e.start_time < @end AND (@house = '' OR e.house = @house)
		ORDER BY e.start_time, e.sequence`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "begin": begin, "end": end, "latest": end.Add(longestWork)})
}

// standing returns the entries of a house that stand and whose work overlaps the
// time from begin up to end, by start.
func standing(ctx context.Context, r postgres.Reader, nursery, house string, begin, end time.Time) ([]kept, error) {
	return queryEntries(ctx, r, `
		AND e.house = @house AND newer.sequence IS NULL
		AND e.start_time < @end AND (e.end_time > @begin OR e.start_time >= @begin)
		ORDER BY e.start_time, e.sequence`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "begin": begin, "end": end})
}

// newestAfter follows the corrections of an entry to the one that stands.
func newestAfter(ctx context.Context, r postgres.Reader, nursery string, sequence int64) (int64, error) {
	var newest int64
	err := r.QueryRow(ctx, `
		WITH RECURSIVE newer AS (
			SELECT sequence FROM records.entry WHERE nursery = @nursery AND corrects = @sequence
			UNION ALL
			SELECT e.sequence FROM records.entry e JOIN newer ON e.nursery = @nursery AND e.corrects = newer.sequence)
		SELECT max(sequence) FROM newer`,
		pgx.NamedArgs{"nursery": nursery, "sequence": sequence}).Scan(&newest)
	return newest, err
}

// readHead returns the end of a nursery's ledger; one that never had an entry is
// at its start.
func readHead(ctx context.Context, r postgres.Reader, nursery string) (head, error) {
	var h head
	err := r.QueryRow(ctx, `SELECT sequence, hash FROM records.head WHERE nursery = $1`, nursery).Scan(&h.sequence, &h.hash)
	if postgres.NoRows(err) {
		return start(), nil
	}
	return h, err
}

// walk calls visit for every entry of an extent in ledger order, without holding
// more than one in memory, until visit returns false.
func walk(ctx context.Context, r postgres.Reader, nursery string, x extent, visit func(row) bool) error {
	rows, err := r.Query(ctx, `
		SELECT sequence, body, prev_hash, hash, application, house, product, start_time, end_time, corrects
		FROM records.entry WHERE nursery = $1 AND sequence BETWEEN $2 AND $3 ORDER BY sequence`, nursery, x.from, x.to)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		var e row
		err := rows.Scan(&e.sequence, &e.body, &e.prevHash, &e.hash, &e.application, &e.house, &e.product,
			&e.startTime, &e.endTime, &e.corrects)
		if err != nil {
			return err
		}
		if !visit(e) {
			return nil
		}
	}
	return rows.Err()
}
