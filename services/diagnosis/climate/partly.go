package climate

import "fmt"

// What tells that a part of a file is in another unit than the rest. Design values,
// in hundredths of a degree Celsius where not said.
const (
	// hottestReading is above what a house reaches.
	hottestReading = 50_00
	// mostAsFahrenheit is above what a house reaches when it is written in °F; beyond
	// it a value is an error of the sensor.
	mostAsFahrenheit = 130_00
	// levelShift is what no air rises or falls by from one reading to the next, to stay
	// there.
	levelShift = 20_00
	// fewestInAnotherUnit is how many readings in a row make more of it than a spike.
	fewestInAnotherUnit = 3
)

// stretch is rows by their index, both ends included.
type stretch struct{ first, last int }

// sayPartly says where a part of the readings seems to be in another unit than the
// rest. It leaves the readings as they are. Rows are in order of time.
func (p *parser) sayPartly() {
	var measured []int // rows with a temperature that some unit could have
	for i := range p.rows {
		if t := p.rows[i].Temperature; t != Missing && t >= leastTemperature && t <= mostAsFahrenheit {
			measured = append(measured, i)
		}
	}
	hot := p.hotStretches(measured)
	for at := fewestInAnotherUnit; at+fewestInAnotherUnit <= len(measured); at++ {
		if !inside(hot, at-1) && !inside(hot, at) && p.shifts(measured, at) {
			p.sayShift(measured[at-1], measured[at])
		}
	}
}

// hotStretches says where readings in °C are hotter than a house, and returns the
// places in measured.
func (p *parser) hotStretches(measured []int) []stretch {
	if p.unit != Celsius {
		return nil
	}
	var hot []stretch
	for at := 0; at < len(measured); at++ {
		first := at
		for at < len(measured) && p.rows[measured[at]].Temperature > hottestReading {
			at++
		}
		if at-first < fewestInAnotherUnit {
			continue
		}
		hot = append(hot, stretch{first, at - 1})
		p.sayHot(measured[first:at])
	}
	return hot
}

// inside reports whether a place lies in one of some stretches.
func inside(stretches []stretch, at int) bool {
	for _, s := range stretches {
		if s.first <= at && at <= s.last {
			return true
		}
	}
	return false
}

// shifts reports whether the temperature jumps at a place in measured: the readings
// before it all lie on one side, those from it on all on the other.
func (p *parser) shifts(measured []int, at int) bool {
	if p.rows[measured[at]].Time-p.rows[measured[at-1]].Time > longestInterval {
		return false
	}
	coldBefore, hotBefore := p.extremes(measured[at-fewestInAnotherUnit : at])
	coldAfter, hotAfter := p.extremes(measured[at : at+fewestInAnotherUnit])
	return coldAfter-hotBefore > levelShift || coldBefore-hotAfter > levelShift
}

// extremes returns the lowest and the highest temperature of some rows.
func (p *parser) extremes(rows []int) (coldest, hottest int32) {
	coldest, hottest = mostAsFahrenheit, leastTemperature
	for _, i := range rows {
		coldest, hottest = min(coldest, p.rows[i].Temperature), max(hottest, p.rows[i].Temperature)
	}
	return coldest, hottest
}

func (p *parser) sayHot(hot []int) {
	if p.faults.full(UnitSuspect) {
		p.faults.count(UnitSuspect)
		return
	}
	first, last := p.rows[hot[0]], p.rows[hot[len(hot)-1]]
	_, most := p.extremes(hot)
	p.faults.add(Fault{Kind: UnitSuspect, Line: int(first.line), Start: first.Time, End: last.Time, Sentence: fmt.Sprintf(
		"lines %d to %d, from %s to %s: %d readings in a row are above %s °C, up to %s °C; no house is that hot, so they seem to be in °F; those above %s °C were left out",
		first.line, last.line, p.shownTime(first.Time), p.shownTime(last.Time), len(hot), plain(hottestReading), plain(most), plain(mostTemperature))})
}

func (p *parser) sayShift(from, to int) {
	if p.faults.full(UnitSuspect) {
		p.faults.count(UnitSuspect)
		return
	}
	before, after := p.rows[from], p.rows[to]
	p.faults.add(Fault{Kind: UnitSuspect, Line: int(after.line), Start: before.Time, End: after.Time, Sentence: fmt.Sprintf(
		"line %d: from %s to %s the temperature goes from %s to %s °C and stays; make sure that both parts of the file are in the same unit, or that the logger was moved",
		after.line, p.shownTime(before.Time), p.shownTime(after.Time), plain(before.Temperature), plain(after.Temperature))})
}
