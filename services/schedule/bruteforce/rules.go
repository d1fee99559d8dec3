package bruteforce

import "velamen/services/schedule/model"

// load finds what the tank held before a job, and with it when the job begins and
// whether it may join the load (R3, R12).
func (t *tree) load(l *leaf) bool {
	l.begin, l.opened = l.start, l.start
	if l.station == model.None || l.job.Mix == model.None {
		return !l.place.NewLoad
	}
	station := &t.p.Stations[l.station]
	holds := station.Holds
	var before *leaf
	for i := range t.leaves {
		if t.leaves[i].station == l.station && t.leaves[i].job.Mix != model.None {
			before = &t.leaves[i]
			holds = before.job.Mix
		}
	}
	if station.Rinses != model.None {
		l.rinse = t.p.Rinses[station.Rinses][holds+1][l.job.Mix]
		l.begin -= l.rinse.Minutes
	}
	if station.Tank > 0 && l.job.Volume > 0 && fill(station, 1) < 0 {
		return false
	}
	if l.place.NewLoad {
		l.begin -= station.MixMinutes
		return true
	}
	if before == nil || before.job.Mix != l.job.Mix {
		return false
	}
	l.opened = before.opened
	return l.end <= l.opened+t.p.Mixes[l.job.Mix].Life
}

// timely looks at one job alone: its times, the sprayer's, the places' and what is
// pinned (R2, R3, R4, R7, R11).
func (t *tree) timely(l *leaf) bool {
	job := l.job
	if l.begin < 0 || l.start < job.Release || l.end > job.Deadline || l.end > t.p.Horizon || !within(l.start, l.end, job.Windows) {
		return false
	}
	if l.station != model.None && !within(l.begin, l.end, t.p.Stations[l.station].Open) {
		return false
	}
	for _, o := range job.Occupies {
		if touches(l.start, l.end, t.p.Spaces[o.Space].Closed) ||
			(o.Exclusive && touches(l.start, l.end+o.Tail, t.p.Spaces[o.Space].Engaged)) {
			return false
		}
	}
	if pin := job.Pin; pin != nil {
		return (pin.Start == model.None || pin.Start == l.start) && (pin.Person == model.None || pin.Person == l.place.Person) &&
			(pin.Way == model.None || pin.Way == l.place.Way)
	}
	return true
}

// within is true for no spans, which stand for always.
func within(from, to model.Minute, spans []model.Span) bool {
	if len(spans) == 0 {
		return true
	}
	for _, s := range spans {
		if from >= s.From && to <= s.To {
			return true
		}
	}
	return false
}

func touches(from, to model.Minute, spans []model.Span) bool {
	for _, s := range spans {
		if meet(from, to, s.From, s.To) {
			return true
		}
	}
	return false
}

// meet goes through the minutes of a span. It is what the words say.
func meet(from, to, otherFrom, otherTo model.Minute) bool {
	for m := from; m < to; m++ {
		if m >= otherFrom && m < otherTo {
			return true
		}
	}
	return false
}

// manned looks at the shift, the way from the job before, and the protective
// equipment and heat of the day (R5, R6).
func (t *tree) manned(l *leaf) bool {
	if l.place.Person == model.None {
		return true
	}
	person := &t.p.People[l.place.Person]
	inShift := false
	for _, shift := range person.Shifts {
		inShift = inShift || (l.begin >= shift.From && l.end <= shift.To)
	}
	if !inShift {
		return false
	}
	var before *leaf
	var worn model.Minute
	if t.day(l.start) == t.p.Days[0] {
		worn = person.Worn
	}
	for i := range t.leaves {
		other := &t.leaves[i]
		if other.place.Person != l.place.Person {
			continue
		}
		before = other
		if t.day(other.start) == t.day(l.start) {
			worn += strained(other)
		}
	}
	if before != nil && len(t.p.Travel) > 0 && before.job.Site != model.None && l.job.Site != model.None &&
		before.end+t.p.Travel[before.job.Site][l.job.Site] > l.begin {
		return false
	}
	own := strained(l)
	return own == 0 || person.MaxProtected == 0 || worn+own <= person.MaxProtected
}

// strained is how long a job is in protective equipment or heat.
func strained(l *leaf) model.Minute {
	if l.job.Protected {
		return l.end - l.start
	}
	var hot model.Minute
	for _, span := range l.job.Hot {
		for m := span.From; m < span.To; m++ {
			if l.start <= m && m < l.end {
				hot++
			}
		}
	}
	return hot
}

func (t *tree) day(m model.Minute) model.Minute {
	var day model.Minute
	for _, first := range t.p.Days {
		if first <= m {
			day = first
		}
	}
	return day
}

// together looks at two jobs (R4, R5, R7, R9).
func (t *tree) together(a, b *leaf) bool {
	same := (a.station != model.None && a.station == b.station) ||
		(a.place.Person != model.None && a.place.Person == b.place.Person)
	if same && meet(a.begin, a.end, b.begin, b.end) {
		return false
	}
	if !apart(a, b) {
		return false
	}
	for _, lag := range t.p.Lags {
		if (lag.From == a.index && lag.To == b.index && !holds(lag, a, b)) ||
			(lag.From == b.index && lag.To == a.index && !holds(lag, b, a)) {
			return false
		}
	}
	return true
}

// apart looks at the spaces that two jobs take.
func apart(a, b *leaf) bool {
	for _, x := range a.job.Occupies {
		for _, y := range b.job.Occupies {
			if x.Space != y.Space || (!x.Exclusive && !y.Exclusive) || (x.Closure != model.None && x.Closure == y.Closure) {
				continue
			}
			if meet(a.start, a.end+x.Tail, b.start, b.end+y.Tail) {
				return false
			}
		}
	}
	return true
}

func holds(lag model.Lag, from, to *leaf) bool {
	a, b := from.start, to.start
	if lag.FromEnd {
		a = from.end
	}
	if lag.ToEnd {
		b = to.end
	}
	return b >= a+lag.Least
}

// pooled looks at the pools at the minute at which a job starts (R8).
func (t *tree) pooled(l *leaf) bool {
	if l.start == l.end {
		return true
	}
	for _, d := range l.job.Demands {
		asked := int64(d.Amount)
		for i := range t.leaves {
			for _, other := range t.leaves[i].job.Demands {
				if other.Pool == d.Pool && t.leaves[i].end > l.start {
					asked += int64(other.Amount)
				}
			}
		}
		if d.Amount > 0 && asked > int64(t.p.Pools[d.Pool].Capacity) {
			return false
		}
	}
	return true
}
