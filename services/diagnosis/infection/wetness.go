package infection

import (
	"math"
	"slices"
	"time"

	"velamen/services/diagnosis/climate"
)

// Method says how wet leaves are told from what a logger records.
type Method string

// The methods.
const (
	// Sensor takes the logger's own leaf sensor.
	Sensor Method = "leaf sensor"
	// SensorElseHumidity takes the leaf sensor where a reading has one, else
	// HumidityThreshold: a sensor that is taken away must not make leaves dry.
	SensorElseHumidity Method = "leaf sensor, without it relative humidity of 90 % or more"
	// HumidityThreshold has leaves wet from 90 % relative humidity on (Sentelhas et al.
	// 2008, as cited by others; sites differ from 83 to 95 %).
	HumidityThreshold Method = "relative humidity of 90 % or more"
	// HumidityTrend has leaves dry below 70 %, wet from 87 % on, and between them wet
	// while humidity rises by more than 3 % in half an hour and dry while it falls by
	// more than 2 % (extended threshold of Wichink Kruit, from memory).
	HumidityTrend Method = "relative humidity and its trend"
	// DewPointDepression has leaves wet once the dew point comes within 2.0 K and dry
	// once it is more than 3.8 K away (Gillespie and Huber, from memory).
	DewPointDepression Method = "dew point depression"
)

// The thresholds of the methods; their sources stand with the methods.
const (
	wetFromHumidity  = 90.0 // %
	trendDryBelow    = 70.0 // %
	trendWetFrom     = 87.0 // %
	trendRise        = 3.0  // % in half an hour
	trendFall        = 2.0  // % in half an hour
	trendSpan        = 1800 // s
	depressionWetAt  = 2.0  // K
	depressionDryAt  = 3.8  // K
	defaultInterval  = 600  // s, where a single reading tells none
	secondsOfAnHour  = 3600.0
	hundredthsOfFull = 10000.0
)

// DryOff is how long watered or sprayed leaves stay wet where nobody says otherwise:
// design value, no source.
const DryOff = 2 * time.Hour

// Span is a stretch of time with the climate of one reading: from the reading before
// to it.
type Span struct {
	// Start and End are in seconds since 1970-01-01 UTC.
	Start, End int64
	// Celsius and Humidity (percent) are NaN where the logger recorded none.
	Celsius, Humidity float64
	// Wet is the share of the stretch with wet leaves, 0 to 1.
	Wet float64
	// AfterGap is true when the time before Start is not known.
	AfterGap bool
	// Blind is true when the reading has nothing by which the method tells wet leaves,
	// so that they count as dry unless watered.
	Blind bool
}

// Unknown says that nobody can tell whether a pathogen could infect: there is no
// temperature, or nothing that tells wet leaves.
func (s Span) Unknown() bool { return math.IsNaN(s.Celsius) || (s.Blind && s.Wet == 0) }

func (s Span) hours() float64 { return float64(s.End-s.Start) / secondsOfAnHour }

// Wetting is how to tell wet leaves.
type Wetting struct {
	// Method; when empty, the sensor in each reading that has one, else the threshold.
	Method Method
	// Interval is the usual time from one reading to the next in seconds; worked out
	// from the readings when zero.
	Interval int64
	// Waterings are when leaves were watered or sprayed besides, and DryOff how long
	// they stay wet then.
	Waterings []time.Time
	DryOff    time.Duration
}

// Spans turns readings, ascending by time, into stretches with wet and dry, and
// says which method told them. A method that needs what a reading lacks gives a
// blind stretch.
func Spans(readings []climate.Reading, w Wetting) ([]Span, Method) {
	if w.Method == "" {
		w.Method = methodFor(readings)
	}
	if w.Interval == 0 {
		w.Interval = UsualInterval(readings)
	}
	spans := make([]Span, 0, len(readings))
	judge := judgeOf(w.Method)
	for i, r := range readings {
		span := Span{Start: r.Time - w.Interval, End: r.Time, AfterGap: true, Celsius: math.NaN(), Humidity: math.NaN()}
		if i > 0 && !climate.Interrupted(readings, i, w.Interval) {
			span.Start, span.AfterGap = readings[i-1].Time, false
		} else if i > 0 && span.Start < readings[i-1].Time {
			span.Start = readings[i-1].Time
		}
		if celsius, ok := r.Celsius(); ok {
			span.Celsius = celsius
		}
		if humidity, ok := r.RelativeHumidity(); ok {
			span.Humidity = humidity
		}
		span.Wet = judge.share(r, span)
		span.Blind = w.Method.blind(r)
		spans = append(spans, span)
	}
	water(spans, w.Waterings, w.DryOff)
	return spans, w.Method
}

