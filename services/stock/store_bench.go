package stock

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
)

const benchColumns = `house, id, display_name, area_m2::text, isolation, water_line, coalesce(x_m::text, ''), coalesce(y_m::text, ''),
	coalesce(length_m::text, ''), coalesce(width_m::text, ''), version, create_time,
	ARRAY(
		SELECT n.house_b || '/' || n.bench_b FROM stock.neighbour_bench n
		WHERE n.nursery = bench.nursery AND n.house_a = bench.house AND n.bench_a = bench.id
		UNION ALL
		SELECT n.house_a || '/' || n.bench_a FROM stock.neighbour_bench n
		WHERE n.nursery = bench.nursery AND n.house_b = bench.house AND n.bench_b = bench.id)`

func scanBench(row pgx.CollectableRow) (Bench, error) {
	var b Bench
	var area, x, y, length, width string
	var neighbours []string
	err := row.Scan(&b.House, &b.ID, &b.DisplayName, &area, &b.Isolation, &b.WaterLine, &x, &y, &length, &width, &b.Version,
		&b.CreateTime, &neighbours)
	if err != nil {
		return b, err
	}
	b.CreateTime = b.CreateTime.UTC()
	for _, neighbour := range neighbours {
		house, bench, _ := strings.Cut(neighbour, "/")
		b.Neighbours = append(b.Neighbours, BenchID{House: house, Bench: bench})
	}
	slices.SortFunc(b.Neighbours, BenchID.compare)
	if b.Area, err = stored(area, quantity.SquareMetre); err != nil {
		return b, err
	}
	b.Place, err = storedPlace(x, y, length, width)
	return b, err
}

func storedPlace(x, y, length, width string) (BenchPlace, error) {
	var p BenchPlace
	for _, side := range []struct {
		text string
		into *quantity.Quantity
	}{{x, &p.X}, {y, &p.Y}, {length, &p.Length}, {width, &p.Width}} {
		q, err := stored(side.text, quantity.Metre)
		if err != nil {
			return p, err
		}
		*side.into = q
	}
	return p, nil
}

// How a bench that is read is kept from changing until the transaction ends.
const (
	// keepBench lets others read it too.
	keepBench = " FOR SHARE"
	// changeBench is for who writes it.
	changeBench = " FOR NO KEY UPDATE"
)

func readBench(ctx context.Context, r postgres.Reader, nursery, house, bench, lock string) (Bench, error) {
	rows, err := r.Query(ctx, `SELECT `+benchColumns+` FROM stock.bench WHERE nursery = @nursery AND house = @house AND id = @bench`+lock,
		pgx.NamedArgs{"nursery": nursery, "house": house, "bench": bench})
	if err != nil {
		return Bench{}, postgres.Translate(err)
	}
	found, err := pgx.CollectExactlyOneRow(rows, scanBench)
	if postgres.NoRows(err) {
		return Bench{}, fault.Missing("bench", benchName(nursery, house, bench))
	}
	return found, postgres.Translate(err)
}

func benchArgs(nursery string, b Bench) pgx.NamedArgs {
	return pgx.NamedArgs{
		"nursery": nursery, "house": b.House, "id": b.ID, "display_name": b.DisplayName, "area": b.Area.Plain(), "isolation": b.Isolation,
		"water_line": b.WaterLine, "x": amountOrNull(b.Place.X), "y": amountOrNull(b.Place.Y),
		"length": amountOrNull(b.Place.Length), "width": amountOrNull(b.Place.Width), "create_time": b.CreateTime,
	}
}

