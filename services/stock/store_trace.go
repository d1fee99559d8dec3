package stock

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// Stay is a time that a lot with plants stood on a bench.
type Stay struct {
	// Lot is the lot's id.
	Lot string
	// Bench is where it stood.
	Bench BenchID
	// From and Until, UTC; Until is the end of time while it stands there.
	From, Until time.Time
}

// ReadStays returns where the lots of a nursery stood that had plants at some time
// from a moment on, by lot and time: from its first event on, and until its plants
// were gone. Where a lot stood before it came into the books nobody knows.
func ReadStays(ctx context.Context, r postgres.Reader, nursery string, from time.Time) ([]Stay, error) {
	rows, err := r.Query(ctx, `
		WITH present AS (
			SELECT l.id, l.plants,
				(SELECT max(e.event_time) FROM stock.lot_event e WHERE e.nursery = l.nursery AND e.lot = l.id) AS last_time,
				(SELECT min(e.id) FROM stock.lot_event e WHERE e.nursery = l.nursery AND e.lot = l.id) AS first_id
			FROM stock.lot l WHERE l.nursery = @nursery
		), place AS (
			SELECT p.id AS lot, e.house, e.bench, e.event_time AS since,
				lead(e.event_time) OVER (PARTITION BY p.id ORDER BY e.event_time, e.id) AS next,
				CASE WHEN p.plants > 0 THEN @end::timestamptz ELSE p.last_time END AS gone
			FROM present p
			JOIN stock.lot_event e ON e.nursery = @nursery AND e.lot = p.id AND (e.id = p.first_id OR e.kind = 'MOVED')
			WHERE p.plants > 0 OR p.last_time >= @from
		)
		SELECT lot, house, bench, since, coalesce(next, gone) FROM place
		WHERE coalesce(next, gone) > since ORDER BY lot COLLATE "C", since`,
		pgx.NamedArgs{"nursery": nursery, "from": from, "end": endOfTime})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	stays, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Stay, error) {
		var s Stay
		err := row.Scan(&s.Lot, &s.Bench.House, &s.Bench.Bench, &s.From, &s.Until)
		s.From, s.Until = s.From.UTC(), s.Until.UTC()
		return s, err
	})
	return stays, postgres.Translate(err)
}

// ReadBenches returns all benches of a nursery by house and id.
func ReadBenches(ctx context.Context, r postgres.Reader, nursery string) ([]Bench, error) {
	rows, err := r.Query(ctx, `SELECT `+benchColumns+` FROM stock.bench WHERE nursery = $1`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	benches, err := pgx.CollectRows(rows, scanBench)
	slices.SortFunc(benches, func(a, b Bench) int {
		return BenchID{House: a.House, Bench: a.ID}.compare(BenchID{House: b.House, Bench: b.ID})
	})
	return benches, postgres.Translate(err)
}

// ReadStocked returns all lots of a nursery with plants, by id.
func ReadStocked(ctx context.Context, r postgres.Reader, nursery string) ([]Lot, error) {
	rows, err := r.Query(ctx, `SELECT `+lotColumns+` FROM stock.lot WHERE nursery = $1 AND plants > 0`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	lots, err := pgx.CollectRows(rows, scanLot)
	slices.SortFunc(lots, func(a, b Lot) int { return strings.Compare(a.ID, b.ID) })
	return lots, postgres.Translate(err)
}

// Sale is plants of a lot that were sold.
type Sale struct {
	// Lot is the lot's id.
	Lot string
	// Plants sold.
	Plants int64
	// Time is when, UTC.
	Time time.Time
	// Note says to whom, as it was entered.
	Note string
}

// ReadSales returns the sales of some lots between two moments, both included,
// oldest first.
func ReadSales(ctx context.Context, r postgres.Reader, nursery string, lots []string, from, until time.Time) ([]Sale, error) {
	rows, err := r.Query(ctx, `
		SELECT lot, -plants, event_time, note FROM stock.lot_event
		WHERE nursery = @nursery AND lot = ANY(@lots::text[]) AND kind = 'SOLD' AND event_time BETWEEN @from AND @until
		ORDER BY event_time, id`, pgx.NamedArgs{"nursery": nursery, "lots": lots, "from": from, "until": until})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	sales, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Sale, error) {
		var s Sale
		err := row.Scan(&s.Lot, &s.Plants, &s.Time, &s.Note)
		s.Time = s.Time.UTC()
		return s, err
	})
	return sales, postgres.Translate(err)
}
