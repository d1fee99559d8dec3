package stock

import (
	"context"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
)

// readStand reads what an import may clash with or refer to: all houses and
// benches, and those of some lots that exist.
func readStand(ctx context.Context, tx pgx.Tx, nursery string, lots []string) (stand, error) {
	standing := stand{houses: map[string]bool{}, benches: map[place]bool{}, lots: map[string]bool{}}
	var id, house string
	rows, err := tx.Query(ctx, `SELECT id FROM stock.house WHERE nursery = $1`, nursery)
	if err != nil {
		return standing, err
	}
	if _, err := pgx.ForEachRow(rows, []any{&id}, func() error { standing.houses[id] = true; return nil }); err != nil {
		return standing, err
	}
	rows, err = tx.Query(ctx, `SELECT house, id FROM stock.bench WHERE nursery = $1`, nursery)
	if err != nil {
		return standing, err
	}
	if _, err := pgx.ForEachRow(rows, []any{&house, &id}, func() error { standing.benches[place{house, id}] = true; return nil }); err != nil {
		return standing, err
	}
	rows, err = tx.Query(ctx, `SELECT id FROM stock.lot WHERE nursery = $1 AND id = ANY($2)`, nursery, lots)
	if err != nil {
		return standing, err
	}
	_, err = pgx.ForEachRow(rows, []any{&id}, func() error { standing.lots[id] = true; return nil })
	return standing, err
}

// copyIntake stores an import. Every lot begins with one event at the moment of
// the import.
func copyIntake(ctx context.Context, tx pgx.Tx, nursery, person string, now time.Time, add intake, standing stand) error {
	if err := copyHouses(ctx, tx, nursery, now, add, standing); err != nil {
		return err
	}
	if err := copyBenches(ctx, tx, nursery, now, add, standing); err != nil {
		return err
	}
	err := copyRows(ctx, tx, "lot",
		[]string{"nursery", "id", "botanical_name", "eppo_code", "cultivar", "container", "growth_stage_bbch", "unit_value",
			"currency_code", "origin", "house", "bench", "plants", "create_time"},
		add.lots, func(l Lot) []any {
			return []any{nursery, l.ID, l.BotanicalName, l.EPPOCode, l.Cultivar, l.Container, l.GrowthStage,
				unitValueOrNull(l.UnitValue), l.UnitValue.Currency, string(l.Origin), l.House, l.Bench, l.Plants, now}
		})
	if err != nil {
		return err
	}
	return copyRows(ctx, tx, "lot_event",
		[]string{"nursery", "lot", "kind", "plants", "house", "bench", "person", "event_time"},
		add.lots, func(l Lot) []any {
			return []any{nursery, l.ID, string(l.Origin), l.Plants, l.House, l.Bench, person, now}
		})
}

func copyHouses(ctx context.Context, tx pgx.Tx, nursery string, now time.Time, add intake, standing stand) error {
	if len(add.pairs) > 0 || len(add.neighbours) > 0 {
		if err := lockHouses(ctx, tx, nursery); err != nil {
			return err
		}
	}
	err := copyRows(ctx, tx, "house",
		[]string{"nursery", "id", "display_name", "area", "area_unit", "volume_m3", "covering", "fan_capacity_m3_per_h",
			"passive_vents", "site_number", "facility_number", "legal_location", "planted_area", "planted_area_unit", "create_time"},
		add.houses, func(h House) []any {
			return []any{nursery, h.ID, h.DisplayName, h.Area.Plain(), string(h.Area.Unit), amountOrNull(h.Volume),
				storedCovering(h.Covering), amountOrNull(h.FanCapacity), h.PassiveVents,
				h.SiteNumber, h.FacilityNumber, h.LegalLocation, amountOrNull(h.PlantedArea), unitOrNull(h.PlantedArea), now}
		})
	if err != nil {
		return err
	}
	err = copyRows(ctx, tx, "adjoining", []string{"nursery", "house_a", "house_b"},
		add.pairs, func(p adjoiningPair) []any { return []any{nursery, p.a, p.b} })
	if err != nil {
		return err
	}
	var changed []string
	for _, pair := range add.pairs {
		for _, house := range []string{pair.a, pair.b} {
			if standing.houses[house] && !slices.Contains(changed, house) {
				changed = append(changed, house)
			}
		}
	}
	return raiseHouses(ctx, tx, nursery, changed)
}

// copyBenches runs after copyHouses, which has locked the houses when benches get
// neighbours.
func copyBenches(ctx context.Context, tx pgx.Tx, nursery string, now time.Time, add intake, standing stand) error {
	err := copyRows(ctx, tx, "bench",
		[]string{"nursery", "house", "id", "display_name", "area_m2", "isolation", "water_line", "x_m", "y_m", "length_m", "width_m", "create_time"},
		add.benches, func(b Bench) []any {
			return []any{nursery, b.House, b.ID, b.DisplayName, b.Area.Plain(), b.Isolation, b.WaterLine, amountOrNull(b.Place.X),
				amountOrNull(b.Place.Y), amountOrNull(b.Place.Length), amountOrNull(b.Place.Width), now}
		})
	if err != nil {
		return err
	}
	err = copyRows(ctx, tx, "neighbour_bench", []string{"nursery", "house_a", "bench_a", "house_b", "bench_b"},
		add.neighbours, func(p benchPair) []any { return []any{nursery, p.a.House, p.a.Bench, p.b.House, p.b.Bench} })
	if err != nil {
		return err
	}
	var changed []BenchID
	for _, pair := range add.neighbours {
		for _, bench := range []BenchID{pair.a, pair.b} {
			if standing.benches[place{house: bench.House, bench: bench.Bench}] && !slices.Contains(changed, bench) {
				changed = append(changed, bench)
			}
		}
	}
	return raiseBenches(ctx, tx, nursery, changed)
}

func copyRows[T any](ctx context.Context, tx pgx.Tx, table string, columns []string, rows []T, values func(T) []any) error {
	if len(rows) == 0 {
		return nil
	}
	source := pgx.CopyFromSlice(len(rows), func(i int) ([]any, error) { return values(rows[i]), nil })
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"stock", table}, columns, source)
	return err
}
