package rules

import (
	"fmt"

	"github.com/shopspring/decimal"

	"velamen/internal/quantity"
	"velamen/services/products"
)

// Range of air temperatures over which an application can be planned, Cel: what a
// logger's file may hold.
const (
	coldestAir = -40
	hottestAir = 70
)

// TemperatureRange is the whole degrees of the air, Cel, from Least to Most, at which
// no rule on temperature refuses an application.
type TemperatureRange struct {
	Least, Most int
}

// String writes the range as people say it, for example "at most 30 Cel".
func (t TemperatureRange) String() string {
	switch {
	case t.Least > t.Most:
		return "no temperature"
	case t.Least == coldestAir:
		return fmt.Sprintf("at most %d Cel", t.Most)
	case t.Most == hottestAir:
		return fmt.Sprintf("at least %d Cel", t.Least)
	default:
		return fmt.Sprintf("%d to %d Cel", t.Least, t.Most)
	}
}

// Limits reports whether some temperature is refused.
func (t TemperatureRange) Limits() bool { return t.Least > coldestAir || t.Most < hottestAir }

// TemperaturesFor returns the temperatures of the air at which neither its labels nor
// the rules on weather refuse an application, by asking those rules for each whole
// degree; the wider part of two. Least is above Most when each is refused. It returns
// the faults of Check.
func TemperaturesFor(a Application) (TemperatureRange, error) {
	best := TemperatureRange{Least: hottestAir + 1, Most: hottestAir}
	var run *TemperatureRange
	for degrees := coldestAir; degrees <= hottestAir; degrees++ {
		refused, err := refusesTemperature(a, degrees)
		if err != nil {
			return TemperatureRange{}, err
		}
		if refused {
			run = nil
			continue
		}
		if run == nil {
			run = &TemperatureRange{Least: degrees}
		}
		if run.Most = degrees; run.Most-run.Least > best.Most-best.Least {
			best = *run
		}
	}
	return best, nil
}

// refusesTemperature reports whether a label or the weather refuses an application in
// air of some degrees, Cel.
func refusesTemperature(a Application, degrees int) (bool, error) {
	a.Conditions.Temperature = quantity.Quantity{Amount: decimal.NewFromInt(int64(degrees)), Unit: quantity.Celsius}
	c, err := newCheck(a, nil)
	if err != nil {
		return false, err
	}
	for _, l := range c.lines {
		if l.listing == products.Listed {
			c.labelTemperature(l)
		}
	}
	c.weather()
	return len(Refusals(c.verdicts)) > 0, nil
}
