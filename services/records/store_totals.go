package records

import (
	"context"
	"fmt"
	"math/big"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
)

// useTotal is what was applied of an active ingredient in a house or the nursery, or of a
// FRAC group. Nothing in it is rounded.
type useTotal struct {
	// house and active are nil where the total does not tell them apart.
	house, active *string
	code          string
	// houseName is the name of the house in the first entry, by start, product and number;
	// empty where that entry has none.
	houseName string
	grams     *big.Rat
	// amountsMissing counts amounts that nobody knows; firstAmount is the first entry that
	// lacks one.
	amountsMissing int64
	firstAmount    *int64
	// squareMetres is what was treated, without the areas that areasMissing counts.
	squareMetres *big.Rat
	areasMissing int64
	firstArea    *int64
	applications int64
}

// selectTotals adds up the active ingredients of the entries that stand and whose work
// ended on some days, with the definition of services/records/report/totals.go. A line is
// one active ingredient of one entry, a place is an application in a house: however many
// products of its mix hold the ingredient, they treat one area, and two areas that differ
// contradict each other, so that neither is taken; an entry whose amount was put right to
// nothing treated none. numeric is exact. Only sums leave the
// database, which sorts and groups on disk what does not fit into its work_mem.
//
// Columns of text are compared by their bytes, as Go compares them.
const selectTotals = `
	WITH line AS (
		SELECT e.sequence, e.house COLLATE "C" AS house,
			coalesce(nullif(e.application, ''), e.sequence::text) COLLATE "C" AS application,
			coalesce(nullif(active.active_ingredient, ''), @missing) COLLATE "C" AS active,
			coalesce(nullif(active.frac_code, ''), @missing) COLLATE "C" AS code,
			coalesce(active.amount ->> 'unit', '') AS amount_unit,
			(active.amount ->> 'amount')::numeric * mass.size::numeric AS grams,
			(said.area ->> 'amount')::numeric * surface.size::numeric AS square_metres,
			coalesce(said.product_amount ->> 'unit', '') <> '' AND (said.product_amount ->> 'amount')::numeric <= 0 AS taken_back,
			(to_char(e.start_time AT TIME ZONE 'UTC', 'YYYYMMDDHH24MISSUS') || e.product || chr(1) || lpad(e.sequence::text, 19, '0'))
				COLLATE "C" AS turn
		FROM records.entry e
		CROSS JOIN json_to_record(e.body::json) AS said (actives json, area json, product_amount json)
		LEFT JOIN json_to_recordset(CASE WHEN json_typeof(said.actives) = 'array' THEN said.actives END)
			AS active (active_ingredient text, frac_code text, amount json) ON true
		LEFT JOIN unnest(@mass_units::text[], @mass_sizes::text[]) AS mass (unit, size) ON mass.unit = active.amount ->> 'unit'
		LEFT JOIN unnest(@area_units::text[], @area_sizes::text[]) AS surface (unit, size) ON surface.unit = said.area ->> 'unit'
		WHERE e.nursery = @nursery AND e.end_time >= @begin AND e.end_time < @end AND (@house = '' OR e.house = @house)
			AND NOT EXISTS (SELECT FROM records.entry newer WHERE newer.nursery = e.nursery AND newer.corrects = e.sequence)
	), place AS (
		SELECT house, active, code, application, sum(grams) AS grams,
			count(*) FILTER (WHERE amount_unit = '') AS amounts_missing,
			min(sequence) FILTER (WHERE amount_unit = '') AS first_amount,
			min(sequence) FILTER (WHERE amount_unit <> '' AND grams IS NULL) AS no_mass,
			min(square_metres) FILTER (WHERE NOT taken_back) AS square_metres,
			count(square_metres) FILTER (WHERE NOT taken_back) = count(*) FILTER (WHERE NOT taken_back)
				AND min(square_metres) FILTER (WHERE NOT taken_back) > 0
				AND min(square_metres) FILTER (WHERE NOT taken_back) = max(square_metres) FILTER (WHERE NOT taken_back) AS area_known,
			NOT bool_and(taken_back) AS treated,
			min(sequence) FILTER (WHERE NOT taken_back) AS first_entry, min(turn) AS turn
		FROM line GROUP BY house, active, code, application
	), total AS (
		SELECT house, active, code, coalesce(sum(grams), 0) AS grams,
			sum(amounts_missing)::bigint AS amounts_missing, min(first_amount) AS first_amount, min(no_mass) AS no_mass,
			coalesce(sum(square_metres) FILTER (WHERE area_known), 0) AS square_metres,
			count(*) FILTER (WHERE treated AND area_known IS NOT true) AS areas_missing,
			min(first_entry) FILTER (WHERE treated AND area_known IS NOT true) AS first_area,
			count(DISTINCT application) FILTER (WHERE treated) AS applications, min(turn) AS turn
		FROM place GROUP BY GROUPING SETS ((house, active, code), (active, code), (code))
	)
	SELECT total.house, total.active, total.code, coalesce(first.body::json ->> 'house_display_name', ''), total.grams::text,
		total.amounts_missing, total.first_amount, total.no_mass, total.square_metres::text, total.areas_missing, total.first_area,
		total.applications
	FROM total
	LEFT JOIN records.entry first
		ON total.house IS NOT NULL AND first.nursery = @nursery AND first.sequence = split_part(total.turn, chr(1), 2)::bigint
	ORDER BY total.house, total.active, total.code`