func insertBench(ctx context.Context, tx pgx.Tx, nursery string, b Bench) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, isolation, water_line, x_m, y_m, length_m, width_m, create_time)
		VALUES (@nursery, @house, @id, @display_name, @area::text::numeric, @isolation, @water_line, @x::text::numeric,
			@y::text::numeric, @length::text::numeric, @width::text::numeric, @create_time)`, benchArgs(nursery, b))
	if postgres.Violates(err, "bench_pk") {
		return exists("bench", benchName(nursery, b.House, b.ID))
	}
	if postgres.Violates(err, "bench_house") {
		return fault.Missing("house", houseName(nursery, b.House))
	}
	return err
}

func updateBench(ctx context.Context, tx pgx.Tx, nursery string, b Bench) error {
	_, err := tx.Exec(ctx, `
		UPDATE stock.bench SET display_name = @display_name, area_m2 = @area::text::numeric, isolation = @isolation,
			water_line = @water_line, x_m = @x::text::numeric, y_m = @y::text::numeric, length_m = @length::text::numeric,
			width_m = @width::text::numeric, version = version + 1
		WHERE nursery = @nursery AND house = @house AND id = @id`, benchArgs(nursery, b))
	return err
}

// writeNeighbours makes the neighbours of a bench those wanted. Every other bench
// whose neighbours change with it gets a new version, because they are part of it.
// The caller has locked the houses.
func writeNeighbours(ctx context.Context, tx pgx.Tx, nursery string, before, wanted Bench) error {
	bench := BenchID{House: wanted.House, Bench: wanted.ID}
	gone, come := without(before.Neighbours, wanted.Neighbours), without(wanted.Neighbours, before.Neighbours)
	for _, other := range gone {
		_, err := tx.Exec(ctx, `
			DELETE FROM stock.neighbour_bench
			WHERE nursery = @nursery AND house_a = @house_a AND bench_a = @bench_a AND house_b = @house_b AND bench_b = @bench_b`,
			pairArgs(nursery, benchPairOf(bench, other)))
		if err != nil {
			return err
		}
	}
	for _, other := range come {
		_, err := tx.Exec(ctx, `
			INSERT INTO stock.neighbour_bench (nursery, house_a, bench_a, house_b, bench_b)
			VALUES (@nursery, @house_a, @bench_a, @house_b, @bench_b)`, pairArgs(nursery, benchPairOf(bench, other)))
		if postgres.Violates(err, "neighbour_bench_a") || postgres.Violates(err, "neighbour_bench_b") {
			return fault.Missing("bench", benchName(nursery, other.House, other.Bench))
		}
		if err != nil {
			return err
		}
	}
	return raiseBenches(ctx, tx, nursery, slices.Concat(gone, come))
}

func pairArgs(nursery string, pair benchPair) pgx.NamedArgs {
	return pgx.NamedArgs{"nursery": nursery, "house_a": pair.a.House, "bench_a": pair.a.Bench, "house_b": pair.b.House, "bench_b": pair.b.Bench}
}

// raiseBenches gives benches a new version.
func raiseBenches(ctx context.Context, tx pgx.Tx, nursery string, benches []BenchID) error {
	if len(benches) == 0 {
		return nil
	}
	houses, ids := make([]string, len(benches)), make([]string, len(benches))
	for i, bench := range benches {
		houses[i], ids[i] = bench.House, bench.Bench
	}
	_, err := tx.Exec(ctx, `
		UPDATE stock.bench SET version = version + 1
		WHERE nursery = $1 AND (house, id) IN (SELECT * FROM unnest($2::text[], $3::text[]))`, nursery, houses, ids)
	return err
}

// listBenches returns benches by house and id in byte order, after one of them;
// an empty house means those of all houses.
func listBenches(ctx context.Context, r postgres.Reader, nursery, house string, after place, limit int) ([]Bench, error) {
	rows, err := r.Query(ctx, `
		SELECT `+benchColumns+` FROM stock.bench
		WHERE nursery = @nursery AND (@house = '' OR house = @house)
		  AND (house COLLATE "C", id COLLATE "C") > (@after_house, @after_bench)
		ORDER BY house COLLATE "C", id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "after_house": after.house, "after_bench": after.bench, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	benches, err := pgx.CollectRows(rows, scanBench)
	return benches, postgres.Translate(err)
}

// heldLotsOn returns the lots with plants that cases hold on a bench.
func heldLotsOn(ctx context.Context, r postgres.Reader, nursery string, at place) ([]string, error) {
	rows, err := r.Query(ctx, `
		SELECT id FROM stock.lot
		WHERE nursery = $1 AND house = $2 AND bench = $3 AND holding_case <> '' AND plants > 0 ORDER BY id`,
		nursery, at.house, at.bench)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}