// methodFor returns how wet leaves are told when nobody chooses.
func methodFor(readings []climate.Reading) Method {
	with, without := false, false
	for _, r := range readings {
		if r.Wetness == climate.Missing {
			without = true
		} else {
			with = true
		}
	}
	switch {
	case !with:
		return HumidityThreshold
	case without:
		return SensorElseHumidity
	default:
		return Sensor
	}
}

// blind says that a reading lacks what a method needs.
func (m Method) blind(r climate.Reading) bool {
	switch m {
	case Sensor:
		return r.Wetness == climate.Missing
	case SensorElseHumidity:
		return r.Wetness == climate.Missing && r.Humidity == climate.Missing
	case DewPointDepression:
		return r.Humidity == climate.Missing || r.Temperature == climate.Missing
	default:
		return r.Humidity == climate.Missing
	}
}

// UsualInterval returns the median time from one reading to the next, in seconds.
func UsualInterval(readings []climate.Reading) int64 {
	if len(readings) < 2 {
		return defaultInterval
	}
	const enough = 1001 // the usual interval shows in far fewer
	count := min(len(readings)-1, enough)
	steps := make([]int64, count)
	for i := range count {
		steps[i] = readings[i+1].Time - readings[i].Time
	}
	slices.Sort(steps)
	return max(1, steps[count/2])
}

// judge tells wet from dry and remembers what it needs for the next reading.
type judge struct {
	method Method
	wet    bool
	// trail are times and humidities of the last half hour, for the trend.
	trail []Span
}

func judgeOf(method Method) *judge { return &judge{method: method} }

// share returns the share of a span that is wet.
func (j *judge) share(r climate.Reading, s Span) float64 {
	if s.AfterGap {
		j.wet, j.trail = false, j.trail[:0]
	}
	sensed := j.method == Sensor || j.method == SensorElseHumidity
	switch {
	case sensed && r.Wetness != climate.Missing:
		return float64(r.Wetness) / hundredthsOfFull
	case j.method == Sensor:
		return 0
	case j.method == HumidityTrend:
		j.wet = j.byTrend(s)
	case j.method == DewPointDepression:
		j.wet = j.byDepression(s)
	default:
		j.wet = s.Humidity >= wetFromHumidity // false for NaN
	}
	if j.wet {
		return 1
	}
	return 0
}

func (j *judge) byTrend(s Span) bool {
	if math.IsNaN(s.Humidity) {
		return false
	}
	for len(j.trail) > 1 && s.End-j.trail[1].End >= trendSpan {
		j.trail = j.trail[1:]
	}
	defer func() { j.trail = append(j.trail, s) }()
	switch {
	case s.Humidity < trendDryBelow:
		return false
	case s.Humidity >= trendWetFrom:
		return true
	case len(j.trail) == 0:
		return j.wet
	}
	since := j.trail[0]
	change := (s.Humidity - since.Humidity) * trendSpan / float64(s.End-since.End)
	switch {
	case change > trendRise:
		return true
	case change < -trendFall:
		return false
	default:
		return j.wet
	}
}

func (j *judge) byDepression(s Span) bool {
	if math.IsNaN(s.Humidity) || math.IsNaN(s.Celsius) || s.Humidity <= 0 {
		return false
	}
	depression := s.Celsius - DewPoint(VapourPressure(s.Celsius, s.Humidity))
	switch {
	case depression <= depressionWetAt:
		return true
	case depression > depressionDryAt:
		return false
	default:
		return j.wet
	}
}

// LeafIsWet says whether dew forms on a leaf of a temperature in °C in air of a
// temperature in °C and a relative humidity in percent: when the leaf is no warmer
// than the dew point.
func LeafIsWet(leaf, air, humidity float64) bool {
	return leaf <= DewPoint(VapourPressure(air, humidity))
}

// water makes stretches wet in which leaves were watered.
func water(spans []Span, times []time.Time, dryOff time.Duration) {
	if dryOff == 0 {
		dryOff = DryOff
	}
	for _, moment := range times {
		from, until := moment.Unix(), moment.Add(dryOff).Unix()
		first, _ := slices.BinarySearchFunc(spans, from, func(s Span, t int64) int {
			if s.End <= t {
				return -1
			}
			return 1
		})
		for i := first; i < len(spans) && spans[i].Start < until; i++ {
			overlap := min(spans[i].End, until) - max(spans[i].Start, from)
			share := float64(overlap) / float64(spans[i].End-spans[i].Start)
			spans[i].Wet = max(spans[i].Wet, share)
		}
	}
}
