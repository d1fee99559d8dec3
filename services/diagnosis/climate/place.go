package climate

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// A file is taken to be in no order when more of its steps than both of these go
// against the direction of most. Design values.
const (
	maxBackward        = 20
	maxBackwardPercent = 1
)

// place turns the times of all rows into moments and puts the rows in order.
func (p *parser) place() error {
	if err := p.settleDates(); err != nil {
		return err
	}
	if p.onlyDays() {
		return rejected("format.time_column", "%s holds days without a time, and several lines have the same; say time_column", p.date.place()).
			With("column", p.date.name)
	}
	offset, err := p.settleZone()
	if err != nil {
		return err
	}
	switch {
	case p.stamps.bare == 0:
	case offset != nil:
		p.shift(func(row) int64 { return *offset })
	case p.format.Zone == Local:
		p.placeLocal()
	default:
		p.shift(p.winter())
	}
	p.sayClockFollowed()
	p.order()
	return nil
}

// settleDates decides the order of day and month and unpacks the dates that waited
// for it.
func (p *parser) settleDates() error {
	waiting := slices.ContainsFunc(p.rows, func(r row) bool { return r.kind >= unordered })
	if err := p.stamps.decide(waiting); err != nil {
		return err
	}
	if !waiting {
		return nil
	}
	kept := p.rows[:0]
	for _, r := range p.rows {
		if r.kind < unordered {
			kept = append(kept, r)
			continue
		}
		moment, ok := p.stamps.settle(r.Time)
		if !ok {
			p.readable--
			p.unreadable++
			p.leftOut++
			sentence := fmt.Sprintf("line %d was left out: its date does not exist when read as %s", r.line, p.stamps.order)
			if p.broken == "" {
				p.broken = sentence
			}
			p.faults.add(Fault{Kind: Unreadable, Line: int(r.line), Sentence: sentence})
			continue
		}
		r.Time, r.kind = moment, r.kind-unordered+civil
		if r.kind == unordered {
			r.kind = absolute
		}
		kept = append(kept, r)
	}
	p.rows = kept
	return p.checkReadable()
}

// onlyDays says that every line is of midnight, and some of the same: nobody said
// where the time of day stands.
func (p *parser) onlyDays() bool {
	same := false
	for i, r := range p.rows {
		if r.kind != civil || r.Time%daySeconds != 0 {
			return false
		}
		same = same || (i > 0 && p.rows[i-1].Time == r.Time)
	}
	return same
}

// settleZone settles the zone of times without an offset; an offset that the header
// gives is returned.
func (p *parser) settleZone() (offset *int64, err error) {
	if p.stamps.bare == 0 {
		p.format.Zone = ""
		return nil, nil
	}
	said := zoneOf(p.date)
	if !said.said && p.time.present() {
		said = zoneOf(p.time)
	}
	if !said.said {
		if p.format.Zone == "" {
			p.format.Zone = Local
		}
		if p.format.Zone == UTC {
			return new(int64), nil
		}
		return nil, nil
	}
	same := p.format.Zone == "" || (p.format.Zone == UTC && said.offset == 0) ||
		(p.format.Zone == Standard && said.offset == winterOffset(p.zone, p.rows[0].Time))
	if !same {
		return nil, rejected("format.zone", "the header %s says that times are %+d min from UTC, but zone says %s; correct the one that is wrong",
			quotedName(p.date.name), said.offset/60, p.format.Zone).With("column", p.date.name)
	}
	if p.format.Zone == "" && said.offset == 0 {
		p.format.Zone = UTC
	}
	return &said.offset, nil
}

// shift turns civil times into moments by an offset that depends on the row.
func (p *parser) shift(offset func(row) int64) {
	for i := range p.rows {
		if r := &p.rows[i]; r.kind == civil {
			r.Time -= offset(*r)
		}
	}
}

// winter returns the nursery's winter offset at a row, looked up once a day.
func (p *parser) winter() func(row) int64 {
	day, offset := int64(ever), int64(0)
	return func(r row) int64 {
		if today := r.Time / daySeconds; today != day {
			day, offset = today, winterOffset(p.zone, r.Time)
		}
		return offset
	}
}

