// Package quantity holds exact decimal amounts with units. Floats never touch a
// record: an amount is what a person measured or what exact arithmetic makes of
// it.
package quantity

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"
)

// Unit is a unit of measure, written as in the contract.
type Unit string

// The units that records use.
const (
	Gram            Unit = "g"
	Kilogram        Unit = "kg"
	Millilitre      Unit = "mL"
	Litre           Unit = "L"
	SquareMetre     Unit = "m2"
	Hectare         Unit = "ha"
	CubicMetre      Unit = "m3"
	Centimetre      Unit = "cm"
	Hour            Unit = "h"
	Minute          Unit = "min"
	Celsius         Unit = "Cel"
	Percent         Unit = "%"
	GramPerLitre    Unit = "g/L"
	MillilitrePerL  Unit = "mL/L"
	GramPerKilogram Unit = "g/kg"
	LitrePerM2      Unit = "L/m2"
	MillilitrePerM2 Unit = "mL/m2"
	GramPerM2       Unit = "g/m2"
	CubicMetrePerH  Unit = "m3/h"
)

// dimension groups units that convert into each other by a factor.
type dimension string

// scale is a unit's dimension and its size in the dimension's base unit.
type scale struct {
	of     dimension
	factor decimal.Decimal
}

// scales are the SI relations between the units; all are exact.
var scales = map[Unit]scale{
	Gram:            {"mass", decimal.NewFromInt(1)},
	Kilogram:        {"mass", decimal.NewFromInt(1000)},
	Millilitre:      {"volume", decimal.NewFromInt(1)},
	Litre:           {"volume", decimal.NewFromInt(1000)},
	CubicMetre:      {"volume", decimal.NewFromInt(1_000_000)},
	SquareMetre:     {"area", decimal.NewFromInt(1)},
	Hectare:         {"area", decimal.NewFromInt(10_000)},
	Centimetre:      {"length", decimal.NewFromInt(1)},
	Minute:          {"time", decimal.NewFromInt(1)},
	Hour:            {"time", decimal.NewFromInt(60)},
	Celsius:         {"temperature", decimal.NewFromInt(1)},
	Percent:         {"share", decimal.NewFromInt(1)},
	GramPerLitre:    {"mass per volume", decimal.NewFromInt(1)},
	MillilitrePerL:  {"volume per volume", decimal.NewFromInt(1)},
	GramPerKilogram: {"mass per mass", decimal.NewFromInt(1)},
	MillilitrePerM2: {"volume per area", decimal.NewFromInt(1)},
	LitrePerM2:      {"volume per area", decimal.NewFromInt(1000)},
	GramPerM2:       {"mass per area", decimal.NewFromInt(1)},
	CubicMetrePerH:  {"volume per time", decimal.NewFromInt(1)},
}

// Places is how many decimal places a stored amount keeps.
const Places = 6

// Quantity is an exact amount of a unit. The zero value is no quantity.
type Quantity struct {
	Amount decimal.Decimal `json:"amount"`
	Unit   Unit            `json:"unit"`
}

// New parses a plain decimal such as "12.5" with its unit. It refuses exponents,
// more than 12 digits before the point, more than 6 after it, and unknown units.
func New(amount string, unit Unit) (Quantity, error) {
	if _, known := scales[unit]; !known {
		return Quantity{}, fmt.Errorf("unit %q is not one of those that records use", unit)
	}
	if err := checkPlain(amount); err != nil {
		return Quantity{}, err
	}
	value, err := decimal.NewFromString(amount)
	if err != nil {
		return Quantity{}, fmt.Errorf("%q is not a plain decimal such as 12.5", amount)
	}
	return Quantity{Amount: value, Unit: unit}, nil
}

func checkPlain(amount string) error {
	whole, fraction, hasPoint := strings.Cut(strings.TrimPrefix(amount, "-"), ".")
	if !allDigits(whole) || (hasPoint && !allDigits(fraction)) {
		return fmt.Errorf("%q is not a plain decimal such as 12.5", amount)
	}
	if len(whole) > 12 || len(fraction) > Places {
		return fmt.Errorf("%q has more than 12 digits before or %d after the point", amount, Places)
	}
	return nil
}

func allDigits(text string) bool {
	if text == "" {
		return false
	}
	for _, r := range text {
		if r < '0' || r > '9' {
			return false
		}
	}
	return true
}

// Must is New for constants; it panics on what New refuses.
func Must(amount string, unit Unit) Quantity {
	q, err := New(amount, unit)
	if err != nil {
		panic(err)
	}
	return q
}

// IsZero reports whether there is no quantity at all.
func (q Quantity) IsZero() bool { return q.Unit == "" }

// Positive reports whether the amount is above zero.
func (q Quantity) Positive() bool { return q.Amount.IsPositive() }

// In returns the same quantity in another unit of its dimension, exactly where
// the result has at most 6 places and rounded half to even beyond that.
func (q Quantity) In(unit Unit) (Quantity, error) {
	if q.Unit == unit {
		return q, nil
	}
	from, ok := scales[q.Unit]
	to, known := scales[unit]
	if !ok || !known || from.of != to.of {
		return Quantity{}, fmt.Errorf("%s cannot be given in %s", q.Unit, unit)
	}
	amount := q.Amount.Mul(from.factor).DivRound(to.factor, Places+6)
	return Quantity{Amount: amount.RoundBank(Places), Unit: unit}, nil
}

// Convertible reports whether two units measure the same thing.
func Convertible(a, b Unit) bool {
	x, ok := scales[a]
	y, known := scales[b]
	return ok && known && x.of == y.of
}

// Add returns the sum in the unit of q.
func (q Quantity) Add(other Quantity) (Quantity, error) {
	same, err := other.In(q.Unit)
	if err != nil {
		return Quantity{}, err
	}
	return Quantity{Amount: q.Amount.Add(same.Amount), Unit: q.Unit}, nil
}

// Compare returns -1, 0 or 1 as q is less than, equal to or more than other.
func (q Quantity) Compare(other Quantity) (int, error) {
	if !Convertible(q.Unit, other.Unit) {
		return 0, fmt.Errorf("%s and %s cannot be compared", q.Unit, other.Unit)
	}
	return q.Amount.Mul(scales[q.Unit].factor).Cmp(other.Amount.Mul(scales[other.Unit].factor)), nil
}

// Plain returns the amount as a plain decimal without trailing zeros.
func (q Quantity) Plain() string { return q.Amount.String() }

// String returns the amount and the unit, for example "12.5 mL".
func (q Quantity) String() string {
	if q.IsZero() {
		return ""
	}
	return q.Plain() + " " + string(q.Unit)
}
