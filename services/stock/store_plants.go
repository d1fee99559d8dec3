package stock

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadGone returns which of some lots have no plants and had none from a time on:
// nothing happened to them after it.
func ReadGone(ctx context.Context, r postgres.Reader, nursery string, lots []string, at time.Time) ([]string, error) {
	rows, err := r.Query(ctx, `
		SELECT l.id FROM stock.lot l
		WHERE l.nursery = @nursery AND l.id = ANY(@lots::text[]) AND l.plants = 0
		  AND NOT EXISTS (SELECT FROM stock.lot_event e WHERE e.nursery = l.nursery AND e.lot = l.id AND e.event_time > @at)`,
		pgx.NamedArgs{"nursery": nursery, "lots": lots, "at": at})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	gone, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return gone, postgres.Translate(err)
}

// ReadPlantsAt returns how many plants some lots had together at each of some
// times, by when their events happened. A lot that came into the books later
// counts with the plants that it came with: an outbreak may be older than the
// books. One that was split off later had its plants in the lot before.
func ReadPlantsAt(ctx context.Context, r postgres.Reader, nursery string, lots []string, times []time.Time) ([]int64, error) {
	rows, err := r.Query(ctx, `
		SELECT coalesce(sum(
			(SELECT coalesce(sum(e.plants), 0) FROM stock.lot_event e
				WHERE e.nursery = @nursery AND e.lot = l.id AND e.event_time <= t.at)
			+ CASE WHEN origin.kind IN ('STARTED', 'RECEIVED') AND origin.event_time > t.at THEN origin.plants ELSE 0 END), 0)::bigint
		FROM unnest(@times::timestamptz[]) WITH ORDINALITY AS t (at, place)
		CROSS JOIN unnest(@lots::text[]) AS l (id)
		CROSS JOIN LATERAL (
			SELECT e.kind, e.plants, e.event_time FROM stock.lot_event e
			WHERE e.nursery = @nursery AND e.lot = l.id ORDER BY e.id LIMIT 1) AS origin
		GROUP BY t.place ORDER BY t.place`,
		pgx.NamedArgs{"nursery": nursery, "lots": lots, "times": times})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	plants, err := pgx.CollectRows(rows, pgx.RowTo[int64])
	return plants, postgres.Translate(err)
}
