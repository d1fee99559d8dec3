package diagnosis

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc"
)

// urgency sorts duties: those of which the authority must still be told, then those
// it was told of, then those that ended.
const urgency = `(CASE WHEN d.end_time IS NOT NULL THEN 2 WHEN d.notify_time IS NOT NULL THEN 1 ELSE 0 END)`

// urgencyOf is urgency of a state.
var urgencyOf = map[diagnosisv1.DutyState]int{
	diagnosisv1.DutyState_DUTY_STATE_OPEN: 0, diagnosisv1.DutyState_DUTY_STATE_NOTIFIED: 1, diagnosisv1.DutyState_DUTY_STATE_ENDED: 2,
}

const selectDuty = `
	SELECT d.nursery, d.id, d.pest, d.disorder, coalesce(d.diagnosis, ''), d.demand, d.authority, d.source, d.no_masking,
		d.suspect_time, d.notify_by_time, d.raiser, d.create_time, d.notify_time, coalesce(d.notifier, ''), coalesce(d.reference, ''),
		d.end_time, coalesce(d.ender, ''), coalesce(d.end_grounds, ''),
		ARRAY(SELECT l.lot FROM diagnosis.duty_lot l WHERE l.nursery = d.nursery AND l.duty = d.id ORDER BY l.position),
		ARRAY(SELECT i.inspection FROM diagnosis.duty_inspection i WHERE i.nursery = d.nursery AND i.duty = d.id ORDER BY i.position),
		EXISTS (SELECT FROM diagnosis.diagnosis_duty c WHERE c.nursery = d.nursery AND c.duty = d.id)
	FROM diagnosis.duty d`

func scanDuty(row pgx.Row) (dutyRow, error) {
	var d dutyRow
	err := row.Scan(&d.nursery, &d.id, &d.pest, &d.disorder, &d.diagnosis, &d.demand, &d.authority, &d.source, &d.noMasking,
		&d.suspectTime, &d.notifyByTime, &d.raiser, &d.createTime, &d.notifyTime, &d.notifier, &d.reference,
		&d.endTime, &d.ender, &d.endGrounds, &d.lots, &d.inspections, &d.confirmed)
	return d, err
}

// lockDuty reads a duty and keeps others from changing it until the transaction ends.
// It is read after that: a statement that waits for a lock does not see what was
// written about the duty elsewhere meanwhile, as that a diagnosis rests on it.
func lockDuty(ctx context.Context, tx pgx.Tx, nursery, id string) (dutyRow, error) {
	_, err := tx.Exec(ctx, `SELECT FROM diagnosis.duty WHERE nursery = $1 AND id = $2`+forUpdate, nursery, id)
	if err != nil {
		return dutyRow{}, err
	}
	return readDuty(ctx, tx, nursery, id)
}

func readDuty(ctx context.Context, r postgres.Reader, nursery, id string) (dutyRow, error) {
	row, err := scanDuty(r.QueryRow(ctx, selectDuty+` WHERE d.nursery = $1 AND d.id = $2`, nursery, id))
	if postgres.NoRows(err) {
		return dutyRow{}, fault.Missing("duty", dutyName(nursery, id))
	}
	return row, postgres.Translate(err)
}

// dutyMark is where a listing of duties goes on.
type dutyMark struct {
	urgency  int
	notifyBy time.Time
	id       string
}

func (d dutyRow) mark() dutyMark { return dutyMark{urgencyOf[d.state()], d.notifyByTime, d.id} }

func (m dutyMark) keys() []string {
	return []string{strconv.Itoa(m.urgency), m.notifyBy.Format(time.RFC3339Nano), m.id}
}

func dutyMarkOf(page rpc.Page) (*dutyMark, error) {
	if page.After == nil {
		return nil, nil
	}
	urgency, err := strconv.Atoi(page.After[0])
	if err != nil {
		return nil, rpc.BadToken().Because(err)
	}
	notifyBy, err := time.Parse(time.RFC3339Nano, page.After[1])
	if err != nil {
		return nil, rpc.BadToken().Because(err)
	}
	return &dutyMark{urgency: urgency, notifyBy: notifyBy, id: page.After[2]}, nil
}

