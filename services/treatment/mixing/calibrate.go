package mixing

import (
	"fmt"
	"math/big"

	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// Units of a calibration.
const (
	litrePerMinute   quantity.Unit = "L/min"
	kilometrePerHour quantity.Unit = "km/h"
	metrePerMinute   quantity.Unit = "m/min"
	litrePerHectare  quantity.Unit = "L/ha"
	gallonPerAcre    quantity.Unit = "gal/acre"
)

// Limits of nozzles.
var (
	// mostWear is the output of a worn nozzle as a share of a new one: replace it
	// above (sprayer makers' manuals).
	mostWear = big.NewRat(110, 100)
	// leastOutput is the output of a nozzle as a share of a new one below which
	// something is wrong with it or the pressure (common practice, no source).
	leastOutput = big.NewRat(90, 100)
	// mostSpread is how far a nozzle's output may be from the mean of all, as a
	// share of it (Australian guidance, the strictest found).
	mostSpread = big.NewRat(5, 100)
)

// setReplacedFrom is the number of worn nozzles from which the whole set is
// replaced (sprayer makers' manuals).
const setReplacedFrom = 2

// Catch is what one nozzle gave in a time.
type Catch struct{ Caught, Duration quantity.Quantity }

// CatchTest is a sprayer's test.
type CatchTest struct {
	// Nozzles are what each gave.
	Nozzles []Catch
	// NewNozzleOutput is what a new nozzle gives, a volume per time; zero when not
	// known.
	NewNozzleOutput quantity.Quantity
	// Speed, a length per time; or CourseLength and CourseDuration.
	Speed, CourseLength, CourseDuration quantity.Quantity
	// Swath is the width that all nozzles treat together.
	Swath quantity.Quantity
}

// Calibration is what a sprayer puts out.
type Calibration struct {
	// Output of all nozzles in L/min, Speed in km/h.
	Output, Speed quantity.Exact
	// VolumeRate in L/ha, and the same in gal/acre.
	VolumeRate, VolumeRateUS quantity.Exact
	Nozzles                  []NozzleFinding
	// ReplaceSet is true when two or more nozzles are worn out.
	ReplaceSet bool
	// Check says how to check the result by catching on 1/128 acre.
	Check string
	// Sources are what the numbers rest on.
	Sources []string
}

// NozzleFinding says how one nozzle is.
type NozzleFinding struct {
	// Number from 1.
	Number int
	// Output in L/min.
	Output quantity.Exact
	// Replace is true when it is worn out.
	Replace bool
	// Message says why.
	Message string
}

// Calibrate works out what a sprayer puts out, exactly. It returns a fault that
// names the field of the test at fault.
func Calibrate(test CatchTest) (Calibration, error) {
	outputs, err := test.outputs()
	if err != nil {
		return Calibration{}, err
	}
	speed, err := test.speed()
	if err != nil {
		return Calibration{}, err
	}
	if err := above("swath", test.Swath, quantity.Metre, "a width such as 50 cm"); err != nil {
		return Calibration{}, err
	}
	c := Calibration{Output: quantity.ExactOf(new(big.Rat), litrePerMinute), Sources: calibrationSources()}
	for _, output := range outputs {
		if c.Output, err = c.Output.Add(output); err != nil {
			return Calibration{}, err
		}
	}
	if c.Nozzles, err = test.findings(outputs, c.Output); err != nil {
		return Calibration{}, err
	}
	worn := 0
	for _, nozzle := range c.Nozzles {
		if nozzle.Replace {
			worn++
		}
	}
	c.ReplaceSet = worn >= setReplacedFrom
	if c.Speed, err = speed.In(kilometrePerHour); err != nil {
		return Calibration{}, err
	}
	if c.VolumeRate, err = VolumeRate(c.Output, speed, test.Swath.Exact()); err != nil {
		return Calibration{}, err
	}
	if c.VolumeRateUS, err = c.VolumeRate.In(gallonPerAcre); err != nil {
		return Calibration{}, err
	}
	c.Check, err = test.check(c.VolumeRateUS)
	return c, err
}

// VolumeRate returns the volume that a sprayer puts on an area, in L/ha, from its
// output (a volume per time), its speed (a length per time) and its swath (a
// length): output / (speed x swath). All constants such as 5940, 495 and 600 that
// leaflets multiply by are only the units' sizes.
func VolumeRate(output, speed, swath quantity.Exact) (quantity.Exact, error) {
	litres, err := output.In(litrePerMinute)
	if err != nil {
		return quantity.Exact{}, err
	}
	metres, err := speed.In(metrePerMinute)
	if err != nil {
		return quantity.Exact{}, err
	}
	width, err := swath.In(quantity.Metre)
	if err != nil {
		return quantity.Exact{}, err
	}
	area := new(big.Rat).Mul(metres.Amount(), width.Amount())
	if area.Sign() <= 0 {
		return quantity.Exact{}, fmt.Errorf("the speed and the swath must be above zero")
	}
	return quantity.ExactOf(area.Quo(litres.Amount(), area), quantity.LitrePerM2).In(litrePerHectare)
}

// smallPlot is the area on which the fluid ounces caught are the gallons per acre:
// an acre holds 128 of them and a gallon 128 fluid ounces.
func smallPlot() quantity.Exact {
	return quantity.ExactOf(big.NewRat(1, 128), quantity.Acre)
}

// SmallPlotCourse returns how far to walk, in ft, to treat 1/128 acre with a swath:
// 340.3125 ft2 divided by its width.
func SmallPlotCourse(swath quantity.Exact) (quantity.Exact, error) {
	feet, err := swath.In(quantity.Foot)
	if err != nil {
		return quantity.Exact{}, err
	}
	area, err := smallPlot().In(quantity.SquareFoot)
	if err != nil {
		return quantity.Exact{}, err
	}
	if feet.Sign() <= 0 {
		return quantity.Exact{}, fmt.Errorf("the swath must be above zero")
	}
	return quantity.ExactOf(new(big.Rat).Quo(area.Amount(), feet.Amount()), quantity.Foot), nil
}

// SmallPlotRate returns the volume rate, gal/acre, of what all nozzles gave in the
// time of treating 1/128 acre.
func SmallPlotRate(caught quantity.Exact) (quantity.Exact, error) {
	ounces, err := caught.In(quantity.FluidOunce)
	if err != nil {
		return quantity.Exact{}, err
	}
	return quantity.ExactOf(ounces.Amount(), gallonPerAcre), nil
}

// outputs returns the output of each nozzle in L/min.
func (t CatchTest) outputs() ([]quantity.Exact, error) {
	if len(t.Nozzles) == 0 {
		return nil, fault.Field("nozzles", "give what at least one nozzle gave")
	}
	outputs := make([]quantity.Exact, len(t.Nozzles))
	for i, catch := range t.Nozzles {
		field := fmt.Sprintf("nozzles[%d]", i)
		if err := above(field+".caught", catch.Caught, quantity.Litre, "a volume such as 500 mL"); err != nil {
			return nil, err
		}
		output, err := perMinute(field+".duration", catch.Caught, catch.Duration, quantity.Litre)
		if err != nil {
			return nil, err
		}
		outputs[i] = quantity.ExactOf(output, litrePerMinute)
	}
	return outputs, nil
}

// speed returns the speed given, or that of the course.
func (t CatchTest) speed() (quantity.Exact, error) {
	course := !t.CourseLength.IsZero() || !t.CourseDuration.IsZero()
	switch {
	case !t.Speed.IsZero() && course:
		return quantity.Exact{}, fault.Field("speed", "give either a speed or a course, not both")
	case !t.Speed.IsZero():
		return t.Speed.Exact(), above("speed", t.Speed, kilometrePerHour, "a speed such as 5 km/h")
	case !course:
		return quantity.Exact{}, fault.Field("speed", "give a speed, or a course with its length and duration")
	}
	if err := above("course_length", t.CourseLength, quantity.Metre, "a length such as 50 m"); err != nil {
		return quantity.Exact{}, err
	}
	speed, err := perMinute("course_duration", t.CourseLength, t.CourseDuration, quantity.Metre)
	if err != nil {
		return quantity.Exact{}, err
	}
	return quantity.ExactOf(speed, metrePerMinute), nil
}

// perMinute returns an amount in a unit divided by the minutes that it took.
func perMinute(durationField string, amount, duration quantity.Quantity, unit quantity.Unit) (*big.Rat, error) {
	if err := above(durationField, duration, quantity.Second, "a time such as 30 s"); err != nil {
		return nil, err
	}
	same, err := amount.Exact().In(unit)
	if err != nil {
		return nil, err
	}
	minutes, err := duration.Exact().In(quantity.Minute)
	if err != nil {
		return nil, err
	}
	return new(big.Rat).Quo(same.Amount(), minutes.Amount()), nil
}

// above refuses what is not above zero in a unit like another.
func above(field string, value quantity.Quantity, like quantity.Unit, says string) error {
	if !value.Positive() || !quantity.Convertible(value.Unit, like) {
		return fault.Field(field, "must be above zero, %s", says)
	}
	return nil
}

// findings judges each nozzle by a new one and by the mean of all.
func (t CatchTest) findings(outputs []quantity.Exact, sum quantity.Exact) ([]NozzleFinding, error) {
	var fresh quantity.Exact
	if !t.NewNozzleOutput.IsZero() {
		if err := above("new_nozzle_output", t.NewNozzleOutput, litrePerMinute, "a volume per time such as 0.8 L/min"); err != nil {
			return nil, err
		}
		var err error
		if fresh, err = t.NewNozzleOutput.Exact().In(litrePerMinute); err != nil {
			return nil, err
		}
	}
	mean := sum.Times(big.NewRat(1, int64(len(outputs))))
	findings := make([]NozzleFinding, len(outputs))
	for i, output := range outputs {
		finding := NozzleFinding{Number: i + 1, Output: output}
		finding.Replace, finding.Message = judge(output, fresh, mean)
		findings[i] = finding
	}
	return findings, nil
}

// judge compares a nozzle with a new one (zero when not known) and with the mean,
// all in L/min.
func judge(output, fresh, mean quantity.Exact) (replace bool, message string) {
	spread := new(big.Rat).Sub(output.Amount(), mean.Amount())
	uneven := new(big.Rat).Abs(spread).Cmp(new(big.Rat).Mul(mean.Amount(), mostSpread)) > 0
	unevenText := fmt.Sprintf("%s from the mean of all nozzles, more than 5 %%; clean it and test again.", percentOff(spread, mean.Amount()))
	if fresh.IsZero() {
		message = "The output of a new nozzle is not given, so that wear is not judged."
		if uneven {
			message += " It is " + unevenText
		}
		return false, message
	}
	wear := percentOff(new(big.Rat).Sub(output.Amount(), fresh.Amount()), fresh.Amount())
	if output.Amount().Cmp(fresh.Times(mostWear).Amount()) > 0 {
		return true, fmt.Sprintf("Worn out: %s from a new nozzle, more than 10 %% above it; replace it.", wear)
	}
	if output.Amount().Cmp(fresh.Times(leastOutput).Amount()) < 0 {
		return false, fmt.Sprintf("Too little: %s from a new nozzle, more than 10 %% below it; clean it, check the pressure and test again.", wear)
	}
	if uneven {
		return false, fmt.Sprintf("Not worn out (%s from a new nozzle), but %s", wear, unevenText)
	}
	return false, fmt.Sprintf("Good: %s from a new nozzle.", wear)
}

// percentOff shows a difference as a share, with its sign. It is cut, not rounded,
// so that what is barely above a limit never reads as far above it.
func percentOff(difference, of *big.Rat) string {
	share := new(big.Rat).Quo(difference, of)
	share.Mul(share, big.NewRat(100, 1))
	sign := "+"
	if share.Sign() < 0 {
		sign = "-"
	}
	return sign + quantity.ExactOf(share.Abs(share), quantity.Percent).Floor(2).String()
}

// check says how to check the result by the method of 1/128 acre.
func (t CatchTest) check(rate quantity.Exact) (string, error) {
	course, err := SmallPlotCourse(t.Swath.Exact())
	if err != nil {
		return "", err
	}
	metres, err := course.In(quantity.Metre)
	if err != nil {
		return "", err
	}
	caught := quantity.ExactOf(rate.Amount(), quantity.FluidOunce)
	millilitres, err := caught.In(quantity.Millilitre)
	if err != nil {
		return "", err
	}
	return fmt.Sprintf("Check: in the time of walking %s (%s) all nozzles together must give %s (%s); the fluid ounces are the gallons per acre.",
		shown(course), shown(metres), shown(caught), shown(millilitres)), nil
}

func calibrationSources() []string {
	return []string{
		"Volume rate = output / (speed x swath), exact in the units' sizes (NIST Special Publication 811); 5940, 495 and 600 in the leaflets are the same (University of Florida IFAS WG013).",
		"Replace a nozzle above 110 % of a new one, and the set from 2 worn nozzles: sprayer makers' manuals.",
		"Uniformity within 5 % of the mean: Australian guidance, the strictest found.",
		"1/128 acre method: University of Florida IFAS WG013; the area is 340.3125 ft2, which leaflets print as 340.",
	}
}
