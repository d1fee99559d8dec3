package report

import (
	"math/big"

	"velamen/internal/quantity"
)

// inUnits gives an amount in a unit that a rule accepts. What was measured in one of
// them stays as it is. Else the first unit in which the amount is exact is taken,
// else the largest of which there is at least one, else the smallest; then the
// amount is rounded to the 6 places of a record, and the caller shows what was
// recorded beside it. It returns false where no unit measures the same thing, or the
// amount is too small for all of them.
func inUnits(q quantity.Quantity, units []UnitCode) (quantity.Quantity, string, bool) {
	if len(units) == 0 {
		return q, string(q.Unit), true
	}
	var best quantity.Exact
	var code string
	for _, unit := range units {
		if unit.Unit == q.Unit {
			return q, unit.Code, true
		}
	}
	for _, unit := range units {
		exact, err := q.Exact().In(unit.Unit)
		if err != nil {
			continue
		}
		round := exact.Round()
		if round.Exact().Amount().Cmp(exact.Amount()) == 0 {
			return round, unit.Code, true
		}
		// An amount that is there is never written as 0.
		if round.Amount.IsZero() {
			continue
		}
		if best.IsZero() || nearer(exact, best) {
			best, code = exact, unit.Code
		}
	}
	if best.IsZero() {
		return quantity.Quantity{}, "", false
	}
	return best.Round(), code, true
}

var one = big.NewRat(1, 1)

// nearer reports whether an amount is better read than another of the same size in
// another unit: the smallest number that is at least one, else the largest.
func nearer(a, b quantity.Exact) bool {
	x, y := a.Amount(), b.Amount()
	if x.Cmp(one) >= 0 && y.Cmp(one) >= 0 {
		return x.Cmp(y) < 0
	}
	return x.Cmp(y) > 0
}
