package stock

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// checkText is the rule for every text that people enter, through a form or a
// file, so that an export can always be imported again. A carriage return is
// refused because CSV readers do not keep it.
func checkText(text string) error {
	if !utf8.ValidString(text) {
		return errors.New("must be UTF-8")
	}
	for _, r := range text {
		if unicode.IsControl(r) && r != '\n' {
			return fmt.Errorf("must not contain the control character %U", r)
		}
	}
	if strings.TrimSpace(text) != text {
		return errors.New("must not begin or end with a space or an empty line")
	}
	return nil
}

// checkTexts applies checkText to fields of a request, given as path and text in
// turn, and returns the first fault.
func checkTexts(pathsAndTexts ...string) error {
	for i := 0; i+1 < len(pathsAndTexts); i += 2 {
		if err := checkText(pathsAndTexts[i+1]); err != nil {
			return fault.Field(pathsAndTexts[i], "%s", err)
		}
	}
	return nil
}

// checkMeasure holds a quantity to be above zero and in one of some units.
func checkMeasure(q quantity.Quantity, units ...quantity.Unit) error {
	if !slices.Contains(units, q.Unit) {
		return fmt.Errorf("must be in %s", unitList(units))
	}
	if !q.Positive() {
		return errors.New("must be above 0")
	}
	if q.Unit == quantity.Metre && q.Amount.GreaterThan(longestSide) {
		return fmt.Errorf("must be at most %s m", longestSide)
	}
	return nil
}

// longestSide in metres is longer than any house: a bench beyond it is a slip, and
// zones would be measured from it. Design value.
var longestSide = decimal.NewFromInt(500)

// checkCoordinate holds a quantity to be 0 or more, in m.
func checkCoordinate(q quantity.Quantity) error {
	if q.Unit != quantity.Metre {
		return fmt.Errorf("must be in %s", quantity.Metre)
	}
	if q.Amount.IsNegative() {
		return errors.New("must be 0 or more")
	}
	return nil
}

func unitList(units []quantity.Unit) string {
	names := make([]string, len(units))
	for i, unit := range units {
		names[i] = string(unit)
	}
	return strings.Join(names, " or ")
}

// measure reads a quantity of a request; absent is the zero value.
func measure(field string, message *typev1.Quantity, units ...quantity.Unit) (quantity.Quantity, error) {
	if message == nil {
		return quantity.Quantity{}, nil
	}
	q, err := quantity.FromContract(message)
	if err != nil {
		return q, fault.Field(field, "%s", err)
	}
	if err := checkMeasure(q, units...); err != nil {
		return q, fault.Field(field, "%s", err).With("amount", message.GetAmount()).With("unit", message.GetUnit())
	}
	return q, nil
}

// coordinate reads a place on the nursery's plan.
func coordinate(field string, message *typev1.Quantity) (quantity.Quantity, error) {
	q, err := quantity.FromContract(message)
	if err != nil {
		return q, fault.Field(field, "%s", err)
	}
	if err := checkCoordinate(q); err != nil {
		return q, fault.Field(field, "%s", err).With("amount", message.GetAmount()).With("unit", message.GetUnit())
	}
	return q, nil
}
