package quantity

import (
	"fmt"
	"strings"

	"github.com/shopspring/decimal"
)

// Rate is an amount per basis as a label writes it: 1.5 fl oz per 100 gal, 2 g per
// L, 3 pt per acre. A share (%) and ppm have a basis of their own.
type Rate struct {
	// Amount is what stands above the stroke.
	Amount Quantity
	// Per is what stands below it: 100 gal, 1 acre; zero for % and ppm.
	Per Quantity
}

// RateOf splits a quantity with a compound unit into its parts. It returns an
// error for a unit that is no rate.
func RateOf(q Quantity) (Rate, error) {
	if q.Unit == Percent || q.Unit == PartsPerMillion {
		return Rate{Amount: q}, nil
	}
	of, number, per, ok := q.Unit.parts()
	if !ok {
		return Rate{}, fmt.Errorf("%q is not a rate such as mL/L, fl oz/100 gal, lb/acre, %% or ppm", q.Unit)
	}
	return Rate{
		Amount: Quantity{Amount: q.Amount, Unit: of},
		Per:    Quantity{Amount: decimal.NewFromInt(number), Unit: per},
	}, nil
}

// ParseRate reads a rate as a label prints it: an amount, a space, and a unit, for
// example "1.5 fl oz/100 gal", "2 g/L", "0.5 %" or "150 ppm".
func ParseRate(text string) (Rate, error) {
	q, err := Parse(text)
	if err != nil {
		return Rate{}, err
	}
	return RateOf(q)
}

// Parse reads an amount, a space, and a unit, for example "12.5 mL".
func Parse(text string) (Quantity, error) {
	amount, unit, found := strings.Cut(text, " ")
	if !found {
		return Quantity{}, fmt.Errorf("%q is not an amount and a unit with a space between, such as \"12.5 mL\"", text)
	}
	return New(amount, Unit(unit))
}

// IsZero reports whether there is no rate at all.
func (r Rate) IsZero() bool { return r.Amount.IsZero() }

// Quantity returns the rate as one amount of a compound unit.
func (r Rate) Quantity() Quantity {
	if r.Per.IsZero() {
		return r.Amount
	}
	unit := string(r.Amount.Unit) + "/"
	if number := r.Per.Plain(); number != "1" {
		unit += number + " "
	}
	return Quantity{Amount: r.Amount.Amount, Unit: Unit(unit + string(r.Per.Unit))}
}

// String returns the rate as a label prints it.
func (r Rate) String() string { return r.Quantity().String() }

// For returns the amount for a basis, exactly: 1.5 fl oz/100 gal for 50 gal is
// 0.75 fl oz. It returns an error when the basis measures something else than the
// rate is per, and for % and ppm, which say nothing without what they are of.
func (r Rate) For(basis Exact) (Exact, error) {
	if r.Per.IsZero() {
		return Exact{}, fmt.Errorf("%s is no amount per %s", r, basis.Unit())
	}
	times, err := basis.Over(r.Per.Exact())
	if err != nil {
		return Exact{}, fmt.Errorf("a rate per %s does not go with an amount in %s", r.Per.Unit, basis.Unit())
	}
	return r.Amount.Exact().Times(times), nil
}
