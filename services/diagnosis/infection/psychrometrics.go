// Package infection works out from the climate of a house when a pathogen could have
// infected: how moist the air was, when leaves were wet, and whether a wet spell was
// long enough at its temperature. It computes in floating point because its results
// advise; no record rests on them.
//
// Most parameters in data/models.yaml come from other hosts or from memory; a row
// says so, and so must whoever shows a result.
package infection

import (
	"errors"
	"math"
)

// The constants of FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), ch. 3.
const (
	saturationAtZero = 0.6108 // kPa, equation 11
	saturationFactor = 17.27  // equation 11
	saturationOffset = 237.3  // °C, equation 11
)

// StandardPressure is the air pressure at sea level, kPa (FAO-56, equation 7).
const StandardPressure = 101.3

// Ventilation is how air passes a wet bulb; its value is the psychrometer
// coefficient per kPa of air pressure (FAO-56, equation 16, values from memory).
type Ventilation float64

// The psychrometers of FAO-56.
const (
	// Ventilated has forced air of about 5 m/s.
	Ventilated Ventilation = 0.000662
	// Natural has about 1 m/s.
	Natural Ventilation = 0.000800
	// Indoor has still air.
	Indoor Ventilation = 0.001200
)

// SaturationVapourPressure returns the vapour pressure of saturated air in kPa at a
// temperature in °C (FAO-56, equation 11).
func SaturationVapourPressure(celsius float64) float64 {
	return saturationAtZero * math.Exp(saturationFactor*celsius/(celsius+saturationOffset))
}

// MeanSaturationVapourPressure returns that of a day in kPa: the mean at its highest
// and lowest temperature, which is more than that at its mean (FAO-56, equation 12).
func MeanSaturationVapourPressure(lowest, highest float64) float64 {
	return (SaturationVapourPressure(lowest) + SaturationVapourPressure(highest)) / 2
}

// VapourPressure returns the actual vapour pressure in kPa of air of a temperature in
// °C and a relative humidity in percent.
func VapourPressure(celsius, humidity float64) float64 {
	return SaturationVapourPressure(celsius) * humidity / 100
}

// MeanVapourPressure returns that of a day in kPa from its extremes: humidity is
// highest when it is coldest (FAO-56, equation 17).
func MeanVapourPressure(lowest, highest, lowestHumidity, highestHumidity float64) float64 {
	return (VapourPressure(lowest, highestHumidity) + VapourPressure(highest, lowestHumidity)) / 2
}

// VapourPressureByBulbs returns the actual vapour pressure in kPa from a dry and a
// wet bulb in °C at an air pressure in kPa (FAO-56, equation 15).
func VapourPressureByBulbs(dry, wet, pressure float64, by Ventilation) float64 {
	return SaturationVapourPressure(wet) - float64(by)*pressure*(dry-wet)
}

// Pressure returns the air pressure in kPa at a height in metres above the sea
// (FAO-56, equation 7).
func Pressure(height float64) float64 {
	return StandardPressure * math.Pow((293-0.0065*height)/293, 5.26)
}

// VapourPressureDeficit returns what is lacking to saturation, in kPa.
func VapourPressureDeficit(celsius, humidity float64) float64 {
	return SaturationVapourPressure(celsius) - VapourPressure(celsius, humidity)
}

// DewPoint returns the temperature in °C at which air of an actual vapour pressure
// in kPa, above zero, is saturated: the inverse of equation 11.
func DewPoint(vapourPressure float64) float64 {
	x := math.Log(vapourPressure / saturationAtZero)
	return saturationOffset * x / (saturationFactor - x)
}

// coldestBulb is the lower end of the search for a wet bulb, °C.
const coldestBulb = -20

// ErrNoWetBulb says that no wet bulb of -20 °C or more fits the air.
var ErrNoWetBulb = errors.New("the air is too cold or too dry for a wet bulb of -20 °C or more")

// WetBulb returns the temperature in °C of a ventilated wet bulb in air of a
// temperature in °C, a relative humidity in percent and a pressure in kPa.
func WetBulb(celsius, humidity, pressure float64) (float64, error) {
	target := VapourPressure(celsius, humidity)
	excess := func(wet float64) float64 {
		return VapourPressureByBulbs(celsius, wet, pressure, Ventilated) - target
	}
	low, high := float64(coldestBulb), celsius
	if high < low || excess(low) > 0 || humidity > 100 {
		return 0, ErrNoWetBulb
	}
	const halvings = 60 // far below the last bit of a temperature
	for range halvings {
		middle := (low + high) / 2
		if excess(middle) > 0 {
			high = middle
		} else {
			low = middle
		}
	}
	return (low + high) / 2, nil
}

// SprayDrying says how spray droplets dry in the air.
type SprayDrying string

// The classes of the wet-bulb depression, an Australian guide for boom sprayers
// outdoors that North Dakota State repeats (2019); indoors it tells the drying time.
const (
	DriesTooSlowly SprayDrying = "too low"
	DriesWell      SprayDrying = "ok"
	DriesFast      SprayDrying = "marginal"
	DriesTooFast   SprayDrying = "too high"
)

// WetBulbDepression returns the difference of dry and wet bulb in K at sea level, and
// how spray dries at it.
func WetBulbDepression(celsius, humidity float64) (float64, SprayDrying, error) {
	wet, err := WetBulb(celsius, humidity, StandardPressure)
	if err != nil {
		return 0, "", err
	}
	depression := celsius - wet
	switch {
	case depression < 2:
		return depression, DriesTooSlowly, nil
	case depression <= 8:
		return depression, DriesWell, nil
	case depression <= 10:
		return depression, DriesFast, nil
	default:
		return depression, DriesTooFast, nil
	}
}
