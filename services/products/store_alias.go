package products

import (
	"context"
	"fmt"
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

// readTrades returns what the products of a nursery are known by, by id.
func readTrades(ctx context.Context, r postgres.Reader, nursery string) ([]trade, error) {
	rows, err := r.Query(ctx, `
		SELECT p.id, p.display_name, p.registration_number, p.jurisdiction,
			(SELECT coalesce(jsonb_agg(jsonb_build_object(
					'active_ingredient', c.active_ingredient, 'amount', c.amount::text, 'unit', c.unit) ORDER BY c.position), '[]')
				FROM products.content c WHERE c.nursery = p.nursery AND c.product = p.id)
		FROM products.product p
		WHERE p.nursery = $1 ORDER BY p.id COLLATE "C"`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	trades, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (trade, error) {
		var product Product
		var contents []activeRow
		err := row.Scan(&product.ID, &product.DisplayName, &product.RegistrationNumber, &product.Jurisdiction, &contents)
		if err != nil {
			return trade{}, err
		}
		if err := product.fillContents(contents); err != nil {
			return trade{}, fmt.Errorf("product %s: %w", product.ID, err)
		}
		return product.trade(), nil
	})
	return trades, postgres.Translate(err)
}

// readNames returns what names mean in a nursery.
func readNames(ctx context.Context, r postgres.Reader, nursery string) (names, error) {
	aliases, err := readAliases(ctx, r, nursery)
	if err != nil {
		return names{}, err
	}
	own := map[string]string{}
	for _, a := range aliases {
		own[a.id] = a.activeIngredient
	}
	trades, err := readTrades(ctx, r, nursery)
	if err != nil {
		return names{}, err
	}
	return namesOf(own, trades), nil
}

// lockNames makes whoever adds a name to a nursery, an alias or a product's, wait
// for others who do: each name is judged by all that stand. It comes before every
// lock of a product, so that nobody waits for each other.
func lockNames(ctx context.Context, tx pgx.Tx, nursery string) error {
	_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('products.alias ' || $1, 0))`, nursery)
	return err
}

func insertAlias(ctx context.Context, tx pgx.Tx, nursery string, a alias, now time.Time) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO products.alias (nursery, id, display_name, active_ingredient, source, create_time)
		VALUES ($1, $2, $3, $4, $5, $6)`, nursery, a.id, a.displayName, a.activeIngredient, a.source, now)
	return err
}