// placeLocal turns times of the nursery's clock into moments. Those in an hour that
// the clock skips have none, and are left out.
func (p *parser) placeLocal() {
	least, most := p.rows[0].Time, p.rows[0].Time
	for _, r := range p.rows {
		least, most = min(least, r.Time), max(most, r.Time)
	}
	clock := newLocalClock(p.zone, least, most)
	clock.descending, clock.disordered = p.direction()
	clock.interval = usualInterval(len(p.rows), func(i int) int64 { return p.rows[i].Time })
	kept := p.rows[:0]
	for _, r := range p.rows {
		if r.kind == civil {
			moment, ok := clock.resolve(r.Time, int(r.line))
			if !ok {
				p.leftOut++
				continue
			}
			r.Time = moment
		}
		kept = append(kept, r)
	}
	p.rows = kept
	for _, ch := range clock.changes {
		if sentence := ch.sentence(clock); sentence != "" {
			p.faults.add(Fault{Kind: ClockChange, Line: ch.line, Start: ch.at, End: ch.at, Sentence: sentence})
		}
	}
}

// direction tells whether a file runs from new to old, and whether it has no order.
func (p *parser) direction() (descending, disordered bool) {
	up, down := 0, 0
	for i := 1; i < len(p.rows); i++ {
		switch step := p.rows[i].Time - p.rows[i-1].Time; {
		case step > 0:
			up++
		case step < 0:
			down++
		}
	}
	against := min(up, down)
	return down > up, against > maxBackward && against*100 > (up+down)*maxBackwardPercent
}

// nearChange is how far from a change of the nursery's clock a logger may follow
// it: they change at midnight, at 02:00 or when somebody gets there.
const nearChange = 12 * 3600

// sayClockFollowed finds times that go back by an hour where the nursery's clock
// does, although they were read as times that never do.
func (p *parser) sayClockFollowed() {
	if p.stamps.bare == 0 || p.format.Zone == Local {
		return
	}
	const hour = 3600
	for i := 1; i < len(p.rows); i++ {
		step := p.rows[i].Time - p.rows[i-1].Time
		if step > 0 || step < -hour {
			continue
		}
		moment := p.rows[i].Time
		season := spanAt(p.zone, moment-nearChange)
		if season.until > moment+nearChange || step == 0 {
			continue
		}
		p.faults.add(Fault{Kind: ClockChange, Line: int(p.rows[i].line), Start: moment, End: moment, Sentence: fmt.Sprintf(
			"line %d goes back by %d min where the nursery's clock is changed: the logger seems to follow it; if it does, import the file again with zone LOCAL",
			p.rows[i].line, -step/60)})
	}
}

// order sorts the rows by time and by line, and says so.
func (p *parser) order() {
	descending, _ := p.direction()
	for i := 1; i < len(p.rows); i++ {
		step := p.rows[i].Time - p.rows[i-1].Time
		if step == 0 || (step < 0) == descending {
			continue
		}
		if p.faults.full(OutOfOrder) {
			p.faults.count(OutOfOrder)
			continue
		}
		p.faults.add(Fault{Kind: OutOfOrder, Line: int(p.rows[i].line), Start: p.rows[i].Time, End: p.rows[i].Time, Sentence: fmt.Sprintf(
			"line %d, of %s, is not in the order of the lines before; it was put in its place", p.rows[i].line, p.shownTime(p.rows[i].Time))})
	}
	if descending {
		slices.Reverse(p.rows)
	}
	byTime := func(a, b row) int { return cmp.Or(cmp.Compare(a.Time, b.Time), cmp.Compare(a.line, b.line)) }
	if !slices.IsSortedFunc(p.rows, byTime) {
		slices.SortFunc(p.rows, byTime)
	}
}

// shownTime writes a moment on the nursery's clock, for a sentence.
func (p *parser) shownTime(seconds int64) string {
	return time.Unix(seconds, 0).In(p.zone).Format("2006-01-02 15:04 -07:00")
}
