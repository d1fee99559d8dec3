package climate

import (
	"cmp"
	"fmt"
	"slices"
)

// What counts as odd in a series. Design values.
const (
	// gapTenths is how many tenths of the usual interval make a gap.
	gapTenths = 25
	// spikeTemperature and spikeHumidity are jumps to and back from one reading that
	// no air makes, in hundredths of a degree and of a percent.
	spikeTemperature = 10_00
	spikeHumidity    = 40_00
	// spikeInterval is the longest interval, in seconds, in which such a jump is odd.
	spikeInterval = 3600
	// stuckSeconds is how long a value may stay the same to the last digit.
	stuckSeconds = daySeconds
	// longestInterval is the longest interval, in seconds, that a logger may have been
	// set to in the middle of a series without leaving a gap: leaves dry within it.
	longestInterval = 3600
	// around is how many steps on either side tell what is usual at a reading.
	around = 5
)

// finish makes readings of the rows and finds what is odd in them.
func (p *parser) finish() File {
	interval := usualInterval(len(p.rows), func(i int) int64 { return p.rows[i].Time })
	p.settleWetness(interval)
	p.sayPartly()
	p.dropOutOfRange()
	s := p.merge()
	s.interval = usualInterval(len(s.readings), func(i int) int64 { return s.readings[i].Time })
	p.dropSpikes(&s)
	p.sayGaps(s)
	p.sayStuck(s)
	return File{
		Readings: s.readings, Format: p.formatUsed(), IntervalSeconds: s.interval,
		Faults: p.faults.shown(), FaultCounts: p.faults.counts, LeftOut: p.leftOut,
	}
}

func (p *parser) formatUsed() Format {
	const longest = 100 // as in the contract
	name := func(c column) string {
		if !c.present() {
			return ""
		}
		return clip(c.name, longest-1)
	}
	return Format{
		DateColumn: name(p.date), TimeColumn: name(p.time), TemperatureColumn: name(p.temperature), HumidityColumn: name(p.humidity),
		WetnessColumn: name(p.layout.wetness), TemperatureUnit: p.unit, DateOrder: p.stamps.order, Zone: p.format.Zone,
	}
}

// dropOutOfRange takes away values that cannot be. A row without any value goes.
func (p *parser) dropOutOfRange() {
	kept := p.rows[:0]
	for _, r := range p.rows {
		if r.Humidity > saturated && r.Humidity <= mostSaturated {
			r.Humidity = saturated
		}
		if r.Temperature != Missing && (r.Temperature < leastTemperature || r.Temperature > mostTemperature) {
			p.outOfRange(r, "temperature", r.Temperature, "°C")
			r.Temperature = Missing
		}
		if r.Humidity != Missing && (r.Humidity < 0 || r.Humidity > saturated) {
			p.outOfRange(r, "humidity", r.Humidity, "%")
			r.Humidity = Missing
		}
		if r.Wetness > saturated {
			p.outOfRange(r, "wetness", r.Wetness, "%")
			r.Wetness = Missing
		}
		if r.empty() {
			p.leftOut++
			continue
		}
		kept = append(kept, r)
	}
	p.rows = kept
}

func (r Reading) empty() bool {
	return r.Temperature == Missing && r.Humidity == Missing && r.Wetness == Missing
}

func (p *parser) outOfRange(r row, what string, value int32, unit string) {
	if p.faults.full(OutOfRange) {
		p.faults.count(OutOfRange)
		return
	}
	p.faults.add(Fault{Kind: OutOfRange, Line: int(r.line), Start: r.Time, End: r.Time, Sentence: fmt.Sprintf(
		"line %d says %s of %s %s, which cannot be; it was left out", r.line, what, plain(value), unit)})
}

// series is the readings in order, each with the line it is of.
type series struct {
	readings []Reading
	lines    []int32
	interval int64
}

// merge joins rows of the same time: the later line counts.
func (p *parser) merge() series {
	s := series{readings: make([]Reading, 0, len(p.rows)), lines: make([]int32, 0, len(p.rows))}
	for _, r := range p.rows {
		n := len(s.readings)
		if n == 0 || s.readings[n-1].Time != r.Time {
			s.readings, s.lines = append(s.readings, r.Reading), append(s.lines, r.line)
			continue
		}
		p.mergeInto(&s.readings[n-1], r)
	}
	return s
}

func (p *parser) mergeInto(before *Reading, r row) {
	differs, adds := false, false
	for _, pair := range [3]struct{ old, next *int32 }{
		{&before.Temperature, &r.Temperature}, {&before.Humidity, &r.Humidity}, {&before.Wetness, &r.Wetness},
	} {
		switch {
		case *pair.next == Missing || *pair.next == *pair.old:
			continue
		case *pair.old == Missing:
			adds = true
		default:
			differs = true
		}
		*pair.old = *pair.next
	}
	if adds && !differs {
		return // a logger with a line for each sensor
	}
	p.leftOut++
	kind, sentence := Duplicate, "line %d repeats a reading of %s"
	if differs {
		kind, sentence = Conflict, "line %d has other values for %s than a line before; the later line counts"
	}
	if p.faults.full(kind) {
		p.faults.count(kind)
		return
	}
	p.faults.add(Fault{Kind: kind, Line: int(r.line), Start: r.Time, End: r.Time, Sentence: fmt.Sprintf(sentence, r.line, p.shownTime(r.Time))})
}

