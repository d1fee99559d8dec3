package checker

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// overlap tells whether two spans have a minute in common.
func overlap(aFrom, aTo, bFrom, bTo model.Minute) bool {
	return max(aFrom, bFrom) < min(aTo, bTo)
}

// sprayers checks each sprayer: one job at a time, when it can be used (R4), and its
// loads (R12).
func (c *check) sprayers() {
	for s, works := range c.onStation {
		station := &c.p.Stations[s]
		for _, w := range works {
			if len(station.Open) > 0 && !liesIn(w.begin, w.end, station.Open) {
				c.report("R4", w.index, model.None, "%s takes %s from minute %d to %d, when it cannot be used all the time.",
					c.name(w.index), station.Name, w.begin, w.end)
			}
		}
		c.apart("R4", works, station.Name)
		c.loads(station, works)
	}
	for _, w := range c.works {
		if w.place.NewLoad && (w.station == model.None || w.job.Mix == model.None) {
			c.report("R12", w.index, model.None, "%s has a new load, but no mix or no sprayer to mix it in.", c.name(w.index))
		}
	}
}

// apart reports every two works that take the same person or sprayer at once.
func (c *check) apart(rule string, works []*work, name string) {
	byBegin := slices.Clone(works)
	slices.SortStableFunc(byBegin, func(a, b *work) int { return cmp.Compare(a.begin, b.begin) })
	for i, a := range byBegin {
		for _, b := range byBegin[i+1:] {
			if b.begin >= a.end && b.begin > a.begin {
				break
			}
			if overlap(a.begin, a.end, b.begin, b.end) {
				c.report(rule, b.index, a.index, "%s takes %s from minute %d, while %s takes it until minute %d.",
					c.name(b.index), name, b.begin, c.name(a.index), a.end)
			}
		}
	}
}

// loads checks the jobs that join a load, in the order of the sprayer (R12).
func (c *check) loads(station *model.Station, works []*work) {
	var first, last *work
	for _, w := range works {
		if w.job.Mix == model.None {
			continue
		}
		if station.Tank > 0 && w.job.Volume > 0 && !fills(station) {
			c.report("R12", w.index, model.None, "%s cannot be mixed in %s: no whole graduation lies between its smallest load and its tank.",
				c.name(w.index), station.Name)
		}
		mix := &c.p.Mixes[w.job.Mix]
		switch {
		case w.place.NewLoad:
			first = w
		case last == nil:
			c.report("R12", w.index, model.None, "%s joins a load in %s, but none was mixed there before.", c.name(w.index), station.Name)
			first = w
		case last.job.Mix != w.job.Mix:
			c.report("R12", w.index, last.index, "%s joins a load in %s, but %s before it has another mix.",
				c.name(w.index), station.Name, c.name(last.index))
			first = w
		case w.end-first.start > mix.Life:
			c.report("R12", w.index, first.index, "%s ends %d minutes after %s began the load; %s may be used for %d.",
				c.name(w.index), w.end-first.start, c.name(first.index), mix.Name, mix.Life)
		}
		last = w
	}
}

// people checks each person: one job at a time, the way between, shifts (R5) and the
// time in protective equipment (R6).
func (c *check) people() {
	works := make([][]*work, len(c.p.People))
	for _, w := range c.works {
		if w.place.Person != model.None {
			works[w.place.Person] = append(works[w.place.Person], w)
		}
	}
	for i := range c.p.People {
		person := &c.p.People[i]
		slices.SortStableFunc(works[i], func(a, b *work) int {
			return cmp.Or(cmp.Compare(a.begin, b.begin), cmp.Compare(a.end, b.end))
		})
		for k, w := range works[i] {
			if !slices.ContainsFunc(person.Shifts, func(s model.Shift) bool { return s.From <= w.begin && w.end <= s.To }) {
				c.report("R5", w.index, model.None, "%s keeps %s from minute %d to %d, which lies in no shift.",
					c.name(w.index), person.Name, w.begin, w.end)
			}
			if k > 0 {
				c.way(person, works[i][k-1], w)
			}
		}
		c.apart("R5", works[i], person.Name)
		c.protected(person, works[i])
	}
}

// way checks that a person gets from one job to the next in time (R5).
func (c *check) way(person *model.Person, a, b *work) {
	if len(c.p.Travel) == 0 || a.job.Site == model.None || b.job.Site == model.None || overlap(a.begin, a.end, b.begin, b.end) {
		return
	}
	if travel := c.p.Travel[a.job.Site][b.job.Site]; b.begin-a.end < travel {
		c.report("R5", b.index, a.index, "%s has %d minutes to get from %s to %s; the way takes %d.",
			person.Name, b.begin-a.end, c.name(a.index), c.name(b.index), travel)
	}
}

