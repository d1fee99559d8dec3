package stock

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

const lotColumns = `id, botanical_name, eppo_code, cultivar, container, growth_stage_bbch, coalesce(unit_value::text, ''),
	currency_code, house, bench, origin, plants, holding_case, version, create_time,
	ARRAY(SELECT r.duty FROM stock.restriction r WHERE r.nursery = lot.nursery AND r.lot = lot.id AND r.end_time IS NULL)`

func scanLot(row pgx.CollectableRow) (Lot, error) {
	var l Lot
	err := row.Scan(&l.ID, &l.BotanicalName, &l.EPPOCode, &l.Cultivar, &l.Container, &l.GrowthStage, &l.UnitValue.Amount,
		&l.UnitValue.Currency, &l.House, &l.Bench, &l.Origin, &l.Plants, &l.HoldingCase, &l.Version, &l.CreateTime,
		&l.OfficialHolds)
	slices.Sort(l.OfficialHolds)
	l.CreateTime = l.CreateTime.UTC()
	return l, err
}

// lockLots reads lots and keeps others from changing them until the transaction
// ends. Locks are taken in the order of ids, so that transactions over the same
// lots wait for each other instead of deadlocking. The lock leaves room for rows
// elsewhere that refer to the lots. They are read after that: a statement that
// waits for a lock sees the lot as it is then, but not what was written about it
// elsewhere meanwhile.
func lockLots(ctx context.Context, tx pgx.Tx, nursery string, ids ...string) ([]Lot, error) {
	_, err := tx.Exec(ctx, `
		SELECT FROM stock.lot WHERE nursery = $1 AND id = ANY($2) ORDER BY id COLLATE "C" FOR NO KEY UPDATE`, nursery, ids)
	if err != nil {
		return nil, err
	}
	return ReadLots(ctx, tx, nursery, ids)
}

func unitValueOrNull(m Money) any {
	if m == (Money{}) {
		return nil
	}
	return m.Amount
}

// insertLot adds a lot without plants, at version 0: its first event fills it and
// makes it version 1.
func insertLot(ctx context.Context, tx pgx.Tx, nursery string, l Lot) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO stock.lot (nursery, id, botanical_name, eppo_code, cultivar, container, growth_stage_bbch, unit_value,
			currency_code, origin, house, bench, plants, holding_case, version, create_time)
		VALUES (@nursery, @id, @botanical_name, @eppo_code, @cultivar, @container, @growth_stage, @unit_value::text::numeric,
			@currency, @origin, @house, @bench, 0, @holding_case, 0, @create_time)`,
		pgx.NamedArgs{"nursery": nursery, "id": l.ID, "botanical_name": l.BotanicalName, "eppo_code": l.EPPOCode,
			"cultivar": l.Cultivar, "container": l.Container, "growth_stage": l.GrowthStage,
			"unit_value": unitValueOrNull(l.UnitValue), "currency": l.UnitValue.Currency, "origin": string(l.Origin),
			"house": l.House, "bench": l.Bench, "holding_case": l.HoldingCase, "create_time": l.CreateTime})
	if postgres.Violates(err, "lot_pk") {
		return exists("lot", lotName(nursery, l.ID))
	}
	return err
}

func updateLot(ctx context.Context, tx pgx.Tx, nursery string, l Lot) error {
	_, err := tx.Exec(ctx, `
		UPDATE stock.lot SET botanical_name = @botanical_name, eppo_code = @eppo_code, cultivar = @cultivar,
			container = @container, growth_stage_bbch = @growth_stage, unit_value = @unit_value::text::numeric,
			currency_code = @currency, version = version + 1
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": nursery, "id": l.ID, "botanical_name": l.BotanicalName, "eppo_code": l.EPPOCode,
			"cultivar": l.Cultivar, "container": l.Container, "growth_stage": l.GrowthStage,
			"unit_value": unitValueOrNull(l.UnitValue), "currency": l.UnitValue.Currency})
	return err
}

// setHoldingCase writes which case holds a lot; empty frees it.
func setHoldingCase(ctx context.Context, tx pgx.Tx, nursery, lot, holdingCase string) error {
	_, err := tx.Exec(ctx, `UPDATE stock.lot SET holding_case = $3, version = version + 1 WHERE nursery = $1 AND id = $2`,
		nursery, lot, holdingCase)
	return err
}

