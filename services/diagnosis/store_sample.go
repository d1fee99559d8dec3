package diagnosis

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// sampleRow is a sample as it is kept. What has not come yet is nil or empty.
type sampleRow struct {
	nursery, id string
	inspection  string
	test        string
	organs      []string
	plants      int64
	laboratory  string
	reference   string
	sendTime    time.Time
	note        string
	sender      string
	createTime  time.Time
	receiveTime *time.Time
	outcome     string
	disorder    string
	report      string
	reportTime  *time.Time
	reporter    string
}

const selectSample = `
	SELECT s.nursery, s.id, s.inspection, s.test, s.organs, s.plants, s.laboratory, coalesce(s.reference, ''), s.send_time, s.note,
		s.sender, s.create_time, s.receive_time, coalesce(s.outcome, ''), coalesce(s.disorder, ''), coalesce(s.report, ''),
		s.report_time, coalesce(s.reporter, '')
	FROM diagnosis.sample s`

func scanSample(row pgx.Row) (sampleRow, error) {
	var s sampleRow
	err := row.Scan(&s.nursery, &s.id, &s.inspection, &s.test, &s.organs, &s.plants, &s.laboratory, &s.reference, &s.sendTime, &s.note,
		&s.sender, &s.createTime, &s.receiveTime, &s.outcome, &s.disorder, &s.report, &s.reportTime, &s.reporter)
	return s, err
}

// forUpdate locks the row of a query; other tables may go on referring to it.
const forUpdate = ` FOR NO KEY UPDATE`

func readSample(ctx context.Context, r postgres.Reader, nursery, id, lock string) (sampleRow, error) {
	row, err := scanSample(r.QueryRow(ctx, selectSample+` WHERE s.nursery = $1 AND s.id = $2`+lock, nursery, id))
	if postgres.NoRows(err) {
		return sampleRow{}, fault.Missing("sample", sampleName(nursery, id))
	}
	return row, postgres.Translate(err)
}

func querySamples(ctx context.Context, r postgres.Reader, query string, args pgx.NamedArgs) ([]sampleRow, error) {
	rows, err := r.Query(ctx, selectSample+query, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	samples, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (sampleRow, error) { return scanSample(row) })
	return samples, postgres.Translate(err)
}

// readSamples returns the samples with some ids, in the order of the ids. A NotFound
// fault names the first that there is not.
func readSamples(ctx context.Context, r postgres.Reader, nursery string, ids []string) ([]sampleRow, error) {
	samples := make([]sampleRow, len(ids))
	for i, id := range ids {
		var err error
		if samples[i], err = readSample(ctx, r, nursery, id, ""); err != nil {
			return nil, err
		}
	}
	return samples, nil
}

// readReported returns the samples of some inspections whose result is there, the
// oldest result first.
func readReported(ctx context.Context, r postgres.Reader, nursery string, inspections []string) ([]sampleRow, error) {
	return querySamples(ctx, r, `
		WHERE s.nursery = @nursery AND s.inspection = ANY(@inspections::text[]) AND s.outcome IS NOT NULL
		ORDER BY s.report_time, s.id`, pgx.NamedArgs{"nursery": nursery, "inspections": inspections})
}

// listSamples returns up to limit samples before a mark, newest first, of one
// inspection when it is not empty.
func listSamples(ctx context.Context, r postgres.Reader, nursery, inspection string, before *mark, limit int) ([]sampleRow, error) {
	query, args := ` WHERE s.nursery = @nursery`, pgx.NamedArgs{"nursery": nursery, "limit": limit}
	if inspection != "" {
		query += ` AND s.inspection = @inspection`
		args["inspection"] = inspection
	}
	if before != nil {
		query += ` AND (s.send_time, s.id) < (@time, @id)`
		args["time"], args["id"] = before.time, before.id
	}
	return querySamples(ctx, r, query+` ORDER BY s.send_time DESC, s.id DESC LIMIT @limit`, args)
}

func insertSample(ctx context.Context, tx pgx.Tx, s sampleRow) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO diagnosis.sample (nursery, id, inspection, test, organs, plants, laboratory, reference, send_time, note, sender, create_time)
		VALUES (@nursery, @id, @inspection, @test, @organs, @plants, @laboratory, nullif(@reference, ''), @send_time, @note, @sender, @create_time)`,
		pgx.NamedArgs{"nursery": s.nursery, "id": s.id, "inspection": s.inspection, "test": s.test, "organs": s.organs, "plants": s.plants,
			"laboratory": s.laboratory, "reference": s.reference, "send_time": s.sendTime, "note": s.note, "sender": s.sender, "create_time": s.createTime})
	return err
}

func updateReceipt(ctx context.Context, tx pgx.Tx, s sampleRow, receiver string) error {
	_, err := tx.Exec(ctx, `
		UPDATE diagnosis.sample SET receive_time = @receive_time, receiver = @receiver, reference = nullif(@reference, '')
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": s.nursery, "id": s.id, "receive_time": s.receiveTime, "receiver": receiver, "reference": s.reference})
	return err
}

func updateResult(ctx context.Context, tx pgx.Tx, s sampleRow) error {
	_, err := tx.Exec(ctx, `
		UPDATE diagnosis.sample
		SET outcome = @outcome, disorder = @disorder, report = @report, report_time = @report_time, reporter = @reporter
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{"nursery": s.nursery, "id": s.id, "outcome": s.outcome, "disorder": s.disorder, "report": s.report,
			"report_time": s.reportTime, "reporter": s.reporter})
	return err
}