// protected checks the time in protective equipment and heat of each day (R6). The
// violation is of the job that passes the limit.
func (c *check) protected(person *model.Person, works []*work) {
	if person.MaxProtected == 0 {
		return
	}
	byStart := slices.Clone(works)
	slices.SortStableFunc(byStart, func(a, b *work) int { return cmp.Compare(a.start, b.start) })
	day, worn, heat := -1, model.Minute(0), model.Minute(0)
	for _, w := range byStart {
		if d := c.day(w.start); d != day {
			day, worn, heat = d, 0, 0
			if d == 0 {
				worn = person.Worn
			}
		}
		counts := w.end - w.start
		if !w.job.Protected {
			counts = inHeat(w)
			heat += counts
		}
		worn += counts
		if counts == 0 || worn <= person.MaxProtected {
			continue
		}
		if heat == 0 {
			c.report("R6", w.index, model.None, "With %s, %s wears protective equipment for %d minutes in one day; at most %d are allowed.",
				c.name(w.index), person.Name, worn, person.MaxProtected)
			continue
		}
		c.report("R6", w.index, model.None, "With %s, %s is in protective equipment or heat for %d minutes in one day, %d of them in heat without it; at most %d are allowed.",
			c.name(w.index), person.Name, worn, heat, person.MaxProtected)
	}
}

// inHeat counts the minutes of a job one by one that are in one of its hot spans.
func inHeat(w *work) model.Minute {
	var minutes model.Minute
	for m := w.start; m < w.end; m++ {
		if slices.ContainsFunc(w.job.Hot, func(hot model.Span) bool { return hot.From <= m && m < hot.To }) {
			minutes++
		}
	}
	return minutes
}

// day is the index of the local day that holds a minute.
func (c *check) day(m model.Minute) int {
	day := 0
	for i, first := range c.p.Days {
		if first <= m {
			day = i
		}
	}
	return day
}

// protectedSpaces checks the spaces of one job against what is fixed there (R7).
func (c *check) protectedSpaces(w *work) {
	for _, occupation := range w.job.Occupies {
		space := &c.p.Spaces[occupation.Space]
		for _, span := range space.Closed {
			if overlap(w.start, w.end, span.From, span.To) {
				c.report("R7", w.index, model.None, "%s is in %s from minute %d to %d; nobody may work there from minute %d to %d.",
					c.name(w.index), space.Name, w.start, w.end, span.From, span.To)
			}
		}
		for _, span := range space.Engaged {
			if occupation.Exclusive && overlap(w.start, w.end+occupation.Tail, span.From, span.To) {
				c.report("R7", w.index, model.None, "%s closes %s from minute %d to %d; it must be open from minute %d to %d.",
					c.name(w.index), space.Name, w.start, w.end+occupation.Tail, span.From, span.To)
			}
		}
	}
}

// stay is a job in one space, to the end of its tail.
type stay struct {
	work      *work
	exclusive bool
	closure   int32
	from, to  model.Minute
}

// stays lists who is in each space, by start.
func (c *check) stays() [][]stay {
	stays := make([][]stay, len(c.p.Spaces))
	for _, w := range c.works {
		for _, o := range w.job.Occupies {
			stays[o.Space] = append(stays[o.Space],
				stay{work: w, exclusive: o.Exclusive, closure: o.Closure, from: w.start, to: w.end + o.Tail})
		}
	}
	for _, in := range stays {
		slices.SortStableFunc(in, func(a, b stay) int { return cmp.Compare(a.from, b.from) })
	}
	return stays
}

// spaces checks that jobs in one space keep apart (R7).
func (c *check) spaces() {
	for s, in := range c.stays() {
		for i, a := range in {
			for _, b := range in[i+1:] {
				if b.from >= a.to && b.from > a.from {
					break
				}
				shares := a.closure != model.None && a.closure == b.closure
				if (a.exclusive || b.exclusive) && !shares && overlap(a.from, a.to, b.from, b.to) {
					c.report("R7", b.work.index, a.work.index, "%s is in %s from minute %d, while %s keeps it until minute %d.",
						c.name(b.work.index), c.p.Spaces[s].Name, b.from, c.name(a.work.index), a.to)
				}
			}
		}
	}
}

// pools checks at the start of each job what all that run ask for (R8): between two
// starts nothing is added.
func (c *check) pools() {
	type use struct {
		work   *work
		amount int64
	}
	uses := make([][]use, len(c.p.Pools))
	for _, w := range c.works {
		for _, d := range w.job.Demands {
			if w.start < w.end && d.Amount > 0 {
				uses[d.Pool] = append(uses[d.Pool], use{work: w, amount: int64(d.Amount)})
			}
		}
	}
	for i, of := range uses {
		pool := &c.p.Pools[i]
		slices.SortStableFunc(of, func(a, b use) int { return cmp.Compare(a.work.start, b.work.start) })
		var running []use
		for _, next := range of {
			running = slices.DeleteFunc(running, func(u use) bool { return u.work.end <= next.work.start })
			running = append(running, next)
			var asked int64
			for _, u := range running {
				asked += u.amount
			}
			if asked > int64(pool.Capacity) {
				c.report("R8", next.work.index, model.None, "With %s, the jobs that run at minute %d ask for %d of %s; there are %d.",
					c.name(next.work.index), next.work.start, asked, pool.Name, pool.Capacity)
			}
		}
	}
}
