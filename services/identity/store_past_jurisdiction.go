package identity

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadJurisdictions returns the codes of the laws that a nursery is or ever was under, the
// present one first and the others by code. A record is kept under all of them. Changes
// that were made before the database kept them are not known.
func ReadJurisdictions(ctx context.Context, r postgres.Reader, nursery string) ([]string, error) {
	present, err := readNursery(ctx, r, nursery, "")
	if err != nil {
		return nil, err
	}
	rows, err := r.Query(ctx, `
		SELECT jurisdiction FROM identity.past_jurisdiction
		WHERE nursery = $1 AND jurisdiction <> $2 ORDER BY jurisdiction`, nursery, present.Jurisdiction)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	past, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return append([]string{present.Jurisdiction}, past...), postgres.Translate(err)
}
