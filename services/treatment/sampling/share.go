package sampling

import (
	"math/big"

	"github.com/shopspring/decimal"

	"velamen/internal/fault"
)

const (
	// MaxPlants is the most plants that lots may have here; it keeps every
	// product of two counts within an int64 and every answer within seconds.
	MaxPlants = 10_000_000
	// SharePlaces is how many decimal places a share may have and is given with.
	SharePlaces = 6
	// mostShareDigits refuses a number that is written to exhaust memory.
	mostShareDigits = 18
)

// leastSensitivity is the least share of affected plants that an inspection must
// see to be one; below it the work has no useful limit.
var leastSensitivity = decimal.New(1, -2)

var unity = decimal.New(1, 0)

// checkPlaces refuses what is not a plain share with at most 6 places.
func checkPlaces(field string, share decimal.Decimal) error {
	if share.Exponent() > 0 || share.Exponent() < -mostShareDigits || share.NumDigits() > mostShareDigits ||
		!share.Equal(share.Truncate(SharePlaces)) {
		return fault.Field(field, "must be a share between 0 and 1 with at most %d decimal places", SharePlaces)
	}
	return nil
}

func checkConfidence(confidence decimal.Decimal) error {
	const field = "confidence"
	if err := checkPlaces(field, confidence); err != nil {
		return err
	}
	if !confidence.IsPositive() || !confidence.LessThan(unity) {
		return fault.Field(field, "must be more than 0 and less than 1, not %s: no inspection proves anything with certainty", confidence).
			With("value", confidence.String())
	}
	return nil
}

func checkPrevalence(prevalence decimal.Decimal) error {
	const field = "prevalence"
	if err := checkPlaces(field, prevalence); err != nil {
		return err
	}
	if !prevalence.IsPositive() || prevalence.GreaterThan(unity) {
		return fault.Field(field, "must be more than 0 and at most 1, not %s", prevalence).
			With("value", prevalence.String())
	}
	return nil
}

func checkSensitivity(field string, sensitivity decimal.Decimal) error {
	if err := checkPlaces(field, sensitivity); err != nil {
		return err
	}
	if sensitivity.LessThan(leastSensitivity) || sensitivity.GreaterThan(unity) {
		return fault.Field(field, "must be from %s to 1, not %s: an inspection that sees less of what is there is none", leastSensitivity, sensitivity).
			With("least", leastSensitivity.String()).With("value", sensitivity.String())
	}
	return nil
}

func checkPlants(field string, plants int64) error {
	if plants < 1 || plants > MaxPlants {
		return countFault(field, 1, MaxPlants, plants)
	}
	return nil
}

// checkCount refuses a count outside of least to most.
func checkCount(field string, least, most, count int64) error {
	if count < least || count > most {
		return countFault(field, least, most, count)
	}
	return nil
}

func countFault(field string, least, most, count int64) error {
	return fault.Field(field, "must be from %d to %d, not %d", least, most, count).
		With("least", decimal.NewFromInt(least).String()).
		With("most", decimal.NewFromInt(most).String()).
		With("value", decimal.NewFromInt(count).String())
}

// complement returns 1 - share, exactly.
func complement(share decimal.Decimal) *big.Rat { return unity.Sub(share).Rat() }

// shareOf returns part/whole rounded up to 6 places: ruling out "that share or
// more" then never claims more than ruling out "part or more".
func shareOf(part, whole int64) decimal.Decimal {
	millionths := (part*1_000_000 + whole - 1) / whole
	return decimal.New(millionths, -SharePlaces)
}

// AffectedPlants returns the number of affected plants among plants at a
// prevalence: the product rounded up, at least 1.
func AffectedPlants(plants int64, prevalence decimal.Decimal) (int64, error) {
	if err := checkPlants("plants", plants); err != nil {
		return 0, err
	}
	if err := checkPrevalence(prevalence); err != nil {
		return 0, err
	}
	return prevalence.Mul(decimal.NewFromInt(plants)).Ceil().IntPart(), nil
}
