package products

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

// Units of a label rate: what stands above the stroke for each form, and what
// stands below it.
var (
	solidRateUnits  = []quantity.Unit{quantity.Milligram, quantity.Gram, quantity.Kilogram, quantity.Ounce, quantity.Pound}
	liquidRateUnits = []quantity.Unit{
		quantity.Millilitre, quantity.Litre, quantity.Teaspoon, quantity.Tablespoon,
		quantity.FluidOunce, quantity.Pint, quantity.Quart, quantity.Gallon,
	}
	waterUnits = []quantity.Unit{quantity.Litre, quantity.Gallon}
	areaUnits  = []quantity.Unit{quantity.SquareMetre, quantity.Hectare, quantity.SquareFoot, quantity.Acre}
	eachUnits  = []quantity.Unit{quantity.Pot, quantity.Plant}
	// countedUnits may stand with a number: a label gives rates per 100 gal, 100 m2
	// or 1000 ft2, but per one acre, pot or plant.
	countedUnits = []quantity.Unit{quantity.Litre, quantity.Gallon, quantity.SquareMetre, quantity.SquareFoot}
)

// largestShare is all of the water, in %.
const largestShare = 100

// largestPPM is a solution that is nothing but active ingredient.
var largestPPM = decimal.NewFromInt(1_000_000)

// checkRate holds a rate to what the product's form, its number of active
// ingredients and the method allow. The error is the rule that it breaks.
func checkRate(form productsv1.ProductForm, actives int, method productsv1.Method, q quantity.Quantity) error {
	if !q.Positive() {
		return fmt.Errorf("must be above 0 %s", q.Unit)
	}
	switch q.Unit {
	case quantity.PartsPerMillion:
		if actives != 1 {
			return fmt.Errorf("ppm is of an active ingredient, and the product has %d: of which? Give the rate as product per volume of water", actives)
		}
		if q.Amount.GreaterThan(largestPPM) {
			return fmt.Errorf("must not be above %s ppm", largestPPM)
		}
		return nil
	case quantity.Percent:
		if form == productsv1.ProductForm_PRODUCT_FORM_SOLID {
			return fmt.Errorf("%% is volume in volume, and a solid is weighed: give a mass per volume of water, for example g/L")
		}
		if q.Amount.GreaterThan(decimal.NewFromInt(largestShare)) {
			return fmt.Errorf("must not be above %d %%", largestShare)
		}
		return nil
	}
	rate, err := quantity.RateOf(q)
	if err != nil {
		return err
	}
	if err := checkRateAmount(form, rate.Amount.Unit); err != nil {
		return err
	}
	return checkRateBasis(method, rate.Per)
}

// checkRateAmount holds the unit above the stroke to the form of the product.
func checkRateAmount(form productsv1.ProductForm, unit quantity.Unit) error {
	units, other, rule := solidRateUnits, liquidRateUnits, "a solid is weighed, so its rate is a mass"
	if form == productsv1.ProductForm_PRODUCT_FORM_LIQUID {
		units, other, rule = liquidRateUnits, solidRateUnits, "a liquid is measured by volume and its density is not known, so its rate is a volume"
	}
	switch {
	case slices.Contains(units, unit):
		return nil
	case slices.Contains(other, unit):
		return fmt.Errorf("%s (%s), not %q", rule, unitList(units), unit)
	default:
		return fmt.Errorf("product is measured out in %s, not in %q", unitList(units), unit)
	}
}

// checkRateBasis holds what stands below the stroke to the method.
func checkRateBasis(method productsv1.Method, per quantity.Quantity) error {
	if method == productsv1.Method_METHOD_BATH && !slices.Contains(waterUnits, per.Unit) {
		return fmt.Errorf("a bath has a volume of water and no area or pots: give a rate per L or gal of water, ppm or %%, not per %s", per.Unit)
	}
	if !slices.Contains(slices.Concat(waterUnits, areaUnits, eachUnits), per.Unit) {
		return fmt.Errorf("a rate is per volume of water (%s), per area (%s), per pot or per plant, not per %q",
			unitList(waterUnits), unitList(areaUnits), per.Unit)
	}
	if per.Plain() != "1" && !slices.Contains(countedUnits, per.Unit) {
		return fmt.Errorf("give the rate per one %s, not per %s", per.Unit, per)
	}
	return nil
}

// checkWaterVolume holds a water volume to be a volume per area, pot or plant.
func checkWaterVolume(q quantity.Quantity) error {
	if !q.Positive() {
		return fmt.Errorf("must be above 0 %s", q.Unit)
	}
	const rule = "water is a volume per area, pot or plant, for example L/ha, gal/1000 ft2 or mL/pot"
	rate, err := quantity.RateOf(q)
	if err != nil || rate.Per.IsZero() || !quantity.Convertible(rate.Amount.Unit, quantity.Litre) {
		return fmt.Errorf("%s, not %q", rule, q.Unit)
	}
	if !slices.Contains(slices.Concat(areaUnits, eachUnits), rate.Per.Unit) {
		return fmt.Errorf("%s, not %q", rule, q.Unit)
	}
	if rate.Per.Plain() != "1" && !slices.Contains(countedUnits, rate.Per.Unit) {
		return fmt.Errorf("give the water per one %s, not per %s", rate.Per.Unit, rate.Per)
	}
	return nil
}

// unitList returns units as a sentence lists them.
func unitList(units []quantity.Unit) string {
	names := texts(units, func(unit quantity.Unit) string { return string(unit) })
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
}
