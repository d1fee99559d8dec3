package products

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/postgres/pgtest"
)

// Until schema 9 an interval of 0 days said that the label has none.
func TestAnOldIntervalOf0DaysIsALabelThatIsSilentOnIt(t *testing.T) {
	older := pgtest.NewOlder(t, 8,
		`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES ('test', 'Test', 'UTC', 'ZA', '', now())`,
		`INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, create_time)
			VALUES ('test', 'old', 'Old', 'L1', 'SOLID', false, now())`,
		`INSERT INTO products.content (nursery, product, position, active_ingredient, amount, unit) VALUES ('test', 'old', 0, 'captan', 500, 'g/kg')`,
		`INSERT INTO products.direction (nursery, product, position, method, classes, rate_min, rate_max, rate_unit, restricted_entry_hours,
			min_interval_days, protective_equipment) VALUES
			('test', 'old', 0, 'SPRAY', '{FUNGUS}', 1, 2, 'g/L', 12, 0, 'gloves'), ('test', 'old', 1, 'DRENCH', '{FUNGUS}', 1, 2, 'g/L', NULL, 7, '')`,
	)
	db := older.Upgrade(t, 22) // the columns that are read now
	product, err := ReadProduct(context.Background(), db, "test", "old")
	require.NoError(t, err)
	spray, drench := product.Directions[0], product.Directions[1]
	require.Equal(t, []productsv1.LabelFact{productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL}, spray.SilentOn)
	require.Empty(t, drench.SilentOn)
	require.Contains(t, drench.Missing(), productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL)
	require.NotContains(t, spray.Missing(), productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL)
	require.Contains(t, spray.Missing(), productsv1.LabelFact_LABEL_FACT_CROPS, "what was never asked for is missing")
	require.Zero(t, product.Respirator, "what was never asked for is not a no")
}
