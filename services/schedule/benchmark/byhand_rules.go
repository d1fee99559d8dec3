package benchmark

import (
	"slices"

	"velamen/services/schedule/model"
)

// settle moves the start later until every rule holds. It is false when the day, the
// lags or the person's equipment do not allow it.
func (h *byHand) settle(t *trial, last model.Minute) bool {
	for moved := true; moved; {
		if !h.allowed(t) {
			return false
		}
		before := t.start
		h.load(t)
		t.start = max(t.start, h.afterLags(t))
		h.afterOthers(t)
		h.load(t)
		h.inCalendars(t)
		h.inSpaces(t)
		h.inPools(t)
		if t.end() > last {
			return false
		}
		moved = t.start != before
	}
	return true
}

// afterLags is the earliest start by the lags from jobs that are placed.
func (h *byHand) afterLags(t *trial) model.Minute {
	var earliest model.Minute
	for _, lag := range h.lags[t.job] {
		if lag.To != t.job || !h.result[lag.From].Placed {
			continue
		}
		at := h.point(lag.From, lag.FromEnd) + lag.Least
		if lag.ToEnd {
			at -= t.duration
		}
		earliest = max(earliest, at)
	}
	return earliest
}

func (h *byHand) point(job int32, end bool) model.Minute {
	if end {
		return h.ends[job]
	}
	return h.result[job].Start
}

// allowed tells whether the lags to jobs that are placed and the limit on protective
// equipment and heat leave room. A foreman does not wait for the heat to end.
func (h *byHand) allowed(t *trial) bool {
	for _, lag := range h.lags[t.job] {
		if lag.From != t.job || !h.result[lag.To].Placed {
			continue
		}
		at := t.start
		if lag.FromEnd {
			at = t.end()
		}
		if h.point(lag.To, lag.ToEnd) < at+lag.Least {
			return false
		}
	}
	if t.person == model.None {
		return true
	}
	strained := h.p.Jobs[t.job].Strained(t.start, t.end())
	if strained == 0 {
		return true
	}
	most, worn := h.p.People[t.person].MaxProtected, strained
	if h.people[t.person].day == t.day {
		worn += h.people[t.person].worn
	}
	return most == 0 || worn <= most
}

// afterOthers starts the job when its station and its person have come to it.
func (h *byHand) afterOthers(t *trial) {
	begin := max(t.begin(), 0)
	if t.station != model.None {
		begin = max(begin, h.stations[t.station].end)
	}
	if t.person != model.None {
		last := &h.people[t.person]
		free := last.end
		if site := h.p.Jobs[t.job].Site; len(h.p.Travel) > 0 && site != model.None && last.site != model.None {
			free += h.p.Travel[last.site][site]
		}
		begin = max(begin, free)
	}
	t.start = begin + t.prep
}

// inCalendars moves the job into the windows, the shifts and the open hours.
func (h *byHand) inCalendars(t *trial) {
	t.start = into(h.p.Jobs[t.job].Windows, t.start, t.duration)
	busy := t.prep + t.duration
	if t.station != model.None {
		t.start = into(h.p.Stations[t.station].Open, t.begin(), busy) + t.prep
	}
	if t.person == model.None {
		return
	}
	shifts := h.p.People[t.person].Shifts
	for _, shift := range shifts {
		if begin := max(t.begin(), shift.From); begin+busy <= shift.To {
			t.start = begin + t.prep
			return
		}
	}
	t.start = h.p.Horizon
}

// into is the first time from which some minutes lie in one of the spans; far away
// when there is none, and the time itself when there are no spans.
func into(spans []model.Span, from, minutes model.Minute) model.Minute {
	if len(spans) == 0 {
		return from
	}
	for _, span := range spans {
		if at := max(from, span.From); at+minutes <= span.To {
			return at
		}
	}
	return model.MaxMinutes
}

// inSpaces moves the job past those with whom it cannot share a space.
func (h *byHand) inSpaces(t *trial) {
	for _, occupation := range h.p.Jobs[t.job].Occupies {
		space := &h.p.Spaces[occupation.Space]
		for _, span := range space.Closed {
			if t.start < span.To && span.From < t.end() {
				t.start = span.To
			}
		}
		if occupation.Exclusive {
			for _, span := range space.Engaged {
				if t.start < span.To && span.From < t.end()+occupation.Tail {
					t.start = span.To
				}
			}
		}
		for _, other := range h.spaces[occupation.Space] {
			if !occupation.Exclusive && !other.exclusive ||
				occupation.Closure != model.None && occupation.Closure == other.closure {
				continue
			}
			if t.start < other.to && other.from < t.end()+occupation.Tail {
				t.start = other.to
			}
		}
	}
}

// inPools moves the job to where its pools have enough left.
func (h *byHand) inPools(t *trial) {
	for _, demand := range h.p.Jobs[t.job].Demands {
		capacity := h.p.Pools[demand.Pool].Capacity
		if demand.Amount > capacity {
			t.start = h.p.Horizon
			return
		}
		for h.used(demand.Pool, t.start, t.end()) > capacity-demand.Amount {
			t.start = h.nextEnd(demand.Pool, t.start)
		}
	}
}

// used is the most of a pool that is taken at one moment of a span.
func (h *byHand) used(pool int32, from, to model.Minute) int32 {
	placed := h.pools[pool]
	at := func(m model.Minute) int32 {
		var sum int32
		for _, other := range placed {
			if other.from <= m && m < other.to {
				sum += other.amount
			}
		}
		return sum
	}
	most := at(from)
	for _, other := range placed {
		if from < other.from && other.from < to {
			most = max(most, at(other.from))
		}
	}
	return most
}

// nextEnd is when the first of those in a pool ends after a time.
func (h *byHand) nextEnd(pool int32, after model.Minute) model.Minute {
	next := h.p.Horizon
	for _, other := range h.pools[pool] {
		if other.to > after {
			next = min(next, other.to)
		}
	}
	return next
}

// keep puts the job into the plan.
func (h *byHand) keep(t *trial) {
	j := &h.p.Jobs[t.job]
	h.result[t.job] = model.Placement{Placed: true, Start: t.start, Way: t.way, Person: t.person, NewLoad: t.newLoad}
	h.ends[t.job] = t.end()
	if t.station != model.None {
		last := &h.stations[t.station]
		last.end = t.end()
		if j.Mix != model.None {
			last.mix, last.open = j.Mix, true
		}
		if t.newLoad {
			last.loaded = t.start
		}
	}
	if t.person != model.None {
		last := &h.people[t.person]
		last.end, last.site = t.end(), j.Site
		if last.day != t.day {
			last.day, last.worn = t.day, 0
		}
		last.worn += j.Strained(t.start, t.end())
	}
	for _, occupation := range j.Occupies {
		h.spaces[occupation.Space] = append(h.spaces[occupation.Space], placedIn{
			from: t.start, to: t.end() + occupation.Tail, exclusive: occupation.Exclusive, closure: occupation.Closure,
		})
	}
	for _, demand := range j.Demands {
		// Those that ended before the day do not matter any more.
		h.pools[demand.Pool] = slices.DeleteFunc(h.pools[demand.Pool], func(other placedIn) bool {
			return other.to <= h.p.Days[t.day]
		})
		h.pools[demand.Pool] = append(h.pools[demand.Pool], placedIn{from: t.start, to: t.end(), amount: demand.Amount})
	}
}
