package records

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// selectHolds reads each hold with the row that lifted it.
const selectHolds = `
	SELECT h.number, coalesce(h.house, ''), coalesce(h.from_date::text, ''), coalesce(h.to_date::text, ''), h.reason, h.person, h.create_time,
		l.reason, l.person, l.create_time
	FROM records.hold h
	LEFT JOIN records.hold l ON l.nursery = h.nursery AND l.lifts = h.number
	WHERE h.nursery = @nursery AND h.lifts IS NULL`

func queryHolds(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]hold, error) {
	rows, err := r.Query(ctx, selectHolds+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scanHold)
	return found, postgres.Translate(err)
}

func scanHold(row pgx.CollectableRow) (hold, error) {
	var (
		h              hold
		reason, person *string
		at             *time.Time
	)
	err := row.Scan(&h.number, &h.house, &h.from, &h.to, &h.reason, &h.person, &h.placed, &reason, &person, &at)
	h.placed = clock.Stored(h.placed)
	if err == nil && reason != nil && person != nil && at != nil {
		h.lifted = &lift{reason: *reason, person: *person, at: clock.Stored(*at)}
	}
	return h, err
}

// standingOnly leaves out the holds that were lifted.
const standingOnly = ` AND l.number IS NULL`

// holds returns the holds of a nursery that stand, the oldest first. Nothing that one
// of them covers may be removed.
func holds(ctx context.Context, r postgres.Reader, nursery string) ([]hold, error) {
	return queryHolds(ctx, r, standingOnly+` ORDER BY h.number`, pgx.NamedArgs{"nursery": nursery})
}

// listHolds returns a page of the holds that stand, or of all that ever were.
func listHolds(ctx context.Context, r postgres.Reader, nursery string, lifted bool, after int64, limit int) ([]hold, error) {
	where := standingOnly
	if lifted {
		where = ""
	}
	return queryHolds(ctx, r, where+` AND h.number > @after ORDER BY h.number LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
}

func readHold(ctx context.Context, r postgres.Reader, nursery string, number int64) (hold, error) {
	found, err := queryHolds(ctx, r, ` AND h.number = @number`, pgx.NamedArgs{"nursery": nursery, "number": number})
	if err != nil {
		return hold{}, err
	}
	if len(found) == 0 {
		return hold{}, fault.Missing("hold", holdName(nursery, number))
	}
	return found[0], nil
}

// insertHold adds the row of a hold and returns its number. The transaction holds the
// head of the ledger locked, so that numbers have no gaps.
func insertHold(ctx context.Context, tx pgx.Tx, nursery string, h hold) (int64, error) {
	return insertHoldRow(ctx, tx, pgx.NamedArgs{
		"nursery": nursery, "lifts": nil, "house": orNull(h.house), "from_date": orNull(h.from), "to_date": orNull(h.to),
		"reason": h.reason, "person": h.person, "create_time": h.placed,
	})
}

// insertLift adds the row that lifts a hold.
func insertLift(ctx context.Context, tx pgx.Tx, nursery string, number int64, l lift) error {
	_, err := insertHoldRow(ctx, tx, pgx.NamedArgs{
		"nursery": nursery, "lifts": number, "house": nil, "from_date": nil, "to_date": nil,
		"reason": l.reason, "person": l.person, "create_time": l.at,
	})
	return err
}

func insertHoldRow(ctx context.Context, tx pgx.Tx, args pgx.NamedArgs) (int64, error) {
	var number int64
	err := tx.QueryRow(ctx, `
		INSERT INTO records.hold (nursery, number, lifts, house, from_date, to_date, reason, person, create_time)
		SELECT @nursery, count(*) + 1, @lifts::bigint, @house::text, @from_date::text::date, @to_date::text::date, @reason, @person, @create_time
		FROM records.hold WHERE nursery = @nursery
		RETURNING number`, args).Scan(&number)
	return number, err
}

func orNull(text string) *string {
	if text == "" {
		return nil
	}
	return &text
}
