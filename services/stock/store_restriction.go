package stock

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// Restriction is an authority's hold on a lot.
type Restriction struct {
	// Duty is the name of the duty under which it is held.
	Duty string
	// Lot is the lot's id.
	Lot string
	// NoMasking is true when nothing may be applied meanwhile that could hide signs.
	NoMasking bool
	// Disorder is the identifier of what it is held for.
	Disorder string
	// Start is when it began, UTC.
	Start time.Time
	// End is when it ended, UTC; the zero time while it lasts.
	End time.Time
}

// ReadRestrictions returns the holds of authorities on some lots, those that have
// ended included, by lot and duty.
func ReadRestrictions(ctx context.Context, r postgres.Reader, nursery string, lots []string) ([]Restriction, error) {
	return queryRestrictions(ctx, r, `nursery = @nursery AND lot = ANY(@lots::text[])`, pgx.NamedArgs{"nursery": nursery, "lots": lots})
}

// ReadOpenRestrictions returns the holds of authorities that last, of all lots of
// a nursery with plants, by lot and duty.
func ReadOpenRestrictions(ctx context.Context, r postgres.Reader, nursery string) ([]Restriction, error) {
	return queryRestrictions(ctx, r, `
		nursery = @nursery AND end_time IS NULL AND EXISTS (
			SELECT FROM stock.lot l WHERE l.nursery = restriction.nursery AND l.id = restriction.lot AND l.plants > 0)`,
		pgx.NamedArgs{"nursery": nursery})
}

func queryRestrictions(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]Restriction, error) {
	rows, err := r.Query(ctx, `
		SELECT duty, lot, no_masking, disorder, start_time, end_time FROM stock.restriction
		WHERE `+where+` ORDER BY lot COLLATE "C", duty COLLATE "C"`, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Restriction, error) {
		var restriction Restriction
		var end *time.Time
		err := row.Scan(&restriction.Duty, &restriction.Lot, &restriction.NoMasking, &restriction.Disorder, &restriction.Start, &end)
		restriction.Start = restriction.Start.UTC()
		if end != nil {
			restriction.End = end.UTC()
		}
		return restriction, err
	})
	return found, postgres.Translate(err)
}

// insertRestriction enters a hold of lots that the caller has locked. One that
// stands already is left.
func insertRestriction(ctx context.Context, tx pgx.Tx, nursery, duty string, lots []Lot, held Restriction) error {
	for _, lot := range lots {
		entered, err := tx.Exec(ctx, `
			INSERT INTO stock.restriction (nursery, duty, lot, no_masking, disorder, start_time)
			VALUES (@nursery, @duty, @lot, @no_masking, @disorder, @start) ON CONFLICT DO NOTHING`,
			pgx.NamedArgs{"nursery": nursery, "duty": duty, "lot": lot.ID, "no_masking": held.NoMasking,
				"disorder": held.Disorder, "start": held.Start})
		if err != nil {
			return err
		}
		if entered.RowsAffected() == 0 {
			continue
		}
		if err := raiseLots(ctx, tx, nursery, lot.ID); err != nil {
			return err
		}
	}
	return nil
}

// restrictedUnder returns the ids of the lots that are held under a duty.
func restrictedUnder(ctx context.Context, tx pgx.Tx, nursery, duty string) ([]string, error) {
	rows, err := tx.Query(ctx, `SELECT lot FROM stock.restriction WHERE nursery = $1 AND duty = $2 AND end_time IS NULL`, nursery, duty)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// endRestriction ends a hold of lots that the caller has locked. The database's own
// clock says when.
func endRestriction(ctx context.Context, tx pgx.Tx, nursery, duty string) error {
	rows, err := tx.Query(ctx, `
		UPDATE stock.restriction SET end_time = greatest(now(), start_time)
		WHERE nursery = $1 AND duty = $2 AND end_time IS NULL RETURNING lot`, nursery, duty)
	if err != nil {
		return err
	}
	ended, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return err
	}
	return raiseLots(ctx, tx, nursery, ended...)
}

// raiseLots gives lots a new version, because the holds on them are part of them.
func raiseLots(ctx context.Context, tx pgx.Tx, nursery string, lots ...string) error {
	_, err := tx.Exec(ctx, `UPDATE stock.lot SET version = version + 1 WHERE nursery = $1 AND id = ANY($2)`, nursery, lots)
	return err
}