// dropSpikes takes away single values that jump from both of their neighbours.
func (p *parser) dropSpikes(s *series) {
	if s.interval == 0 || s.interval > spikeInterval {
		return
	}
	empty := false
	for i := 1; i+1 < len(s.readings); i++ {
		a, r, b := &s.readings[i-1], &s.readings[i], &s.readings[i+1]
		if apart(a.Time, b.Time, 2*s.interval) {
			continue
		}
		if jumps(a.Temperature, r.Temperature, b.Temperature, spikeTemperature) {
			p.spike(s.lines[i], r.Time, "temperature", r.Temperature, "°C")
			r.Temperature = Missing
		}
		if jumps(a.Humidity, r.Humidity, b.Humidity, spikeHumidity) {
			p.spike(s.lines[i], r.Time, "humidity", r.Humidity, "%")
			r.Humidity = Missing
		}
		empty = empty || r.empty()
	}
	if empty {
		p.leftOut += s.compact()
	}
}

// compact takes out readings that have no value left and returns how many.
func (s *series) compact() int64 {
	n := 0
	for i, r := range s.readings {
		if !r.empty() {
			s.readings[n], s.lines[n] = r, s.lines[i]
			n++
		}
	}
	gone := len(s.readings) - n
	s.readings, s.lines = s.readings[:n], s.lines[:n]
	return int64(gone)
}

// apart says that two moments are further from each other than a gap's share of
// the usual time between them.
func apart(a, b, usual int64) bool { return (b-a)*10 > usual*gapTenths }

// Interrupted says that the time between a reading, not the first, and the one
// before is a gap: longer than usual, in seconds, in the series and in the readings
// around it, since a logger may be set to another interval.
func Interrupted(readings []Reading, i int, usual int64) bool {
	from, until := readings[i-1].Time, readings[i].Time
	switch {
	case !apart(from, until, usual):
		return false
	case until-from > longestInterval:
		return true
	default:
		return apart(from, until, usualAround(readings, i))
	}
}

// usualAround is the upper quartile of the steps around a reading: a few gaps do not
// move it, and another interval does from its first step on.
func usualAround(readings []Reading, i int) int64 {
	var room [2*around + 1]int64
	steps := room[:0]
	for at := max(1, i-around); at <= min(len(readings)-1, i+around); at++ {
		steps = append(steps, readings[at].Time-readings[at-1].Time)
	}
	slices.Sort(steps)
	return steps[len(steps)*3/4]
}

// jumps says that a value lies by more than a jump above both neighbours, or below
// both.
func jumps(a, value, b, jump int32) bool {
	if a == Missing || value == Missing || b == Missing {
		return false
	}
	return (value-a > jump && value-b > jump) || (a-value > jump && b-value > jump)
}

func (p *parser) spike(line int32, moment int64, what string, value int32, unit string) {
	if p.faults.full(Spike) {
		p.faults.count(Spike)
		return
	}
	p.faults.add(Fault{Kind: Spike, Line: int(line), Start: moment, End: moment, Sentence: fmt.Sprintf(
		"at %s the %s jumps to %s %s for one reading; it was left out", p.shownTime(moment), what, plain(value), unit)})
}

func (p *parser) sayGaps(s series) {
	for i := 1; i < len(s.readings) && s.interval > 0; i++ {
		from, until := s.readings[i-1].Time, s.readings[i].Time
		if !Interrupted(s.readings, i, s.interval) {
			continue
		}
		if p.faults.full(Gap) {
			p.faults.count(Gap)
			continue
		}
		p.faults.add(Fault{Kind: Gap, Line: int(s.lines[i]), Start: from, End: until, Sentence: fmt.Sprintf(
			"no readings from %s to %s (%s)", p.shownTime(from), p.shownTime(until), shownDuration(until-from))})
	}
}

// shownDuration writes a time in the unit that suits it.
func shownDuration(seconds int64) string {
	switch {
	case seconds < 2*3600:
		return fmt.Sprintf("%d min", seconds/60)
	case seconds < 2*daySeconds:
		return fmt.Sprintf("%d h", seconds/3600)
	default:
		return fmt.Sprintf("%d days", seconds/daySeconds)
	}
}

func (p *parser) sayStuck(s series) {
	p.stuckIn(s, "temperature", func(r *Reading) int32 { return r.Temperature })
	p.stuckIn(s, "humidity", func(r *Reading) int32 { return r.Humidity })
}

// stuckIn finds where a value stays the same for longer than air does.
func (p *parser) stuckIn(s series, what string, value func(*Reading) int32) {
	start := 0
	for i := 1; i <= len(s.readings); i++ {
		if i < len(s.readings) && value(&s.readings[i]) == value(&s.readings[start]) &&
			!Interrupted(s.readings, i, s.interval) {
			continue
		}
		from, until, same, line := s.readings[start].Time, s.readings[i-1].Time, value(&s.readings[start]), s.lines[start]
		start = i
		if same == Missing || until-from <= stuckSeconds {
			continue
		}
		note := "the sensor seems to be stuck; the readings were kept"
		if what == "humidity" && same == saturated {
			note = "the air was saturated or the sensor wet; the readings were kept"
		}
		p.faults.add(Fault{Kind: Stuck, Line: int(line), Start: from, End: until, Sentence: fmt.Sprintf(
			"the %s is %s from %s to %s: %s", what, plain(same), p.shownTime(from), p.shownTime(until), note)})
	}
}

// shown returns at most MaxFaults, a fair share of each kind, in the order of time.
func (f *faults) shown() []Fault {
	var shown []Fault
	for round := 0; len(shown) < MaxFaults; round++ {
		more := false
		for _, kind := range []string{UnitSuspect, ClockChange, Unreadable, OutOfRange, Conflict, Spike, Stuck, Gap, OutOfOrder, Duplicate} {
			if round < len(f.kept[kind]) && len(shown) < MaxFaults {
				shown = append(shown, f.kept[kind][round])
				more = true
			}
		}
		if !more {
			break
		}
	}
	slices.SortStableFunc(shown, func(a, b Fault) int { return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Line, b.Line)) })
	return shown
}
