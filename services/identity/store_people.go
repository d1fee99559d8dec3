package identity

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// ReadPeople returns everybody of a nursery by id, those who left included.
func ReadPeople(ctx context.Context, r postgres.Reader, nursery string) ([]Person, error) {
	rows, err := r.Query(ctx, selectPerson+` WHERE p.nursery = $1 ORDER BY p.id COLLATE "C"`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	people, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Person, error) {
		p, err := scanPerson(row)
		return p.Person, err
	})
	return people, postgres.Translate(err)
}
