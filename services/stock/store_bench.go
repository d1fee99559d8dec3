package stock

import (
	"context"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
)

const benchColumns = `house, id, display_name, area_m2::text, isolation, version, create_time`

func scanBench(row pgx.CollectableRow) (Bench, error) {
	var b Bench
	var area string
	err := row.Scan(&b.House, &b.ID, &b.DisplayName, &area, &b.Isolation, &b.Version, &b.CreateTime)
	if err != nil {
		return b, err
	}
	b.CreateTime = b.CreateTime.UTC()
	b.Area, err = stored(area, quantity.SquareMetre)
	return b, err
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

func insertBench(ctx context.Context, tx pgx.Tx, nursery string, b Bench) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO stock.bench (nursery, house, id, display_name, area_m2, isolation, create_time)
		VALUES (@nursery, @house, @id, @display_name, @area::text::numeric, @isolation, @create_time)`,
		pgx.NamedArgs{"nursery": nursery, "house": b.House, "id": b.ID, "display_name": b.DisplayName,
			"area": b.Area.Plain(), "isolation": b.Isolation, "create_time": b.CreateTime})
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
		UPDATE stock.bench SET display_name = @display_name, area_m2 = @area::text::numeric, isolation = @isolation, version = version + 1
		WHERE nursery = @nursery AND house = @house AND id = @id`,
		pgx.NamedArgs{"nursery": nursery, "house": b.House, "id": b.ID, "display_name": b.DisplayName,
			"area": b.Area.Plain(), "isolation": b.Isolation})
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
