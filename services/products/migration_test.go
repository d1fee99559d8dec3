package products

import (
	"context"
	"database/sql"
	"os"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
)

// Until schema 9 an interval of 0 days said that the label has none.
func TestAnOldIntervalOf0DaysIsALabelThatIsSilentOnIt(t *testing.T) {
	ctx, url := context.Background(), pgtest.NewEmpty(t)
	owner, err := sql.Open("pgx", url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, owner.Close()) })
	provider, err := goose.NewProvider(goose.DialectPostgres, owner, os.DirFS("../../internal/postgres/migrations"))
	require.NoError(t, err)
	_, err = provider.UpTo(ctx, 8)
	require.NoError(t, err)
	for _, statement := range []string{
		`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES ('test', 'Test', 'UTC', 'ZA', '', now())`,
		`INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, create_time)
			VALUES ('test', 'old', 'Old', 'L1', 'SOLID', false, now())`,
		`INSERT INTO products.content (nursery, product, position, active_ingredient, amount, unit) VALUES ('test', 'old', 0, 'captan', 500, 'g/kg')`,
		`INSERT INTO products.direction (nursery, product, position, method, classes, rate_min, rate_max, rate_unit, restricted_entry_hours,
			min_interval_days, protective_equipment) VALUES
			('test', 'old', 0, 'SPRAY', '{FUNGUS}', 1, 2, 'g/L', 12, 0, 'gloves'), ('test', 'old', 1, 'DRENCH', '{FUNGUS}', 1, 2, 'g/L', NULL, 7, '')`,
	} {
		_, err := owner.ExecContext(ctx, statement)
		require.NoError(t, err)
	}
	_, err = provider.UpTo(ctx, 9)
	require.NoError(t, err)

	db, err := postgres.Open(ctx, url, clock.System{})
	require.NoError(t, err)
	defer db.Close()
	product, err := ReadProduct(ctx, db, "test", "old")
	require.NoError(t, err)
	spray, drench := product.Directions[0], product.Directions[1]
	require.Equal(t, []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL}, spray.SilentOn)
	require.Empty(t, drench.SilentOn)
	require.Contains(t, drench.Missing(), productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL)
	require.NotContains(t, spray.Missing(), productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL)
	require.Contains(t, spray.Missing(), productsv1.LabelFact_LABEL_FACT_CROPS, "what was never asked for is missing")
}
