package treatment

import (
	"context"
	"math/big"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/postgres/pgtest"
	"velamen/services/treatment/rules"
)

// oldApplications are rows as schema 8 holds them: a spray of two houses in kg and
// ha with a mixture in one of them, a bath, and a spray with an interval of 0.
var oldApplications = []string{
	`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES ('test', 'Test', 'UTC', 'ZA', '', now())`,
	`INSERT INTO identity.person (nursery, id, display_name, role, password_hash, create_time) VALUES ('test', 'wandile', 'Wandile Worker', 'WORKER', '', now())`,
	`INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time) VALUES ('test', 'h1', 'House 1', 400, 'm2', now())`,
	`INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, create_time) VALUES ('test', 'h1', 'b1', 'b1', 12, now())`,
	`INSERT INTO stock.lot (nursery, id, botanical_name, origin, house, bench, plants, create_time)
		VALUES ('test', 'l-1', 'Phalaenopsis amabilis', 'STARTED', 'h1', 'b1', 0, now()), ('test', 'l-2', 'Phalaenopsis amabilis', 'STARTED', 'h1', 'b1', 0, now())`,
	`INSERT INTO products.product (nursery, id, display_name, registration_number, form, restricted_use, create_time)
		VALUES ('test', 'thio', 'Thio', 'L1', 'SOLID', false, now()), ('test', 'duo', 'Duo', 'L2', 'LIQUID', false, now())`,
	`INSERT INTO products.content (nursery, product, position, active_ingredient, amount, unit) VALUES
		('test', 'thio', 0, 'thiophanate-methyl', 500, 'g/kg'), ('test', 'duo', 0, 'azoxystrobin', 200, 'g/L'), ('test', 'duo', 1, 'tebuconazole', 100, 'g/L')`,
	`INSERT INTO diagnosis.diagnosis (nursery, id, disorder, grounds, confirmer, confirm_time, create_time)
		VALUES ('test', 'd-1', 'phyllosticta-leaf-spot', 'seen', 'wandile', now(), now())`,
	`INSERT INTO treatment.outbreak (nursery, id, number, diagnosis, state, create_time) VALUES ('test', 'c-1', 1, 'd-1', 'IN_PROGRAM', now())`,
	`INSERT INTO treatment.program (nursery, id, number, outbreak, template, disorder, disorder_class, status, round, sequence, state, start_time, create_time)
		VALUES ('test', 'p-1', 1, 'c-1', '{}', 'phyllosticta-leaf-spot', 'FUNGUS', 'RUNNING', 1, 1, '{}', now(), now())`,
	`INSERT INTO treatment.application (nursery, id, program, step, method, disorder, treatments, lots, start_time, end_time, applicator, rei_hours, create_time) VALUES
		('test', 'p-1-systemic-1-1', 'p-1', 'systemic-1', 'SPRAY', 'phyllosticta-leaf-spot', '{"treatments": [
			{"house": "nurseries/test/houses/h1", "area": {"amount": "0.002", "unit": "ha"}, "mixVolume": {"amount": "10", "unit": "L"}, "products": [
				{"product": "nurseries/test/products/thio", "amount": {"amount": "0.02", "unit": "kg"}},
				{"product": "nurseries/test/products/duo", "amount": {"amount": "10", "unit": "mL"}}]},
			{"house": "nurseries/test/houses/h2", "area": {"amount": "5", "unit": "m2"}, "mixVolume": {"amount": "2", "unit": "L"}, "products": [
				{"product": "nurseries/test/products/thio", "amount": {"amount": "4", "unit": "g"}}]}]}',
			'{l-1,l-2,l-1}', '2026-03-01T08:00:00Z', '2026-03-01T09:00:00Z', 'wandile', 12, now()),
		('test', 'p-1-dip-1-1', 'p-1', 'dip-1', 'BATH', 'phyllosticta-leaf-spot', '{"treatments": [
			{"house": "nurseries/test/houses/h1", "area": {"amount": "1", "unit": "m2"}, "mixVolume": {"amount": "10", "unit": "L"}, "products": [
				{"product": "nurseries/test/products/duo", "amount": {"amount": "1", "unit": "L"}}]}]}',
			'{l-1}', '2026-03-02T08:00:00Z', '2026-03-02T09:00:00Z', 'wandile', 0, now())`,
	`INSERT INTO treatment.application_group (nursery, application, program, step_key, round, frac_code) VALUES
		('test', 'p-1-systemic-1-1', 'p-1', 'systemic', 1, '1')`,
}

// Applications that were entered before the rules looked at history count in it
// like any other.
func TestApplicationsOfTheOldSchemaCountInHistory(t *testing.T) {
	ctx, older := context.Background(), pgtest.NewOlder(t, 8, oldApplications...)
	db := older.Upgrade(t, 10)
	history, err := readHistory(ctx, db, "test", []string{"l-1", "l-2"})
	require.NoError(t, err)
	require.Len(t, history["l-1"], 2)
	require.Len(t, history["l-2"], 1)

	spray, bath := history["l-1"][0], history["l-1"][1]
	require.Equal(t, time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC), spray.End.UTC())
	require.Equal(t, []rules.PastProduct{
		{ID: "duo", DisplayName: "Duo", RegistrationNumber: "L2", Actives: []rules.PastActive{
			{ID: "azoxystrobin", Group: "11", PerArea: big.NewRat(1, 10)}, {ID: "tebuconazole", Group: "3", PerArea: big.NewRat(1, 20)},
		}},
		// 10 g on 20 m2 or 2 g on 5 m2: nobody wrote down in which house it stood.
		{ID: "thio", DisplayName: "Thio", RegistrationNumber: "L1", Actives: []rules.PastActive{{ID: "thiophanate-methyl", Group: "1", PerArea: big.NewRat(1, 2)}}},
	}, spray.Products)
	require.Equal(t, productsv1.Method_METHOD_BATH, bath.Method)
	require.Nil(t, bath.Products[0].Actives[0].PerArea, "what of a bath stays on the plants is not known")

	found, err := readApplications(ctx, db, `nursery = $1 ORDER BY id`, "test")
	require.NoError(t, err)
	require.Len(t, found, 2)
	for _, application := range found {
		message := application.contract()
		require.Empty(t, message.GetVerdicts())
		require.Empty(t, message.GetOverrides())
		require.Empty(t, message.GetBreachNote())
		require.NotNil(t, message.GetRestrictedEntryInterval())
	}
	for _, table := range []string{"application_lot", "application_active"} {
		_, err = older.Owner.ExecContext(ctx, `DELETE FROM treatment.`+table)
		require.ErrorContains(t, err, "what happened is never changed")
	}
}
