package diagnosis

import (
	"strconv"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/diagnosis/inference"
)

// Bounds of conditions in which plants stand; what lies outside is a typing error or
// another unit. Common practice, no source.
const (
	coldest   = -20
	hottest   = 60
	wholeDay  = 24
	fullShare = 100
)

// conditionsOf reads conditions as they are weighed.
func conditionsOf(c *diagnosisv1.SiteConditions) (inference.Conditions, error) {
	read := inference.Conditions{Light: c.GetLight()}
	if c != nil {
		read.WetMedium = c.WetMedium
	}
	for _, one := range []struct {
		field       string
		given       *typev1.Quantity
		unit        quantity.Unit
		least, most float64
		into        **float64
	}{
		{"conditions.temperature", c.GetTemperature(), quantity.Celsius, coldest, hottest, &read.TemperatureC},
		{"conditions.humidity", c.GetHumidity(), quantity.Percent, 0, fullShare, &read.HumidityPercent},
		{"conditions.leaf_wetness", c.GetLeafWetness(), quantity.Hour, 0, wholeDay, &read.WetHoursPerDay},
	} {
		if one.given == nil {
			continue
		}
		value, err := measured(one.field, one.given, one.unit)
		if err != nil {
			return inference.Conditions{}, err
		}
		if value < one.least || value > one.most {
			return inference.Conditions{}, fault.Field(one.field, "%s must be from %g to %g %s", one.given.GetAmount(), one.least, one.most, one.unit).
				With("amount", one.given.GetAmount())
		}
		*one.into = &value
	}
	return read, nil
}

// measured is a quantity in a unit, as a number that is weighed and never kept.
func measured(field string, given *typev1.Quantity, unit quantity.Unit) (float64, error) {
	amount, err := quantity.FromContract(given)
	if err != nil {
		return 0, fault.Field(field, "%s", err)
	}
	if amount, err = amount.In(unit); err != nil {
		return 0, fault.Field(field, "must be in %s", unit).With("unit", string(unit))
	}
	value, _ := amount.Amount.Rat().Float64()
	return value, nil
}

// conditionsContract writes conditions that were weighed; nil when nothing was known.
func conditionsContract(c inference.Conditions) *diagnosisv1.SiteConditions {
	if c == (inference.Conditions{}) {
		return nil
	}
	return &diagnosisv1.SiteConditions{
		Temperature: weighed(c.TemperatureC, quantity.Celsius), Humidity: weighed(c.HumidityPercent, quantity.Percent),
		LeafWetness: weighed(c.WetHoursPerDay, quantity.Hour), Light: c.Light, WetMedium: c.WetMedium,
	}
}

// weighed writes a number to one decimal, which is finer than it is known.
func weighed(value *float64, unit quantity.Unit) *typev1.Quantity {
	if value == nil {
		return nil
	}
	return &typev1.Quantity{Amount: strconv.FormatFloat(*value, 'f', 1, 64), Unit: string(unit)}
}
