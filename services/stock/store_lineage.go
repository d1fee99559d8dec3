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