// listDuties returns up to limit duties after a mark, the most urgent first, in one
// state unless it is not said.
func listDuties(ctx context.Context, r postgres.Reader, nursery string, state diagnosisv1.DutyState, after *dutyMark, limit int) ([]dutyRow, error) {
	query, args := selectDuty+` WHERE d.nursery = @nursery`, pgx.NamedArgs{"nursery": nursery, "limit": limit}
	if state != diagnosisv1.DutyState_DUTY_STATE_UNSPECIFIED {
		query += ` AND ` + urgency + ` = @urgency`
		args["urgency"] = urgencyOf[state]
	}
	if after != nil {
		query += ` AND (` + urgency + `, d.notify_by_time, d.id) > (@after_urgency, @after_time, @after_id)`
		args["after_urgency"], args["after_time"], args["after_id"] = after.urgency, after.notifyBy, after.id
	}
	rows, err := r.Query(ctx, query+` ORDER BY `+urgency+`, d.notify_by_time, d.id LIMIT @limit`, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	duties, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (dutyRow, error) { return scanDuty(row) })
	return duties, postgres.Translate(err)
}

// lockOpenDuties returns the duties that have not ended for a pest and hold any of
// some lots, and keeps others from changing them until the transaction ends.
func lockOpenDuties(ctx context.Context, tx pgx.Tx, nursery, pest string, lots []string) ([]dutyRow, error) {
	rows, err := tx.Query(ctx, selectDuty+`
		WHERE d.nursery = @nursery AND d.pest = @pest AND d.end_time IS NULL AND EXISTS (
			SELECT FROM diagnosis.duty_lot l WHERE l.nursery = d.nursery AND l.duty = d.id AND l.lot = ANY(@lots::text[]))
		ORDER BY d.notify_by_time, d.id FOR NO KEY UPDATE OF d`, pgx.NamedArgs{"nursery": nursery, "pest": pest, "lots": slices.Clone(lots)})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	duties, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (dutyRow, error) { return scanDuty(row) })
	return duties, postgres.Translate(err)
}

func insertDuty(ctx context.Context, tx pgx.Tx, d dutyRow) error {
	args := pgx.NamedArgs{"nursery": d.nursery, "id": d.id, "pest": d.pest, "disorder": d.disorder, "diagnosis": d.diagnosis, "demand": d.demand,
		"authority": d.authority, "source": d.source, "no_masking": d.noMasking, "suspect_time": d.suspectTime,
		"notify_by_time": d.notifyByTime, "raiser": d.raiser, "create_time": d.createTime, "lots": d.lots, "inspections": d.inspections}
	for _, statement := range []string{`
		INSERT INTO diagnosis.duty (nursery, id, pest, disorder, diagnosis, demand, authority, source, no_masking, suspect_time, notify_by_time, raiser, create_time)
		VALUES (@nursery, @id, @pest, @disorder, nullif(@diagnosis, ''), @demand, @authority, @source, @no_masking, @suspect_time, @notify_by_time, @raiser, @create_time)`, `
		INSERT INTO diagnosis.duty_lot (nursery, duty, position, lot)
		SELECT @nursery, @id, position, lot FROM unnest(@lots::text[]) WITH ORDINALITY AS l (lot, position)`, `
		INSERT INTO diagnosis.duty_inspection (nursery, duty, position, inspection)
		SELECT @nursery, @id, position, inspection FROM unnest(@inspections::text[]) WITH ORDINALITY AS i (inspection, position)`,
	} {
		if _, err := tx.Exec(ctx, statement, args); err != nil {
			return err
		}
	}
	return nil
}

func updateNotification(ctx context.Context, tx pgx.Tx, d dutyRow) error {
	_, err := tx.Exec(ctx, `
		UPDATE diagnosis.duty SET notify_time = @time, notifier = @notifier, reference = @reference
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": d.nursery, "id": d.id, "time": d.notifyTime, "notifier": d.notifier, "reference": d.reference})
	return err
}

func updateEnd(ctx context.Context, tx pgx.Tx, d dutyRow) error {
	_, err := tx.Exec(ctx, `
		UPDATE diagnosis.duty SET end_time = @time, ender = @ender, end_grounds = @grounds
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": d.nursery, "id": d.id, "time": d.endTime, "ender": d.ender, "grounds": d.endGrounds})
	return err
}
