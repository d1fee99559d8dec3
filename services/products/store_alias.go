package products

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// alias is another name of an active ingredient that a nursery added.
type alias struct {
	// id is the name in lower case with hyphens.
	id               string
	displayName      string
	activeIngredient string
	source           string
}

func readAliases(ctx context.Context, r postgres.Reader, nursery string) ([]alias, error) {
	rows, err := r.Query(ctx, `
		SELECT id, display_name, active_ingredient, source FROM products.alias
		WHERE nursery = $1 ORDER BY id COLLATE "C"`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	aliases, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (alias, error) {
		var a alias
		err := row.Scan(&a.id, &a.displayName, &a.activeIngredient, &a.source)
		return a, err
	})
	return aliases, postgres.Translate(err)
}

// readNames returns what names of active ingredients mean in a nursery.
func readNames(ctx context.Context, r postgres.Reader, nursery string) (names, error) {
	aliases, err := readAliases(ctx, r, nursery)
	if err != nil {
		return names{}, err
	}
	own := map[string]string{}
	for _, a := range aliases {
		own[a.id] = a.activeIngredient
	}
	return names{own: own}, nil
}

// lockAliases makes whoever adds a name to a nursery wait for others who do: each
// name is judged by all that stand.
func lockAliases(ctx context.Context, tx pgx.Tx, nursery string) error {
	_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('products.alias ' || $1, 0))`, nursery)
	return err
}

func insertAlias(ctx context.Context, tx pgx.Tx, nursery string, a alias, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO products.alias (nursery, id, display_name, active_ingredient, source, create_time)
		VALUES ($1, $2, $3, $4, $5, $6)`, nursery, a.id, a.displayName, a.activeIngredient, a.source, now)
	return err
}
