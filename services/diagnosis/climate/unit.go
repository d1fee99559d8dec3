package climate

import "fmt"

// Bounds that tell units apart, in hundredths. Design values: no house in which
// plants live has half of its readings above 45 °C or below 0 °C.
const (
	hottestMedian    = 45_00
	coldestMedian    = 0
	suspectMedian    = 38_00
	coolMedian       = 5_00
	leastAsCelsius   = 5_00
	mostAsCelsius    = 45_00
	mostShare        = 1_50 // sensors go a little beyond saturation
	dryestMedian     = 40_00
	fewestOfOneDay   = 12
	mostOfADay       = 20 * 3600 // s that readings must span to tell of day and night
	hottestNight     = 38_00     // viruses are driven out of plants at up to 38 °C day and night, from memory
	suspectNight     = 30_00
	spreadLeast      = -100_00
	spreadMost       = 200_00
	saturated        = 100_00
	mostSaturated    = 100_50
	leastTemperature = -40_00
	mostTemperature  = 55_00 // above what a house reaches; a part in °F mostly lies above it
)

// spread counts values by hundredths, those beyond its ends at the ends.
type spread struct {
	counts []uint32
	n      int
	most   int32
}

func (s *spread) add(value int32) {
	if s.counts == nil {
		s.counts = make([]uint32, spreadMost-spreadLeast+1)
		s.most = value
	}
	s.n++
	s.most = max(s.most, value)
	s.counts[min(max(value, spreadLeast), spreadMost)-spreadLeast]++
}

// median is the lower one of an even number of values.
func (s *spread) median() int32 {
	seen := 0
	for i, count := range s.counts {
		seen += int(count)
		if seen*2 >= s.n {
			return spreadLeast + int32(i) // #nosec G115 -- an index of counts
		}
	}
	return 0
}

// checkUnits refuses a file whose values cannot have the unit of their column.
func (p *parser) checkUnits() error {
	var temperature, humidity spread
	for i := range p.rows {
		if r := &p.rows[i]; r.Temperature != Missing {
			temperature.add(r.Temperature)
		}
		if r := &p.rows[i]; r.Humidity != Missing {
			humidity.add(r.Humidity)
		}
	}
	if humidity.n > 0 && humidity.most > 0 && humidity.most <= mostShare {
		return rejected("format.humidity_column", "the humidity in %s never goes above %s: it seems to be a share of 1, not percent; export it in percent",
			p.humidity.place(), plain(humidity.most)).With("column", p.humidity.name).With("highest", plain(humidity.most))
	}
	if temperature.n == 0 {
		return nil
	}
	middle := temperature.median()
	if p.unit == Fahrenheit {
		return p.checkFahrenheit(middle)
	}
	if middle > hottestMedian && humidity.n > 0 && humidity.median() <= dryestMedian && temperature.most <= mostSaturated {
		return rejected("format.temperature_column", "the temperature in %s has a median of %s °C and the humidity in %s one of %s %%: the columns seem to be "+
			"swapped, or the temperature is in °F; say temperature_column and humidity_column, or temperature_unit [degF]",
			p.temperature.place(), plain(middle), p.humidity.place(), plain(humidity.median())).
			With("column", p.temperature.name).With("median", plain(middle))
	}
	if middle > hottestMedian {
		return p.tooHot(middle, "")
	}
	if day, hot := p.hotDay(); hot {
		return p.tooHot(middle, " on "+civilText(day*daySeconds, "2006-01-02")+" more than half of the readings are above "+plain(hottestMedian)+" °C;")
	}
	night, day := p.hottestNight()
	if night > hottestNight {
		return p.tooHot(middle, " on "+civilText(day*daySeconds, "2006-01-02")+" it is never below "+plain(night)+" °C by day or night;")
	}
	if middle > suspectMedian {
		p.suspect(fmt.Sprintf("the temperature in %s has a median of %s °C, which is hot for a house: make sure that it is not in °F",
			p.temperature.place(), plain(middle)))
	} else if night > suspectNight {
		p.suspect(fmt.Sprintf("the temperature in %s is never below %s °C by day or night on %s, which is hot for a house: make sure that it is not in °F, "+
			"and no humidity", p.temperature.place(), plain(night), civilText(day*daySeconds, "2006-01-02")))
	}
	return nil
}

func (p *parser) tooHot(middle int32, day string) error {
	return rejected("format.temperature_unit", "the temperature in %s is read as °C, but its median is %s;%s no house is that hot, so it seems to be in °F: "+
		"correct the header, or leave the unit out of it and say temperature_unit [degF]", p.temperature.place(), plain(middle), day).
		With("column", p.temperature.name).With("median", plain(middle)).With("unit", Celsius)
}

// checkFahrenheit is given the median in hundredths of a degree Celsius.
func (p *parser) checkFahrenheit(middle int32) error {
	written := int32(halfToEven(int64(middle)*9+5*32_00, 5, 0)) // #nosec G115 -- within the spread
	possible := leastAsCelsius <= written && written <= mostAsCelsius
	if middle < coldestMedian && possible {
		return rejected("format.temperature_unit", "the temperature in %s is read as °F, but its median is %s, which is %s °C: no house is that cold, "+
			"so it seems to be in °C; correct the header, or leave the unit out of it and say temperature_unit Cel",
			p.temperature.place(), plain(written), plain(middle)).
			With("column", p.temperature.name).With("median", plain(written)).With("unit", Fahrenheit)
	}
	if middle < coolMedian && possible {
		p.suspect(fmt.Sprintf("the temperature in %s has a median of %s °F, which is cold for a house: make sure that it is not in °C",
			p.temperature.place(), plain(written)))
	}
	return nil
}

func (p *parser) suspect(sentence string) {
	p.faults.add(Fault{Kind: UnitSuspect, Line: p.line, Start: p.rows[0].Time, End: p.rows[len(p.rows)-1].Time, Sentence: sentence})
}

// hotDay returns the first day, counted from 1970-01-01 UTC, with a median above the
// hottest that can be. Rows are in order of time.
func (p *parser) hotDay() (day int64, hot bool) {
	all, above := 0, 0
	for i := range p.rows {
		r := &p.rows[i]
		if today := r.Time / daySeconds; today != day {
			if all >= fewestOfOneDay && above*2 > all {
				return day, true
			}
			day, all, above = today, 0, 0
		}
		if r.Temperature != Missing {
			all++
			if r.Temperature > hottestMedian {
				above++
			}
		}
	}
	return day, all >= fewestOfOneDay && above*2 > all
}

// hottestNight returns the coldest reading of the day, counted from 1970-01-01 UTC,
// on which that is highest: houses cool down at night. It is the least that can be
// when no day has readings enough. Rows are in order of time.
func (p *parser) hottestNight() (night int32, hottest int64) {
	night = Missing
	var today, first, last int64
	count, coldest := 0, int32(0)
	settle := func() {
		if count >= fewestOfOneDay && last-first >= mostOfADay && coldest > night {
			night, hottest = coldest, today
		}
	}
	for i := range p.rows {
		r := &p.rows[i]
		if r.Temperature == Missing {
			continue
		}
		if day := r.Time / daySeconds; day != today || count == 0 {
			settle()
			today, first, count, coldest = day, r.Time, 0, r.Temperature
		}
		count, last, coldest = count+1, r.Time, min(coldest, r.Temperature)
	}
	settle()
	return night, hottest
}
