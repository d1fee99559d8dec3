package stock

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
)

const houseColumns = `h.id, h.display_name, h.area::text, h.area_unit, coalesce(h.volume_m3::text, ''), h.covering,
	coalesce(h.fan_capacity_m3_per_h::text, ''), h.passive_vents, h.version, h.create_time,
	h.site_number, h.facility_number, h.legal_location, coalesce(h.planted_area::text, ''), coalesce(h.planted_area_unit, ''),
	ARRAY(SELECT CASE WHEN a.house_a = h.id THEN a.house_b ELSE a.house_a END
		FROM stock.adjoining a WHERE a.nursery = h.nursery AND h.id IN (a.house_a, a.house_b))`

func scanHouse(row pgx.CollectableRow) (House, error) {
	var h House
	var area, unit, volume, covering, fans, planted, plantedUnit string
	err := row.Scan(&h.ID, &h.DisplayName, &area, &unit, &volume, &covering, &fans, &h.PassiveVents, &h.Version,
		&h.CreateTime, &h.SiteNumber, &h.FacilityNumber, &h.LegalLocation, &planted, &plantedUnit, &h.Adjoining)
	if err != nil {
		return h, err
	}
	h.CreateTime = h.CreateTime.UTC()
	slices.Sort(h.Adjoining)
	h.Covering = stockv1.Covering(stockv1.Covering_value[coveringPrefix+covering])
	if h.Area, err = stored(area, quantity.Unit(unit)); err != nil {
		return h, err
	}
	if h.Volume, err = stored(volume, quantity.CubicMetre); err != nil {
		return h, err
	}
	if h.FanCapacity, err = stored(fans, quantity.CubicMetrePerH); err != nil {
		return h, err
	}
	h.PlantedArea, err = stored(planted, quantity.Unit(plantedUnit))
	return h, err
}

const coveringPrefix = "COVERING_"

// storedCovering is the covering's name in the contract without its prefix; empty
// when it is not known.
func storedCovering(c stockv1.Covering) string {
	if c == stockv1.Covering_COVERING_UNSPECIFIED {
		return ""
	}
	return strings.TrimPrefix(c.String(), coveringPrefix)
}

func houseArgs(nursery string, h House) pgx.NamedArgs {
	return pgx.NamedArgs{
		"nursery": nursery, "id": h.ID, "display_name": h.DisplayName, "area": h.Area.Plain(), "area_unit": string(h.Area.Unit),
		"volume": amountOrNull(h.Volume), "covering": storedCovering(h.Covering), "fans": amountOrNull(h.FanCapacity),
		"passive_vents": h.PassiveVents, "create_time": h.CreateTime, "site_number": h.SiteNumber,
		"facility_number": h.FacilityNumber, "legal_location": h.LegalLocation,
		"planted": amountOrNull(h.PlantedArea), "planted_unit": unitOrNull(h.PlantedArea),
	}
}

func insertHouse(ctx context.Context, tx pgx.Tx, nursery string, h House) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO stock.house (nursery, id, display_name, area, area_unit, volume_m3, covering, fan_capacity_m3_per_h, passive_vents,
			site_number, facility_number, legal_location, planted_area, planted_area_unit, create_time)
		VALUES (@nursery, @id, @display_name, @area::text::numeric, @area_unit, @volume::text::numeric, @covering, @fans::text::numeric, @passive_vents,
			@site_number, @facility_number, @legal_location, @planted::text::numeric, @planted_unit::text, @create_time)`,
		houseArgs(nursery, h))
	if postgres.Violates(err, "house_pk") {
		return exists("house", houseName(nursery, h.ID))
	}
	return err
}

func updateHouse(ctx context.Context, tx pgx.Tx, nursery string, h House) error {
	_, err := tx.Exec(ctx, `
		UPDATE stock.house SET display_name = @display_name, area = @area::text::numeric, area_unit = @area_unit,
			volume_m3 = @volume::text::numeric, covering = @covering, fan_capacity_m3_per_h = @fans::text::numeric,
			passive_vents = @passive_vents, site_number = @site_number, facility_number = @facility_number,
			legal_location = @legal_location, planted_area = @planted::text::numeric, planted_area_unit = @planted_unit::text,
			version = version + 1
		WHERE nursery = @nursery AND id = @id`, houseArgs(nursery, h))
	return err
}

// lockHouses keeps others from changing which houses adjoin which. It takes the
// nursery's houses in one order, so that two changes wait instead of deadlocking;
// benches can still be added to them.
func lockHouses(ctx context.Context, tx pgx.Tx, nursery string) error {
	_, err := tx.Exec(ctx, `SELECT FROM stock.house WHERE nursery = $1 ORDER BY id COLLATE "C" FOR NO KEY UPDATE`, nursery)
	return err
}

// writeAdjoining makes the neighbours of a house those wanted. Every other house
// whose neighbours change with it gets a new version, because they are part of it.
func writeAdjoining(ctx context.Context, tx pgx.Tx, nursery, house string, before, wanted []string) error {
	gone, come := without(before, wanted), without(wanted, before)
	for _, other := range gone {
		pair := pairOf(house, other)
		_, err := tx.Exec(ctx, `DELETE FROM stock.adjoining WHERE nursery = $1 AND house_a = $2 AND house_b = $3`, nursery, pair.a, pair.b)
		if err != nil {
			return err
		}
	}
	for _, other := range come {
		pair := pairOf(house, other)
		_, err := tx.Exec(ctx, `INSERT INTO stock.adjoining (nursery, house_a, house_b) VALUES ($1, $2, $3)`, nursery, pair.a, pair.b)
		if postgres.Violates(err, "adjoining_house_a") || postgres.Violates(err, "adjoining_house_b") {
			return fault.Missing("house", houseName(nursery, other))
		}
		if err != nil {
			return err
		}
	}
	return raiseHouses(ctx, tx, nursery, slices.Concat(gone, come))
}

// raiseHouses gives houses a new version.
func raiseHouses(ctx context.Context, tx pgx.Tx, nursery string, houses []string) error {
	if len(houses) == 0 {
		return nil
	}
	_, err := tx.Exec(ctx, `UPDATE stock.house SET version = version + 1 WHERE nursery = $1 AND id = ANY($2)`, nursery, houses)
	return err
}

func without[T comparable](all, removed []T) []T {
	return slices.DeleteFunc(slices.Clone(all), func(one T) bool { return slices.Contains(removed, one) })
}

// listHouses returns houses by id in byte order, after one of them.
func listHouses(ctx context.Context, r postgres.Reader, nursery, after string, limit int) ([]House, error) {
	rows, err := r.Query(ctx, `
		SELECT `+houseColumns+` FROM stock.house h
		WHERE h.nursery = @nursery AND h.id COLLATE "C" > @after
		ORDER BY h.id COLLATE "C" LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "after": after, "limit": limit})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	houses, err := pgx.CollectRows(rows, scanHouse)
	return houses, postgres.Translate(err)
}
