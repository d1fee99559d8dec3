package records

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/resource"
)

// dutyDone is that something that was due was done.
type dutyDone struct {
	number          int64
	month, deadline string
	// application is its resource name; empty for a report of the month.
	application                string
	at                         time.Time
	recipient, reference, note string
	// person is the id of who recorded it.
	person   string
	recorded time.Time
}

func dutyRecordName(nursery string, number int64) string {
	return resource.Of("nurseries", nursery, "dutyRecords", strconv.FormatInt(number, 10))
}

func (d dutyDone) contract(nursery string) *recordsv1.DutyRecord {
	return &recordsv1.DutyRecord{
		Name: dutyRecordName(nursery, d.number), Month: d.month, Deadline: d.deadline, Application: d.application, DoneTime: timestamppb.New(d.at),
		Recipient: d.recipient, Reference: d.reference, Note: d.note,
		Person: resource.Of("nurseries", nursery, "people", d.person), CreateTime: timestamppb.New(d.recorded),
	}
}

// readDone returns what was recorded of a month, the oldest first.
func readDone(ctx context.Context, r postgres.Reader, nursery, month string) ([]dutyDone, error) {
	rows, err := r.Query(ctx, `
		SELECT number, month, deadline, coalesce(application, ''), done_time, recipient, reference, note, person, create_time
		FROM records.duty_done WHERE nursery = $1 AND month = $2 ORDER BY number`, nursery, month)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	done, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (dutyDone, error) {
		var d dutyDone
		err := row.Scan(&d.number, &d.month, &d.deadline, &d.application, &d.at, &d.recipient, &d.reference, &d.note, &d.person, &d.recorded)
		d.at, d.recorded = clock.Stored(d.at), clock.Stored(d.recorded)
		return d, err
	})
	return done, postgres.Translate(err)
}

// insertDone adds a record and returns its number. The transaction holds the head of the
// ledger locked, so that numbers have no gaps.
func insertDone(ctx context.Context, tx pgx.Tx, nursery string, d dutyDone) (int64, error) {
	var number int64
	err := tx.QueryRow(ctx, `
		INSERT INTO records.duty_done (nursery, number, month, deadline, application, done_time, recipient, reference, note, person, create_time)
		SELECT @nursery, coalesce(max(number), 0) + 1, @month, @deadline, @application::text, @at, @recipient, @reference, @note, @person, @recorded
		FROM records.duty_done WHERE nursery = @nursery
		RETURNING number`,
		pgx.NamedArgs{
			"nursery": nursery, "month": d.month, "deadline": d.deadline, "application": orNull(d.application), "at": d.at,
			"recipient": d.recipient, "reference": d.reference, "note": d.note, "person": d.person, "recorded": d.recorded,
		}).Scan(&number)
	return number, err
}

// ofApplicationsIn returns the standing entries, by application, of all applications with
// work from begin up to end; whole, with what a correction moved out of that time.
func ofApplicationsIn(ctx context.Context, r postgres.Reader, nursery string, begin, end time.Time) ([]kept, error) {
	return queryEntries(ctx, r, `
		AND newer.sequence IS NULL AND e.application IN (
			SELECT i.application FROM records.entry i
			WHERE i.nursery = @nursery AND i.end_time >= @begin AND i.start_time < @end)
		ORDER BY e.application, e.sequence`,
		pgx.NamedArgs{"nursery": nursery, "begin": begin, "end": end})
}
