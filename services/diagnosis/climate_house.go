package diagnosis

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
)

// loggerSeries is the readings of one logger, ascending by time.
type loggerSeries struct {
	logger   string
	readings []climate.Reading
}

// joined is what was recorded before with what a file has for the same logger. A
// value of the file replaces one of the same second; what it lacks stays.
func joined(before, file []climate.Reading) (all []climate.Reading, replaced, differing int64) {
	all = make([]climate.Reading, 0, len(before)+len(file))
	for len(before) > 0 && len(file) > 0 {
		switch {
		case before[0].Time < file[0].Time:
			all, before = append(all, before[0]), before[1:]
		case before[0].Time > file[0].Time:
			all, file = append(all, file[0]), file[1:]
		default:
			one, differs := overwritten(before[0], file[0])
			if differs {
				differing++
			}
			replaced++
			all, before, file = append(all, one), before[1:], file[1:]
		}
	}
	all = append(all, before...)
	return append(all, file...), replaced, differing
}

func overwritten(before, after climate.Reading) (one climate.Reading, differs bool) {
	for _, pair := range [3]struct{ old, next *int32 }{
		{&before.Temperature, &after.Temperature}, {&before.Humidity, &after.Humidity}, {&before.Wetness, &after.Wetness},
	} {
		if *pair.next == climate.Missing {
			*pair.next = *pair.old
			continue
		}
		differs = differs || (*pair.old != climate.Missing && *pair.old != *pair.next)
	}
	return after, differs
}

// wettest makes one series of all loggers of a house. Of several, the wettest
// reading of every interval counts, since it says where in the house a pathogen
// first finds what it needs: the highest humidity with its temperature, and the
// highest wetness of a leaf sensor, wherever that is. The interval, in seconds, is the longest of theirs; 0
// for a single logger, whose readings are as they are.
func wettest(loggers []loggerSeries) (readings []climate.Reading, interval int64) {
	switch len(loggers) {
	case 0:
		return nil, 0
	case 1:
		return loggers[0].readings, 0
	}
	loggers = slices.Clone(loggers) // their readings are used up below
	for _, l := range loggers {
		interval = max(interval, infection.UsualInterval(l.readings))
	}
	for {
		slot := int64(math.MaxInt64)
		for _, l := range loggers {
			if len(l.readings) > 0 {
				slot = min(slot, slotOf(l.readings[0].Time, interval))
			}
		}
		if slot == math.MaxInt64 {
			return readings, interval
		}
		one := climate.Reading{Time: slot, Temperature: climate.Missing, Humidity: climate.Missing, Wetness: climate.Missing}
		for i := range loggers {
			l := &loggers[i]
			for len(l.readings) > 0 && slotOf(l.readings[0].Time, interval) == slot {
				one = wetterOf(one, l.readings[0])
				l.readings = l.readings[1:]
			}
		}
		readings = append(readings, one)
	}
}

// slotOf is the end of the interval that a reading stands for: it tells of the time
// before it.
func slotOf(seconds, interval int64) int64 { return (seconds + interval - 1) / interval * interval }

// wetterOf joins another reading with what is known of its interval. Missing is less
// than any amount.
func wetterOf(known, other climate.Reading) climate.Reading {
	known.Wetness = max(known.Wetness, other.Wetness)
	switch {
	case other.Humidity > known.Humidity:
		known.Humidity = other.Humidity
		if other.Temperature != climate.Missing {
			known.Temperature = other.Temperature
		}
	case known.Temperature == climate.Missing:
		known.Temperature = other.Temperature
	}
	return known
}

// wettestNote says that several loggers were joined; empty for one.
func wettestNote(house string, loggers []loggerSeries, interval int64) string {
	if len(loggers) < 2 {
		return ""
	}
	names := make([]string, len(loggers))
	for i, l := range loggers {
		names[i] = l.logger
	}
	return fmt.Sprintf("House %s has %d loggers (%s): of every %d min the wettest reading counts.",
		house, len(loggers), strings.Join(names, ", "), interval/60)
}

