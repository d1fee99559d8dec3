package identity

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
)

const selectQualification = `
	SELECT nursery, person, id, kind, to_char(date, 'YYYY-MM-DD'), coalesce(to_char(end_date, 'YYYY-MM-DD'), ''), description, provider,
		recorder, create_time, coalesce(void_reason, ''), coalesce(voider, ''), void_time
	FROM identity.qualification`

func scanQualification(row pgx.Row) (qualificationRow, error) {
	var q qualificationRow
	var kind string
	var voided *time.Time
	err := row.Scan(&q.nursery, &q.person, &q.id, &kind, &q.Date, &q.EndDate, &q.Description, &q.Provider,
		&q.recorder, &q.createTime, &q.voidReason, &q.voider, &voided)
	q.Kind = kindOf(kind)
	if voided != nil {
		q.voidTime = *voided
	}
	return q, err
}

func insertQualification(ctx context.Context, tx pgx.Tx, q qualificationRow) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO identity.qualification (nursery, person, id, kind, date, end_date, description, provider, recorder, create_time)
		VALUES (@nursery, @person, @id, @kind, @date::text::date, nullif(@end_date::text, '')::date, @description, @provider, @recorder, @create_time)`,
		pgx.NamedArgs{"nursery": q.nursery, "person": q.person, "id": q.id, "kind": storedKind(q.Kind), "date": q.Date, "end_date": q.EndDate,
			"description": q.Description, "provider": q.Provider, "recorder": q.recorder, "create_time": q.createTime})
	return err
}

// lockQualification reads a qualification for a change, or returns a NotFound fault.
func lockQualification(ctx context.Context, tx pgx.Tx, nursery, person, id string) (qualificationRow, error) {
	q, err := scanQualification(tx.QueryRow(ctx, selectQualification+` WHERE nursery = $1 AND person = $2 AND id = $3`+forUpdate, nursery, person, id))
	if postgres.NoRows(err) {
		return qualificationRow{}, fault.Missing("qualification", qualificationName(nursery, person, id))
	}
	return q, postgres.Translate(err)
}

func voidQualification(ctx context.Context, tx pgx.Tx, q qualificationRow) error {
	_, err := tx.Exec(ctx, `
		UPDATE identity.qualification SET void_reason = $4, voider = $5, void_time = $6 WHERE nursery = $1 AND person = $2 AND id = $3`,
		q.nursery, q.person, q.id, q.voidReason, q.voider, q.voidTime)
	return err
}

// listQualifications returns up to limit qualifications that were entered before a mark,
// the newest first; of one person, or of everybody when it is empty.
func listQualifications(ctx context.Context, r postgres.Reader, nursery, person string, before *time.Time, beforeID string, limit int) ([]qualificationRow, error) {
	query := selectQualification + ` WHERE nursery = @nursery`
	if person != "" {
		query += ` AND person = @person`
	}
	if before != nil {
		query += ` AND (create_time, id) < (@before, @before_id)`
	}
	rows, err := r.Query(ctx, query+` ORDER BY create_time DESC, id DESC LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "person": person, "before": before, "before_id": beforeID, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (qualificationRow, error) { return scanQualification(row) })
	return found, postgres.Translate(err)
}
