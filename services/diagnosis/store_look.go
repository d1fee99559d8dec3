package diagnosis

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadOnset returns when the first of the inspections was made that a diagnosis
// rests on, UTC.
func ReadOnset(ctx context.Context, r postgres.Reader, nursery, diagnosis string) (time.Time, error) {
	var onset *time.Time
	err := r.QueryRow(ctx, `
		SELECT min(i.inspect_time) FROM diagnosis.ground g
		JOIN diagnosis.inspection i ON i.nursery = g.nursery AND i.id = g.inspection
		WHERE g.nursery = $1 AND g.diagnosis = $2`, nursery, diagnosis).Scan(&onset)
	if err != nil || onset == nil {
		return time.Time{}, postgres.Translate(err)
	}
	return onset.UTC(), nil
}

// LastLook is when plants on a place were last inspected.
type LastLook struct {
	// Lot is the lot's id; empty when a whole bench was inspected.
	Lot string
	// House and Bench are the ids of the bench; empty when a lot was inspected.
	House, Bench string
	// Time of the inspection, UTC.
	Time time.Time
}

// ReadLastLooks returns the last inspection of every lot and bench until a moment.
func ReadLastLooks(ctx context.Context, r postgres.Reader, nursery string, until time.Time) ([]LastLook, error) {
	rows, err := r.Query(ctx, `
		SELECT coalesce(lot, ''), coalesce(house, ''), coalesce(bench, ''), max(inspect_time) FROM diagnosis.inspection
		WHERE nursery = $1 AND inspect_time <= $2 GROUP BY lot, house, bench`, nursery, until)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	looks, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (LastLook, error) {
		var l LastLook
		err := row.Scan(&l.Lot, &l.House, &l.Bench, &l.Time)
		l.Time = l.Time.UTC()
		return l, err
	})
	return looks, postgres.Translate(err)
}