// heldBeside returns the ids of the lots that a case holds, but for those known.
func heldBeside(ctx context.Context, r postgres.Reader, nursery, holdingCase string, known []string) ([]string, error) {
	rows, err := r.Query(ctx, `
		SELECT id FROM stock.lot WHERE nursery = $1 AND holding_case = $2 AND holding_case <> '' AND NOT id = ANY($3)`,
		nursery, holdingCase, known)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// partsBeside returns the ids of the lots that were split off those known and are
// held by the same case.
func partsBeside(ctx context.Context, r postgres.Reader, nursery string, known []string) ([]string, error) {
	rows, err := r.Query(ctx, `
		SELECT DISTINCT part.id
		FROM stock.lot source
		JOIN stock.lot_event e ON e.nursery = source.nursery AND e.lot = source.id AND e.kind = 'TRANSFERRED_OUT'
		JOIN stock.lot part ON part.nursery = e.nursery AND part.id = e.other_lot AND part.holding_case = source.holding_case
		WHERE source.nursery = $1 AND source.id = ANY($2) AND source.holding_case <> '' AND NOT part.id = ANY($2)`,
		nursery, known)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// lotFilter says which lots a listing wants; empty fields want all.
type lotFilter struct {
	place        place
	query        string
	includeEmpty bool
}

// listLots returns lots by id in byte order, after one of them.
func listLots(ctx context.Context, r postgres.Reader, nursery string, filter lotFilter, after string, limit int) ([]Lot, error) {
	rows, err := r.Query(ctx, `
		SELECT `+lotColumns+` FROM stock.lot
		WHERE nursery = @nursery AND id COLLATE "C" > @after
		  AND (@house = '' OR house = @house) AND (@bench = '' OR bench = @bench)
		  AND (@include_empty OR plants > 0)
		  AND (@query = '' OR strpos(lower(id), lower(@query)) > 0 OR strpos(lower(botanical_name), lower(@query)) > 0
			OR strpos(lower(cultivar), lower(@query)) > 0)
		ORDER BY id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "house": filter.place.house, "bench": filter.place.bench,
			"include_empty": filter.includeEmpty, "query": filter.query, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	lots, err := pgx.CollectRows(rows, scanLot)
	return lots, postgres.Translate(err)
}

// lotEvent is one change of a lot's plants or place.
type lotEvent struct {
	id       int64
	lot      string
	kind     string
	plants   int64
	place    place
	transfer *uuid.UUID
	otherLot string
	note     string
	person   string
	time     time.Time
}

// Kinds of event, as stored: the contract's names without their prefix.
const (
	kindMoved          = "MOVED"
	kindTransferredOut = "TRANSFERRED_OUT"
	kindTransferredIn  = "TRANSFERRED_IN"
	kindDisposed       = "DISPOSED"
	kindSold           = "SOLD"
)

const kindPrefix = "LOT_EVENT_KIND_"

// enter adds events and changes the lots that they are about: the plants by the
// event's, the place to the event's. The caller has locked the lots.
func enter(ctx context.Context, tx pgx.Tx, nursery string, events ...lotEvent) error {
	batch := &pgx.Batch{}
	for _, e := range events {
		args := pgx.NamedArgs{"nursery": nursery, "lot": e.lot, "kind": e.kind, "plants": e.plants, "house": e.place.house,
			"bench": e.place.bench, "transfer": e.transfer, "other_lot": e.otherLot, "note": e.note, "person": e.person, "time": e.time}
		batch.Queue(`
			INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, transfer, other_lot, note, person, event_time)
			VALUES (@nursery, @lot, @kind, @plants, @house, @bench, @transfer, nullif(@other_lot, ''), @note, @person, @time)`, args)
		batch.Queue(`
			UPDATE stock.lot SET plants = plants + @plants, house = @house, bench = @bench, version = version + 1
			WHERE nursery = @nursery AND id = @lot`, args)
	}
	return tx.SendBatch(ctx, batch).Close()
}

// listLotEvents returns what happened to a lot, oldest first, after an event.
func listLotEvents(ctx context.Context, r postgres.Reader, nursery, lot string, after eventKey, limit int) ([]lotEvent, error) {
	rows, err := r.Query(ctx, `
		SELECT id, lot, kind, plants, house, bench, coalesce(other_lot, ''), note, person, event_time
		FROM stock.lot_event
		WHERE nursery = @nursery AND lot = @lot AND (event_time, id) > (@after_time, @after_id)
		ORDER BY event_time, id LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "lot": lot, "after_time": after.time, "after_id": after.id, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	events, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (lotEvent, error) {
		var e lotEvent
		err := row.Scan(&e.id, &e.lot, &e.kind, &e.plants, &e.place.house, &e.place.bench, &e.otherLot, &e.note, &e.person, &e.time)
		e.time = e.time.UTC()
		return e, err
	})
	return events, postgres.Translate(err)
}

// countPlants sums a nursery's events and lots.
func countPlants(ctx context.Context, r postgres.Reader, nursery string) (started, received, disposed, sold, onHand int64, err error) {
	err = r.QueryRow(ctx, `
		SELECT coalesce(sum(plants) FILTER (WHERE kind = 'STARTED'), 0)::bigint,
			coalesce(sum(plants) FILTER (WHERE kind = 'RECEIVED'), 0)::bigint,
			coalesce(-sum(plants) FILTER (WHERE kind = 'DISPOSED'), 0)::bigint,
			coalesce(-sum(plants) FILTER (WHERE kind = 'SOLD'), 0)::bigint,
			(SELECT coalesce(sum(plants), 0)::bigint FROM stock.lot WHERE nursery = $1)
		FROM stock.lot_event WHERE nursery = $1`, nursery).
		Scan(&started, &received, &disposed, &sold, &onHand)
	return started, received, disposed, sold, onHand, err
}