// climateDay sums up one day of a house.
type climateDay struct {
	date string
	// temperature and humidity are in hundredths.
	temperature, humidity sum
	deficit               float64 // kPa, summed up
	deficits              int
	wet, covered          float64 // h
	// tellsWetness says that a leaf sensor or the humidity was recorded.
	tellsWetness bool
	end          int64
}

// sum adds whole hundredths up exactly.
type sum struct {
	total, n    int64
	least, most int32
}

func (s *sum) add(hundredths int32) {
	if s.n == 0 || hundredths < s.least {
		s.least = hundredths
	}
	if s.n == 0 || hundredths > s.most {
		s.most = hundredths
	}
	s.total += int64(hundredths)
	s.n++
}

// mean is in the unit of the readings; nil without any.
func (s *sum) mean() *big.Rat {
	if s.n == 0 {
		return nil
	}
	return big.NewRat(s.total, 100*s.n)
}

// climateDays sums up readings day by day of a zone. Stretches are those of the
// readings, one for each.
func climateDays(readings []climate.Reading, spans []infection.Span, zone *time.Location) []climateDay {
	var days []climateDay
	for i, span := range spans {
		if len(days) == 0 || span.End > days[len(days)-1].end {
			// A reading at midnight tells of the day before.
			year, month, day := time.Unix(span.End-1, 0).In(zone).Date()
			date := time.Date(year, month, day, 0, 0, 0, 0, zone)
			days = append(days, climateDay{date: date.Format(time.DateOnly), end: date.AddDate(0, 0, 1).Unix()})
		}
		days[len(days)-1].add(readings[i], span)
	}
	return days
}

func (d *climateDay) add(r climate.Reading, span infection.Span) {
	hours := float64(span.End-span.Start) / time.Hour.Seconds()
	d.covered += hours
	d.wet += hours * span.Wet
	d.tellsWetness = d.tellsWetness || r.Humidity != climate.Missing || r.Wetness != climate.Missing
	if r.Temperature != climate.Missing {
		d.temperature.add(r.Temperature)
	}
	if r.Humidity != climate.Missing {
		d.humidity.add(r.Humidity)
	}
	if r.Temperature != climate.Missing && r.Humidity != climate.Missing {
		d.deficit += infection.VapourPressureDeficit(span.Celsius, span.Humidity)
		d.deficits++
	}
}

// Decimals that the contract shows of what was computed.
const (
	degreePlaces  = 2
	percentPlaces = 2
	hourPlaces    = 2
	kPaPlaces     = 3
)

func (d *climateDay) contract() *diagnosisv1.ClimateDay {
	day := &diagnosisv1.ClimateDay{
		Date: d.date, Covered: computed(d.covered, hourPlaces, quantity.Hour),
	}
	if d.tellsWetness {
		day.LeafWetness = computed(d.wet, hourPlaces, quantity.Hour)
	}
	if mean := d.temperature.mean(); mean != nil {
		day.TemperatureMin = exactly(big.NewRat(int64(d.temperature.least), 100), degreePlaces, quantity.Celsius)
		day.TemperatureMean = exactly(mean, degreePlaces, quantity.Celsius)
		day.TemperatureMax = exactly(big.NewRat(int64(d.temperature.most), 100), degreePlaces, quantity.Celsius)
	}
	if mean := d.humidity.mean(); mean != nil {
		day.HumidityMean = exactly(mean, percentPlaces, quantity.Percent)
	}
	if d.deficits > 0 {
		day.VapourPressureDeficit = computed(d.deficit/float64(d.deficits), kPaPlaces, quantity.Kilopascal)
	}
	return day
}

// exactly rounds a fraction to some decimals, a half to the even one.
func exactly(amount *big.Rat, places int32, unit quantity.Unit) *typev1.Quantity {
	whole := quantity.ExactOf(amount, unit).Round()
	whole.Amount = whole.Amount.RoundBank(places)
	return whole.Contract()
}

// computed makes an amount of what a model computed, rounded to some decimals. It is
// an estimate to be shown and never enters a record.
func computed(value float64, places int32, unit quantity.Unit) *typev1.Quantity {
	amount := new(big.Rat).SetFloat64(value)
	if amount == nil { // not a number: there is nothing to show
		return nil
	}
	return exactly(amount, places, unit)
}
