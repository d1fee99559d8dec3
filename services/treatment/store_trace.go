package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/services/stock/tracing"
)

// readStepsAtPlants returns the confirmed steps between two moments as work of who
// did them on the lots of the case. Their tools are not on record.
func readStepsAtPlants(ctx context.Context, r postgres.Reader, nursery string, from, until time.Time) ([]tracing.Handling, error) {
	rows, err := r.Query(ctx, `
		SELECT e.program, e.sequence, e.step, e.person, e.confirmation, p.state, ARRAY(
			SELECT l.lot FROM treatment.outbreak_lot l
			WHERE l.nursery = p.nursery AND l.outbreak = p.outbreak AND (l.left_time IS NULL OR l.left_time >= e.event_time)
			  AND (l.joined <= e.event_time OR l.joined = (
				SELECT min(m.joined) FROM treatment.outbreak_lot m WHERE m.nursery = p.nursery AND m.outbreak = p.outbreak))
			ORDER BY l.lot)
		FROM treatment.program_event e
		JOIN treatment.program p ON p.nursery = e.nursery AND p.id = e.program
		WHERE e.nursery = @nursery AND e.kind = @kind AND e.event_time >= @from AND e.event_time <= @until
		ORDER BY e.program, e.sequence`,
		pgx.NamedArgs{"nursery": nursery, "kind": string(EventStepConfirmed), "from": from, "until": until})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	var handlings []tracing.Handling
	var program, step, person string
	var sequence int64
	var confirmation, state []byte
	var lots []string
	_, err = pgx.ForEachRow(rows, []any{&program, &sequence, &step, &person, &confirmation, &state, &lots}, func() error {
		h, touched, err := stepAtPlants(step, person, confirmation, state)
		if err != nil || !touched {
			return err
		}
		h.ID, h.Lots = fmt.Sprintf("%s#%d", program, sequence), slices.Clone(lots)
		handlings = append(handlings, h)
		return nil
	})
	return handlings, postgres.Translate(err)
}

// readStepLooks calls see with each lot and when it was last inspected as a step of a
// program before a moment.
func readStepLooks(ctx context.Context, r postgres.Reader, nursery string, end time.Time, see func(lot string, at time.Time)) error {
	rows, err := r.Query(ctx, `
		SELECT l.lot, max(e.event_time)
		FROM treatment.program_event e
		JOIN treatment.program p ON p.nursery = e.nursery AND p.id = e.program
		JOIN treatment.outbreak_lot l ON l.nursery = p.nursery AND l.outbreak = p.outbreak
			AND (l.left_time IS NULL OR l.left_time >= e.event_time)
		WHERE e.nursery = @nursery AND e.kind = @kind AND e.confirmation -> 'inspection' IS NOT NULL AND e.event_time < @end
		GROUP BY l.lot`, pgx.NamedArgs{"nursery": nursery, "kind": string(EventStepConfirmed), "end": end})
	if err != nil {
		return postgres.Translate(err)
	}
	var lot string
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&lot, &at}, func() error {
		see(lot, at.UTC())
		return nil
	})
	return postgres.Translate(err)
}

// readOpenOutbreaks returns the cases of a nursery that have not ended, in the order
// in which they were opened.
func readOpenOutbreaks(ctx context.Context, r postgres.Reader, nursery string) ([]*outbreak, error) {
	rows, err := r.Query(ctx, `
		SELECT `+outbreakColumns+` FROM treatment.outbreak o
		WHERE o.nursery = $1 AND o.state IN ('OPEN', 'IN_PROGRAM') ORDER BY o.number`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	open, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*outbreak, error) { return scanOutbreak(row) })
	return open, postgres.Translate(err)
}

// readClosed returns when the last lot left a case that has ended; the zero time for
// one that goes on.
func readClosed(ctx context.Context, r postgres.Reader, o *outbreak) (time.Time, error) {
	if o.state == treatmentv1.CaseState_CASE_STATE_OPEN || o.state == treatmentv1.CaseState_CASE_STATE_IN_PROGRAM {
		return time.Time{}, nil
	}
	var closed *time.Time
	err := r.QueryRow(ctx, `SELECT max(left_time) FROM treatment.outbreak_lot WHERE nursery = $1 AND outbreak = $2`, o.nursery, o.id).Scan(&closed)
	if err != nil || closed == nil {
		return time.Time{}, postgres.Translate(err)
	}
	return closed.UTC(), nil
}
