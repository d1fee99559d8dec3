package stock

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadHouses returns all houses of a nursery by id.
func ReadHouses(ctx context.Context, r postgres.Reader, nursery string) ([]House, error) {
	rows, err := r.Query(ctx, `SELECT `+houseColumns+` FROM stock.house h WHERE h.nursery = $1 ORDER BY h.id COLLATE "C"`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	houses, err := pgx.CollectRows(rows, scanHouse)
	return houses, postgres.Translate(err)
}
