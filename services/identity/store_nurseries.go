package identity

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadNurseryIDs returns the ids of all nurseries, for what runs in the background of
// each.
func ReadNurseryIDs(ctx context.Context, r postgres.Reader) ([]string, error) {
	rows, err := r.Query(ctx, `SELECT id FROM identity.nursery ORDER BY id COLLATE "C"`)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return ids, postgres.Translate(err)
}
