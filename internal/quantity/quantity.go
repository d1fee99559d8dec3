// Package quantity holds exact decimal amounts with units. Floats never touch a
// record: an amount is what a person measured or what exact arithmetic makes of
// it.
package quantity

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"github.com/shopspring/decimal"
)

// Unit is a unit of measure, written as in the contract.
type Unit string

// The units that records use. Label rates join two of them with a stroke, for
// example "fl oz/100 gal"; see Rate.
const (
	Milligram       Unit = "mg"
	Gram            Unit = "g"
	Kilogram        Unit = "kg"
	Ounce           Unit = "oz"
	Pound           Unit = "lb"
	Millilitre      Unit = "mL"
	Litre           Unit = "L"
	Teaspoon        Unit = "tsp"
	Tablespoon      Unit = "tbsp"
	FluidOunce      Unit = "fl oz"
	Pint            Unit = "pt"
	Quart           Unit = "qt"
	Gallon          Unit = "gal"
	SquareMetre     Unit = "m2"
	Hectare         Unit = "ha"
	SquareFoot      Unit = "ft2"
	Acre            Unit = "acre"
	CubicMetre      Unit = "m3"
	CubicFoot       Unit = "ft3"
	Centimetre      Unit = "cm"
	Metre           Unit = "m"
	Kilometre       Unit = "km"
	Inch            Unit = "in"
	Foot            Unit = "ft"
	Mile            Unit = "mi"
	Second          Unit = "s"
	Minute          Unit = "min"
	Hour            Unit = "h"
	Day             Unit = "d"
	Pot             Unit = "pot"
	Plant           Unit = "plant"
	Celsius         Unit = "Cel"
	Kilopascal      Unit = "kPa"
	Percent         Unit = "%"
	PartsPerMillion Unit = "ppm"
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
	factor *big.Rat
}

// scales hold the simple units. Metric relations are exact by definition of the
// SI. The US ones are exact too: inch 2.54 cm, pound 0.45359237 kg, US gallon
// 231 cubic inches = 3.785411784 L, acre 4046.8564224 m2 (NIST Special
// Publication 811, appendix B; the acre is that of the international foot). A
// fluid ounce is 1/128 gal, a tablespoon 1/2 and a teaspoon 1/6 fl oz.
var scales = map[Unit]scale{
	Milligram:       {"mass", ratio("0.001")},
	Gram:            {"mass", ratio("1")},
	Kilogram:        {"mass", ratio("1000")},
	Ounce:           {"mass", ratio("28.349523125")},
	Pound:           {"mass", ratio("453.59237")},
	Millilitre:      {"volume", ratio("1")},
	Litre:           {"volume", ratio("1000")},
	Teaspoon:        {"volume", ratio("4.92892159375")},
	Tablespoon:      {"volume", ratio("14.78676478125")},
	FluidOunce:      {"volume", ratio("29.5735295625")},
	Pint:            {"volume", ratio("473.176473")},
	Quart:           {"volume", ratio("946.352946")},
	Gallon:          {"volume", ratio("3785.411784")},
	CubicMetre:      {"volume", ratio("1000000")},
	CubicFoot:       {"volume", ratio("28316.846592")},
	SquareMetre:     {"area", ratio("1")},
	Hectare:         {"area", ratio("10000")},
	SquareFoot:      {"area", ratio("0.09290304")},
	Acre:            {"area", ratio("4046.8564224")},
	Centimetre:      {"length", ratio("1")},
	Metre:           {"length", ratio("100")},
	Kilometre:       {"length", ratio("100000")},
	Inch:            {"length", ratio("2.54")},
	Foot:            {"length", ratio("30.48")},
	Mile:            {"length", ratio("160934.4")},
	Second:          {"time", ratio("1/60")},
	Minute:          {"time", ratio("1")},
	Hour:            {"time", ratio("60")},
	Day:             {"time", ratio("1440")},
	Pot:             {"pots", ratio("1")},
	Plant:           {"plants", ratio("1")},
	Celsius:         {"temperature", ratio("1")},
	Kilopascal:      {"pressure", ratio("1")},
	Percent:         {"share", ratio("1")},
	PartsPerMillion: {"parts per million", ratio("1")},
}

// compounds are the rates that records hold, ready-made: they are converted all
// the time.
var compounds = map[Unit]scale{
	GramPerLitre:    {"mass per volume", ratio("1/1000")},
	MillilitrePerL:  {"volume per volume", ratio("1/1000")},
	GramPerKilogram: {"mass per mass", ratio("1/1000")},
	MillilitrePerM2: {"volume per area", ratio("1")},
	LitrePerM2:      {"volume per area", ratio("1000")},
	GramPerM2:       {"mass per area", ratio("1")},
	CubicMetrePerH:  {"volume per time", ratio("1000000/60")},
}

func ratio(text string) *big.Rat {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		panic("quantity: not a ratio: " + text)
	}
	return r
}

// scale returns a unit's dimension and size. A compound unit such as
// "fl oz/100 gal" is the quotient of its parts.
func (u Unit) scale() (scale, bool) {
	if s, ok := scales[u]; ok {
		return s, true
	}
	if s, ok := compounds[u]; ok {
		return s, true
	}
	of, number, per, ok := u.parts()
	if !ok {
		return scale{}, false
	}
	below := new(big.Rat).Mul(scales[per].factor, new(big.Rat).SetInt64(number))
	return scale{
		of:     scales[of].of + " per " + scales[per].of,
		factor: below.Quo(scales[of].factor, below),
	}, true
}

// largestPer is the largest number before the unit below the stroke: labels give
// rates per 100 gal or per 1000 ft2.
const largestPer = 1_000_000

// parts returns what stands above and below the stroke of a compound unit.
func (u Unit) parts() (of Unit, number int64, per Unit, ok bool) {
	above, below, found := strings.Cut(string(u), "/")
	if !found {
		return "", 0, "", false
	}
	number = 1
	if digits, rest, spaced := strings.Cut(below, " "); spaced && allDigits(digits) {
		n, err := strconv.ParseInt(digits, 10, 64)
		if err != nil || n < 2 || n > largestPer || digits[0] == '0' {
			return "", 0, "", false
		}
		number, below = n, rest
	}
	_, knownAbove := scales[Unit(above)]
	_, knownBelow := scales[Unit(below)]
	return Unit(above), number, Unit(below), knownAbove && knownBelow
}

// Known reports whether records use the unit.
func (u Unit) Known() bool {
	_, known := u.scale()
	return known
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
	if !unit.Known() {
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
	exact, err := q.Exact().In(unit)
	if err != nil {
		return Quantity{}, err
	}
	return exact.Round(), nil
}

// Convertible reports whether two units measure the same thing.
func Convertible(a, b Unit) bool {
	x, ok := a.scale()
	y, known := b.scale()
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
	if q.Unit == other.Unit {
		return q.Amount.Cmp(other.Amount), nil
	}
	return q.Exact().Compare(other.Exact())
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
