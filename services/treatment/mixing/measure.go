package mixing

import (
	"fmt"
	"math/big"
	"slices"

	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// mostFillings is how often measures are filled at most for one product of one
// load: beyond that people lose count (common practice, no source).
const mostFillings = 20

// Units of measures and of what is measured with them. Within each list every unit
// is a whole number of those before it, so that amounts measured with two measures
// add up to a plain decimal; a US amount in mL would not.
var measuredUnits = [][]quantity.Unit{
	{quantity.Milligram, quantity.Gram, quantity.Kilogram},
	{quantity.Ounce, quantity.Pound},
	{quantity.Millilitre, quantity.Litre},
	{quantity.Teaspoon, quantity.Tablespoon, quantity.FluidOunce, quantity.Pint, quantity.Quart, quantity.Gallon},
}

// Measure is a jug, cylinder, syringe or pair of scales.
type Measure struct {
	DisplayName string
	// Capacity is the most that it takes at once, Graduation its smallest mark:
	// masses or volumes.
	Capacity, Graduation quantity.Quantity
}

// Filling is a measure filled to one mark, some times.
type Filling struct {
	// Measure is its display name.
	Measure string
	Times   int64
	// Amount is a multiple of the measure's graduation.
	Amount quantity.Quantity
}

// Portion is an amount of product that can be measured out.
type Portion struct {
	// Amount measured out, exactly; never above what was needed.
	Amount quantity.Quantity
	// Fillings are how it is measured; none when no measures were given.
	Fillings []Filling
	// Lost is what rounding down left out, in the unit of what was needed.
	Lost quantity.Exact
}

// count returns how often a measure is filled.
func (p Portion) count() int64 {
	var sum int64
	for _, filling := range p.Fillings {
		sum += filling.Times
	}
	return sum
}

// better reports whether a portion is to be preferred: less is left out, or the
// same with fewer fillings.
func (p Portion) better(than Portion) bool {
	if less := p.Lost.Amount().Cmp(than.Lost.Amount()); less != 0 {
		return less < 0
	}
	return p.count() < than.count()
}

// MeasureOut rounds an amount down to what measures reach: one measure filled
// several times, or a coarse one and a fine one of the same system of units, at most
// 20 fillings. Of all ways the one is taken that leaves out least, then the one with
// the fewest fillings. Without measures it rounds down to a plain decimal. It
// returns an error when no measure fits.
func MeasureOut(need quantity.Exact, measures []Measure) (Portion, error) {
	if len(measures) == 0 {
		return plainPortion(need)
	}
	var best Portion
	for i, coarse := range measures {
		if !quantity.Convertible(coarse.Graduation.Unit, need.Unit()) {
			continue
		}
		for j, fine := range measures {
			if familyOf(fine.Graduation.Unit) != familyOf(coarse.Graduation.Unit) {
				continue
			}
			for _, portion := range waysToMeasure(need, coarse, fine, i == j) {
				if portion.count() > mostFillings || portion.Amount.IsZero() {
					continue
				}
				if best.Amount.IsZero() || portion.better(best) {
					best = portion
				}
			}
		}
	}
	if best.Amount.IsZero() {
		return Portion{}, unmeasurable(need, measures)
	}
	return best, nil
}

// waysToMeasure returns the amounts reached with a coarse measure filled to its
// top mark and a fine one for the rest, with and without one filling of the coarse
// one to a lower mark; or with one measure alone.
func waysToMeasure(need quantity.Exact, coarse, fine Measure, alone bool) []Portion {
	if alone {
		return []Portion{portionOf(need, coarse.fillings(need, true))}
	}
	ways := make([]Portion, 0, 2)
	for _, lowerMark := range []bool{false, true} {
		fillings := coarse.fillings(need, lowerMark)
		rest := portionOf(need, fillings).Lost
		ways = append(ways, portionOf(need, append(fillings, fine.fillings(rest, true)...)))
	}
	return ways
}

// fillings returns how a measure is filled for at most so much: to the top mark as
// often as it goes and, if asked for, once more to a lower mark.
func (m Measure) fillings(need quantity.Exact, lowerMark bool) []Filling {
	unit := m.Graduation.Unit
	graduation, _ := m.Graduation.Exact().In(unit)
	marks, _ := m.Capacity.Exact().Over(graduation)
	top := graduation.Times(new(big.Rat).SetInt(whole(marks)))
	times, err := need.Over(top)
	if err != nil || !whole(times).IsInt64() {
		return nil
	}
	var fillings []Filling
	full := whole(times)
	if full.Sign() > 0 {
		fillings = append(fillings, Filling{Measure: m.DisplayName, Times: full.Int64(), Amount: top.Floor(quantity.Places)})
	}
	if !lowerMark {
		return fillings
	}
	rest, _ := need.In(unit)
	rest, _ = rest.Sub(top.Times(new(big.Rat).SetInt(full)))
	mark, _ := rest.Over(graduation)
	if whole(mark).Sign() > 0 {
		amount := graduation.Times(new(big.Rat).SetInt(whole(mark)))
		fillings = append(fillings, Filling{Measure: m.DisplayName, Times: 1, Amount: amount.Floor(quantity.Places)})
	}
	return fillings
}

// portionOf adds fillings up in the smallest of their units.
func portionOf(need quantity.Exact, fillings []Filling) Portion {
	if len(fillings) == 0 {
		return Portion{Lost: need}
	}
	unit := fillings[0].Amount.Unit
	for _, filling := range fillings {
		units := familyOf(unit)
		if slices.Index(measuredUnits[units], filling.Amount.Unit) < slices.Index(measuredUnits[units], unit) {
			unit = filling.Amount.Unit
		}
	}
	sum := quantity.ExactOf(new(big.Rat), unit)
	for _, filling := range fillings {
		sum, _ = sum.Add(filling.Amount.Exact().Times(new(big.Rat).SetInt64(filling.Times)))
	}
	lost, _ := need.Sub(sum)
	return Portion{Amount: sum.Floor(quantity.Places), Fillings: fillings, Lost: lost}
}

// familyOf returns the index of the list of measuredUnits that a unit stands in,
// or -1.
func familyOf(unit quantity.Unit) int {
	return slices.IndexFunc(measuredUnits, func(units []quantity.Unit) bool { return slices.Contains(units, unit) })
}

// plainPortion rounds down to a plain decimal in g, mL, oz or fl oz.
func plainPortion(need quantity.Exact) (Portion, error) {
	handy, err := handyUnit(need)
	if err != nil {
		return Portion{}, err
	}
	amount := roundedDown(handy)
	if !amount.Positive() {
		return Portion{}, fmt.Errorf("%s is too little to measure out", handy)
	}
	lost, err := need.Sub(amount.Exact())
	return Portion{Amount: amount, Lost: lost}, err
}

// handyUnit gives an amount in the unit that people measure in: g, mL, oz or fl oz.
func handyUnit(amount quantity.Exact) (quantity.Exact, error) {
	for i, units := range measuredUnits {
		if slices.Contains(units, amount.Unit()) {
			return amount.In([]quantity.Unit{quantity.Gram, quantity.Ounce, quantity.Millilitre, quantity.FluidOunce}[i])
		}
	}
	if quantity.Convertible(amount.Unit(), quantity.Millilitre) {
		return amount.In(quantity.Millilitre)
	}
	return amount.In(quantity.Gram)
}

// inOtherSystem gives an amount in the other system of units, rounded down.
func inOtherSystem(amount quantity.Quantity) (quantity.Quantity, error) {
	other := map[quantity.Unit]quantity.Unit{
		quantity.Gram: quantity.Ounce, quantity.Ounce: quantity.Gram,
		quantity.Millilitre: quantity.FluidOunce, quantity.FluidOunce: quantity.Millilitre,
	}
	handy, err := handyUnit(amount.Exact())
	if err != nil {
		return quantity.Quantity{}, err
	}
	converted, err := handy.In(other[handy.Unit()])
	return roundedDown(converted), err
}

// roundedDown returns an amount with as few places as lose at most a thousandth of
// it: closer than anybody measures.
func roundedDown(amount quantity.Exact) quantity.Quantity {
	for places := range int32(quantity.Places) {
		down := amount.Floor(places)
		lost, _ := amount.Sub(down.Exact())
		if lost.Times(big.NewRat(1000, 1)).Amount().Cmp(amount.Amount()) <= 0 {
			return down
		}
	}
	return amount.Floor(quantity.Places)
}

func unmeasurable(need quantity.Exact, measures []Measure) error {
	handy, err := handyUnit(need)
	if err != nil {
		return err
	}
	known, small := false, true
	for _, measure := range measures {
		if !quantity.Convertible(measure.Graduation.Unit, need.Unit()) {
			continue
		}
		known = true
		order, err := measure.Graduation.Exact().Compare(need)
		small = small && err == nil && order > 0
	}
	amount := roundedDown(handy)
	switch {
	case !known && quantity.Convertible(need.Unit(), quantity.Gram):
		return fmt.Errorf("%s must be weighed, and no scales are given", amount)
	case !known:
		return fmt.Errorf("%s must be measured by volume, and no jug, cylinder or syringe is given", amount)
	case small:
		return fmt.Errorf("%s is less than the smallest graduation of the measures given", amount)
	}
	return fmt.Errorf("%s takes more than %d fillings of the measures given", amount, mostFillings)
}

// checkMeasures refuses measures that cannot be.
func checkMeasures(measures []Measure) error {
	for i, measure := range measures {
		field := fmt.Sprintf("measures[%d]", i)
		for _, part := range []struct {
			name  string
			value quantity.Quantity
		}{{"capacity", measure.Capacity}, {"graduation", measure.Graduation}} {
			if familyOf(part.value.Unit) < 0 || !part.value.Positive() {
				return fault.Field(field+"."+part.name, "must be above zero, in mg, g, kg, oz, lb, mL, L, tsp, tbsp, fl oz, pt, qt or gal")
			}
		}
		order, err := measure.Graduation.Compare(measure.Capacity)
		if err != nil {
			return fault.Field(field+".graduation", "must be a mass or a volume as the capacity is")
		}
		if order > 0 {
			return fault.Field(field+".graduation", "%s is more than the capacity of %s", measure.Graduation, measure.Capacity)
		}
	}
	return nil
}

// whole returns the largest whole number not above a fraction of at least zero.
func whole(number *big.Rat) *big.Int { return new(big.Int).Div(number.Num(), number.Denom()) }
