package quantity

import (
	"fmt"
	"math/big"

	"github.com/shopspring/decimal"
)

// Exact is an amount of a unit as a fraction of whole numbers. Arithmetic between
// a label and what is measured out runs on it, so that nothing is rounded until
// the end, and then once. The zero value is no amount.
type Exact struct {
	// amount is never changed once an Exact holds it.
	amount *big.Rat
	unit   Unit
}

// ExactOf returns an exact amount of a unit.
func ExactOf(amount *big.Rat, unit Unit) Exact {
	return Exact{amount: new(big.Rat).Set(amount), unit: unit}
}

// Exact returns the quantity as a fraction.
func (q Quantity) Exact() Exact { return Exact{amount: q.Amount.Rat(), unit: q.Unit} }

// Unit returns the unit.
func (e Exact) Unit() Unit { return e.unit }

// Amount returns a copy of the amount; zero where there is none.
func (e Exact) Amount() *big.Rat {
	if e.amount == nil {
		return new(big.Rat)
	}
	return new(big.Rat).Set(e.amount)
}

// zero is the amount of what has none; it is never changed.
var zero = new(big.Rat)

// rat returns the amount itself, to read: a copy for every step of a sum is most of
// what it costs.
func (e Exact) rat() *big.Rat {
	if e.amount == nil {
		return zero
	}
	return e.amount
}

// IsZero reports whether there is no amount at all.
func (e Exact) IsZero() bool { return e.unit == "" }

// Sign returns -1, 0 or 1 as the amount is below, equal to or above zero.
func (e Exact) Sign() int { return e.rat().Sign() }

// In returns the same amount in another unit of its dimension, exactly.
func (e Exact) In(unit Unit) (Exact, error) {
	if e.unit == unit {
		return e, nil
	}
	from, ok := e.unit.scale()
	to, known := unit.scale()
	if !ok || !known || from.of != to.of {
		return Exact{}, fmt.Errorf("%s cannot be given in %s", e.unit, unit)
	}
	amount := new(big.Rat).Mul(e.rat(), from.factor)
	return Exact{amount: amount.Quo(amount, to.factor), unit: unit}, nil
}

// Add returns the sum in the unit of e.
func (e Exact) Add(other Exact) (Exact, error) {
	same, err := other.In(e.unit)
	if err != nil {
		return Exact{}, err
	}
	return Exact{amount: new(big.Rat).Add(e.rat(), same.rat()), unit: e.unit}, nil
}

// Sub returns the difference in the unit of e.
func (e Exact) Sub(other Exact) (Exact, error) {
	same, err := other.In(e.unit)
	if err != nil {
		return Exact{}, err
	}
	return Exact{amount: new(big.Rat).Sub(e.rat(), same.rat()), unit: e.unit}, nil
}

// Times returns the amount multiplied by a number.
func (e Exact) Times(number *big.Rat) Exact {
	return Exact{amount: new(big.Rat).Mul(e.rat(), number), unit: e.unit}
}

// Over returns how many times another amount of the same dimension goes into this
// one. It returns an error for another dimension and for division by zero.
func (e Exact) Over(other Exact) (*big.Rat, error) {
	same, err := other.In(e.unit)
	if err != nil {
		return nil, err
	}
	if same.Sign() == 0 {
		return nil, fmt.Errorf("division by 0 %s", other.unit)
	}
	return new(big.Rat).Quo(e.rat(), same.rat()), nil
}

// Compare returns -1, 0 or 1 as e is less than, equal to or more than other.
func (e Exact) Compare(other Exact) (int, error) {
	same, err := other.In(e.unit)
	if err != nil {
		return 0, fmt.Errorf("%s and %s cannot be compared", e.unit, other.unit)
	}
	return e.rat().Cmp(same.rat()), nil
}

// Round returns the amount at the 6 places that a record keeps, rounded half to
// even.
func (e Exact) Round() Quantity {
	down, rest, denominator := e.scaled(Places)
	// Twice the rest against the denominator says which neighbour is nearer.
	half := rest.Lsh(rest, 1).Cmp(denominator)
	if half > 0 || (half == 0 && down.Bit(0) == 1) {
		down.Add(down, one)
	}
	return e.at(down, Places)
}

// Floor returns the largest amount with so many places that is not above e: what
// may be measured out where e is a maximum.
func (e Exact) Floor(places int32) Quantity {
	down, _, _ := e.scaled(places)
	return e.at(down, places)
}

// Ceil returns the smallest amount with so many places that is not below e.
func (e Exact) Ceil(places int32) Quantity {
	up, rest, _ := e.scaled(places)
	if rest.Sign() > 0 {
		up.Add(up, one)
	}
	return e.at(up, places)
}

func (e Exact) at(scaled *big.Int, places int32) Quantity {
	return Quantity{Amount: decimal.NewFromBigInt(scaled, -places), Unit: e.unit}
}

// one is never changed.
var one = big.NewInt(1)

// scaled returns the largest whole number of units of the last of some places that
// is not above the amount, and what is left of it as a part of the denominator.
func (e Exact) scaled(places int32) (down, rest, denominator *big.Int) {
	amount := e.rat()
	scaled := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	scaled.Mul(scaled, amount.Num())
	// DivMod is Euclidean: the rest is not negative, since a denominator is above
	// zero.
	down, rest = new(big.Int).DivMod(scaled, amount.Denom(), new(big.Int))
	return down, rest, amount.Denom()
}

// String returns the amount rounded to the places of a record, with its unit.
func (e Exact) String() string { return e.Round().String() }