// massUnits and areaUnits are those in which an entry can hold an amount of an active
// ingredient and a treated area.
var (
	massUnits = []quantity.Unit{quantity.Milligram, quantity.Gram, quantity.Kilogram, quantity.Ounce, quantity.Pound}
	areaUnits = []quantity.Unit{quantity.SquareMetre, quantity.Hectare, quantity.SquareFoot, quantity.Acre}
)

// sizes returns the units and how much of another unit each is, as plain decimals: all
// are exact by definition, with at most 9 places.
func sizes(units []quantity.Unit, in quantity.Unit) (names, decimals []string, err error) {
	for _, unit := range units {
		exact, err := quantity.ExactOf(big.NewRat(1, 1), unit).In(in)
		if err != nil {
			return nil, nil, err
		}
		names, decimals = append(names, string(unit)), append(decimals, exact.Amount().FloatString(9))
	}
	return names, decimals, nil
}

// useTotals calls visit for every total of the work that ended from begin up to end, of
// one house (name) or of all when it is empty: by house, active ingredient and FRAC code,
// then by active ingredient and code, then by code, each in the order of its bytes. It
// refuses an active ingredient that is no mass, as a report does. missing stands for what
// no entry names.
func useTotals(ctx context.Context, r postgres.Reader, nursery, house, missing string, begin, end time.Time, visit func(useTotal)) error {
	massNames, massSizes, err := sizes(massUnits, quantity.Gram)
	if err != nil {
		return err
	}
	areaNames, areaSizes, err := sizes(areaUnits, quantity.SquareMetre)
	if err != nil {
		return err
	}
	rows, err := r.Query(ctx, selectTotals, pgx.NamedArgs{
		"nursery": nursery, "house": house, "begin": begin, "end": end, "missing": missing,
		"mass_units": massNames, "mass_sizes": massSizes, "area_units": areaNames, "area_sizes": areaSizes,
	})
	if err != nil {
		return postgres.Translate(err)
	}
	defer rows.Close()
	for rows.Next() {
		total, err := scanTotal(rows, nursery)
		if err != nil {
			return err
		}
		visit(total)
	}
	return postgres.Translate(rows.Err())
}

func scanTotal(rows pgx.Rows, nursery string) (useTotal, error) {
	var (
		total               useTotal
		grams, squareMetres string
		noMass              *int64
	)
	err := rows.Scan(&total.house, &total.active, &total.code, &total.houseName, &grams, &total.amountsMissing, &total.firstAmount, &noMass,
		&squareMetres, &total.areasMissing, &total.firstArea, &total.applications)
	if err != nil {
		return useTotal{}, err
	}
	if noMass != nil {
		return useTotal{}, fault.FieldReason(fault.Precondition, fault.InvalidField, "to_date",
			"%s: an amount of an active ingredient is no mass", entryName(nursery, *noMass))
	}
	if total.grams, err = decimalOf(grams); err != nil {
		return useTotal{}, err
	}
	total.squareMetres, err = decimalOf(squareMetres)
	return total, err
}

// decimalOf reads a decimal that the database wrote.
func decimalOf(text string) (*big.Rat, error) {
	number, ok := new(big.Rat).SetString(text)
	if !ok {
		return nil, fmt.Errorf("%q is no decimal", text)
	}
	return number, nil
}
