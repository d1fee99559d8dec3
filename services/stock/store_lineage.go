package stock

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// Line is where plants of a lot came from: whatever happened to Ancestor until
// Until happened to plants of Lot.
type Line struct {
	// Lot and Ancestor are ids. Every lot is its own ancestor.
	Lot, Ancestor string
	// Until is when plants last went from the ancestor towards the lot; for the lot
	// itself the end of time.
	Until time.Time
}

// endOfTime is later than anything that a record can hold.
var endOfTime = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// ReadOffspring returns the ids of the lots into which plants of some lots went from a
// moment on, by splitting and joining, also through others; those lots themselves are
// left out.
func ReadOffspring(ctx context.Context, r postgres.Reader, nursery string, lots []string, from time.Time) ([]string, error) {
	rows, err := r.Query(ctx, `
		WITH RECURSIVE went (lot, since) AS (
			SELECT id, @from::timestamptz FROM unnest(@lots::text[]) AS id
			UNION
			SELECT e.other_lot, e.event_time
			FROM went w
			JOIN stock.lot_event e ON e.nursery = @nursery AND e.lot = w.lot
				AND e.kind = 'TRANSFERRED_OUT' AND e.event_time >= w.since
		)
		SELECT DISTINCT lot FROM went WHERE NOT lot = ANY(@lots::text[]) ORDER BY lot`,
		pgx.NamedArgs{"nursery": nursery, "lots": lots, "from": from})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	offspring, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return offspring, postgres.Translate(err)
}

// Transfer is plants that went from one lot into another, by splitting or joining.
type Transfer struct {
	// From and Into are the ids of the lots.
	From, Into string
	// Time is when, UTC.
	Time time.Time
}

// ReadTransfers returns the transfers of a nursery from a moment on, by time.
func ReadTransfers(ctx context.Context, r postgres.Reader, nursery string, from time.Time) ([]Transfer, error) {
	rows, err := r.Query(ctx, `
		SELECT lot, other_lot, event_time FROM stock.lot_event
		WHERE nursery = @nursery AND kind = 'TRANSFERRED_OUT' AND event_time >= @from ORDER BY event_time, id`,
		pgx.NamedArgs{"nursery": nursery, "from": from})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	transfers, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Transfer])
	return transfers, postgres.Translate(err)
}

// ReadLineage returns the lots that plants of some lots came from, by splitting
// and joining, the lots themselves included.
func ReadLineage(ctx context.Context, r postgres.Reader, nursery string, lots []string) ([]Line, error) {
	rows, err := r.Query(ctx, `
		WITH RECURSIVE line (lot, ancestor, until) AS (
			SELECT id, id, @end::timestamptz FROM unnest(@lots::text[]) AS id
			UNION
			SELECT l.lot, e.other_lot, e.event_time
			FROM line l
			JOIN stock.lot_event e ON e.nursery = @nursery AND e.lot = l.ancestor
				AND e.kind = 'TRANSFERRED_IN' AND e.event_time <= l.until
		)
		SELECT lot, ancestor, max(until) FROM line GROUP BY lot, ancestor ORDER BY lot, ancestor`,
		pgx.NamedArgs{"nursery": nursery, "lots": lots, "end": endOfTime})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowToStructByPos[Line])
	return lines, postgres.Translate(err)
}
