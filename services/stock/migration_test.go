package stock_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/postgres/pgtest"
	"velamen/services/stock"
)

// oldStock are rows as schema 10 holds them: two lots on two benches, one split off
// the other.
var oldStock = []string{
	`INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, address, create_time) VALUES ('test', 'Test', 'UTC', 'ZA', '', now())`,
	`INSERT INTO identity.person (nursery, id, display_name, role, password_hash, create_time) VALUES ('test', 'mira', 'Mira', 'MANAGER', '', now())`,
	`INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time) VALUES ('test', 'h1', 'House 1', 400, 'm2', now())`,
	`INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, isolation, create_time)
		VALUES ('test', 'h1', 'b1', 'Bench 1', 12.5, false, now()), ('test', 'h1', 'b2', 'Bench 2', 12, true, now())`,
	`WITH lots AS (
			INSERT INTO stock.lot (nursery, id, botanical_name, origin, house, bench, plants, holding_case, create_time) VALUES
				('test', 'l-1', 'Vanda coerulea', 'STARTED', 'h1', 'b1', 60, 'nurseries/test/cases/c-1', now()),
				('test', 'l-2', 'Vanda coerulea', 'STARTED', 'h1', 'b2', 40, '', now()))
		INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, transfer, other_lot, person, event_time) VALUES
			('test', 'l-1', 'STARTED', 100, 'h1', 'b1', NULL, NULL, 'mira', '2026-02-01T08:00:00Z'),
			('test', 'l-1', 'TRANSFERRED_OUT', -40, 'h1', 'b1', '11111111-1111-4111-8111-111111111111', 'l-2', 'mira', '2026-02-02T08:00:00Z'),
			('test', 'l-2', 'TRANSFERRED_IN', 40, 'h1', 'b2', '11111111-1111-4111-8111-111111111111', 'l-1', 'mira', '2026-02-02T08:00:00Z')`,
}

// What was entered before contacts were kept reads as before, with nothing known of
// where benches stand and nobody holding a lot.
func TestStockOfTheOldSchemaReadsAsBefore(t *testing.T) {
	ctx, older := context.Background(), pgtest.NewOlder(t, 10, oldStock...)
	db := older.Upgrade(t, 11)
	bench, err := stock.ReadBench(ctx, db, "test", "h1", "b1")
	require.NoError(t, err)
	require.Equal(t, "12.5", bench.Area.Plain())
	require.Empty(t, bench.WaterLine)
	require.Empty(t, bench.Neighbours)
	require.False(t, bench.Place.Measured())
	lots, err := stock.ReadLots(ctx, db, "test", []string{"l-1", "l-2"})
	require.NoError(t, err)
	require.Equal(t, "nurseries/test/cases/c-1", lots[0].HoldingCase)
	require.EqualValues(t, 60, lots[0].Plants)
	require.Empty(t, lots[0].OfficialHolds)
	handlings, err := stock.ReadHandlings(ctx, db, "test", time.Time{}, db.Now())
	require.NoError(t, err)
	require.Empty(t, handlings)

	for _, broken := range []string{
		`UPDATE stock.bench SET x_m = 1 WHERE id = 'b1'`,
		`INSERT INTO stock.neighbour_bench VALUES ('test', 'h1', 'b2', 'h1', 'b1')`,
		`INSERT INTO stock.handling (nursery, id, worker, work, start_time, end_time, person, create_time)
			VALUES ('test', 'x', 'mira', 'potting', now(), now() + interval '25 hours', 'mira', now())`,
	} {
		_, err = older.Owner.ExecContext(ctx, broken)
		require.ErrorContains(t, err, "violates check constraint", broken)
	}
	for _, table := range []string{"handling", "handling_lot"} {
		_, err = older.Owner.ExecContext(ctx, `TRUNCATE stock.`+table+` CASCADE`)
		require.ErrorContains(t, err, "is append-only")
	}
}
