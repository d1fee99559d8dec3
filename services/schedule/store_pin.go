package schedule

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

const selectPins = `
	SELECT job, start_time, person, sprayer, note, pinner, create_time FROM schedule.pin WHERE nursery = @nursery`

func scanPin(row pgx.CollectableRow) (keptPin, error) {
	var (
		pin             keptPin
		start           *time.Time
		person, sprayer *string
	)
	err := row.Scan(&pin.Job, &start, &person, &sprayer, &pin.note, &pin.pinner, &pin.created)
	pin.Start, pin.Person, pin.Sprayer = moment(start), text(person), text(sprayer)
	return pin, err
}

func queryPins(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]keptPin, error) {
	rows, err := r.Query(ctx, selectPins+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	pins, err := pgx.CollectRows(rows, scanPin)
	return pins, postgres.Translate(err)
}

// readPins returns what a manager fixed, by job. People and sprayers are ids.
func readPins(ctx context.Context, r postgres.Reader, nursery string) ([]Pin, error) {
	rows, err := queryPins(ctx, r, ` ORDER BY job COLLATE "C"`, pgx.NamedArgs{"nursery": nursery})
	if err != nil {
		return nil, err
	}
	pins := make([]Pin, len(rows))
	for i, row := range rows {
		pins[i] = row.Pin
	}
	return pins, nil
}

func listPins(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]keptPin, error) {
	return queryPins(ctx, r, ` AND job COLLATE "C" > @after ORDER BY job COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

// setPin keeps a pin in place of the one that its job had.
func setPin(ctx context.Context, tx pgx.Tx, nursery string, pin keptPin) error {
	var start *time.Time
	if !pin.Start.IsZero() {
		start = &pin.Start
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO schedule.pin (nursery, job, start_time, person, sprayer, note, pinner, create_time)
		VALUES (@nursery, @job, @start_time, @person, @sprayer, @note, @pinner, @create_time)
		ON CONFLICT ON CONSTRAINT pin_pk DO UPDATE SET start_time = @start_time, person = @person, sprayer = @sprayer,
			note = @note, pinner = @pinner, create_time = @create_time`,
		pgx.NamedArgs{
			"nursery": nursery, "job": pin.Job, "start_time": start, "person": orNull(pin.Person), "sprayer": orNull(pin.Sprayer),
			"note": pin.note, "pinner": pin.pinner, "create_time": pin.created,
		})
	return err
}

// removePin ends a pin and returns it; false when the job had none.
func removePin(ctx context.Context, tx pgx.Tx, nursery, job string) (keptPin, bool, error) {
	rows, err := tx.Query(ctx, `
		DELETE FROM schedule.pin WHERE nursery = @nursery AND job = @job
		RETURNING job, start_time, person, sprayer, note, pinner, create_time`, pgx.NamedArgs{"nursery": nursery, "job": job})
	if err != nil {
		return keptPin{}, false, err
	}
	pins, err := pgx.CollectRows(rows, scanPin)
	if err != nil || len(pins) == 0 {
		return keptPin{}, false, err
	}
	return pins[0], true, nil
}
