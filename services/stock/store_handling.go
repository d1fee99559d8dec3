package stock

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

const handlingColumns = `h.id, h.worker, h.tool_set, h.disinfected_between, h.crate, h.work, h.start_time, h.end_time, h.person, h.create_time,
	ARRAY(SELECT l.lot FROM stock.handling_lot l WHERE l.nursery = h.nursery AND l.handling = h.id ORDER BY l.position)`

func scanHandling(row pgx.CollectableRow) (Handling, error) {
	var h Handling
	err := row.Scan(&h.ID, &h.Worker, &h.ToolSet, &h.Disinfected, &h.Crate, &h.Work, &h.Start, &h.End, &h.Person, &h.CreateTime, &h.Lots)
	h.Start, h.End, h.CreateTime = h.Start.UTC(), h.End.UTC(), h.CreateTime.UTC()
	return h, err
}

func insertHandling(ctx context.Context, tx pgx.Tx, nursery string, h Handling) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO stock.handling (nursery, id, worker, tool_set, disinfected_between, crate, work, start_time, end_time, person, create_time)
		VALUES (@nursery, @id, @worker, @tool_set, @disinfected, @crate, @work, @start, @end, @person, @create_time)`,
		pgx.NamedArgs{"nursery": nursery, "id": h.ID, "worker": h.Worker, "tool_set": h.ToolSet, "disinfected": h.Disinfected,
			"crate": h.Crate, "work": h.Work, "start": h.Start, "end": h.End, "person": h.Person, "create_time": h.CreateTime})
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO stock.handling_lot (nursery, handling, position, lot)
		SELECT $1, $2, place - 1, lot FROM unnest($3::text[]) WITH ORDINALITY AS l (lot, place)`, nursery, h.ID, h.Lots)
	return err
}

// listHandlings returns handlings, newest first, from one on; an empty lot means
// those of all.
func listHandlings(ctx context.Context, r postgres.Reader, nursery, lot string, before handlingKey, limit int) ([]Handling, error) {
	ofLot := ""
	if lot != "" { // a condition of its own, so that the database begins with the lot's
		ofLot = ` AND h.id IN (SELECT l.handling FROM stock.handling_lot l WHERE l.nursery = @nursery AND l.lot = @lot)`
	}
	rows, err := r.Query(ctx, `
		SELECT `+handlingColumns+` FROM stock.handling h
		WHERE h.nursery = @nursery AND (h.start_time, h.id COLLATE "C") < (@start, @id)`+ofLot+`
		ORDER BY h.start_time DESC, h.id COLLATE "C" DESC LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "lot": lot, "start": before.start, "id": before.id, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	handlings, err := pgx.CollectRows(rows, scanHandling)
	return handlings, postgres.Translate(err)
}

// ReadHandlings returns the handlings that began or ended between two times, both
// included, oldest first.
func ReadHandlings(ctx context.Context, r postgres.Reader, nursery string, from, until time.Time) ([]Handling, error) {
	rows, err := r.Query(ctx, `
		SELECT `+handlingColumns+` FROM stock.handling h
		WHERE h.nursery = @nursery AND h.start_time <= @until AND h.start_time >= @from::timestamptz - interval '24 hours' AND h.end_time >= @from
		ORDER BY h.start_time, h.id COLLATE "C"`,
		pgx.NamedArgs{"nursery": nursery, "from": from, "until": until})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	handlings, err := pgx.CollectRows(rows, scanHandling)
	return handlings, postgres.Translate(err)
}
