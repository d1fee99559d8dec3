// Package climate reads what loggers in houses record: temperature, humidity and,
// where a logger has a sensor for it, leaf wetness. Files come with their columns in
// any order and their units in the header or not at all; what is odd in them is
// said, never mended in silence.
package climate

import "time"

// Missing stands in a Reading for what the logger did not record.
const Missing = -1 << 31

// Reading is one record of a logger. Amounts are whole hundredths, so that they are
// kept exactly as they were read.
type Reading struct {
	// Time is in seconds since 1970-01-01 UTC.
	Time int64
	// Temperature is in hundredths of a degree Celsius, or Missing.
	Temperature int32
	// Humidity is relative, in hundredths of a percent, or Missing.
	Humidity int32
	// Wetness is the share of the time since the reading before in which the leaf
	// sensor was wet, in hundredths of a percent, or Missing.
	Wetness int32
}

// At is when the reading was taken, UTC.
func (r Reading) At() time.Time { return time.Unix(r.Time, 0).UTC() }

// Celsius returns the temperature in °C, and whether there is one.
func (r Reading) Celsius() (float64, bool) {
	return float64(r.Temperature) / 100, r.Temperature != Missing
}

// RelativeHumidity returns the humidity in percent, and whether there is one.
func (r Reading) RelativeHumidity() (float64, bool) {
	return float64(r.Humidity) / 100, r.Humidity != Missing
}
