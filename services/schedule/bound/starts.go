package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// starts are the minutes at which a job can start, as spans in order, apart.
type starts []model.Span

// within returns the starts from which length minutes fit in one of the spans,
// lead minutes after its beginning.
func within(spans []model.Span, lead, length model.Minute) starts {
	var out starts
	for _, s := range spans {
		out = append(out, model.Span{From: s.From + lead, To: s.To - length + 1})
	}
	return out.tidy()
}

// tidy sorts the spans, drops the empty ones and joins those that touch.
func (a starts) tidy() starts {
	a = slices.DeleteFunc(a, func(s model.Span) bool { return s.From >= s.To })
	slices.SortFunc(a, func(x, y model.Span) int { return int(x.From) - int(y.From) })
	out := a[:0]
	for _, s := range a {
		if last := len(out) - 1; last >= 0 && s.From <= out[last].To {
			out[last].To = max(out[last].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// and returns the starts in both.
func (a starts) and(b starts) starts {
	var out starts
	for i, j := 0, 0; i < len(a) && j < len(b); {
		from, to := max(a[i].From, b[j].From), min(a[i].To, b[j].To)
		if from < to {
			out = append(out, model.Span{From: from, To: to})
		}
		if a[i].To < b[j].To {
			i++
		} else {
			j++
		}
	}
	return out
}

// outside returns the starts from which length minutes touch none of the spans.
// No minutes touch nothing.
func (a starts) outside(spans []model.Span, length model.Minute) starts {
	if length == 0 || len(spans) == 0 {
		return a
	}
	var free starts
	from := model.Minute(-1 << 30)
	for _, s := range slices.SortedFunc(slices.Values(spans), func(x, y model.Span) int { return int(x.From) - int(y.From) }) {
		if s.From < s.To {
			free = append(free, model.Span{From: from, To: s.From - length + 1})
			from = max(from, s.To)
		}
	}
	free = append(free, model.Span{From: from, To: 1 << 30})
	return a.and(free.tidy())
}

// next returns the first start at or after t.
func (a starts) next(t model.Minute) (model.Minute, bool) {
	i, _ := slices.BinarySearchFunc(a, t, func(s model.Span, t model.Minute) int {
		if s.To <= t {
			return -1
		}
		return 1
	})
	if i == len(a) {
		return 0, false
	}
	return max(t, a[i].From), true
}

// last returns the last start at or before t.
func (a starts) last(t model.Minute) (model.Minute, bool) {
	i, _ := slices.BinarySearchFunc(a, t, func(s model.Span, t model.Minute) int {
		if s.From <= t {
			return -1
		}
		return 1
	})
	if i == 0 {
		return 0, false
	}
	return min(t, a[i-1].To-1), true
}

// way is one way to do a job with all that the job alone says about its starts.
type way struct {
	index    int32
	station  int32
	duration model.Minute
	// prep is the least time that the sprayer takes before the start.
	prep   model.Minute
	starts starts
}

// waysOf returns the ways in which each job can be done at some start when it is
// alone in the nursery. A job that has none cannot be placed.
func waysOf(p *model.Problem, left []bool) [][]way {
	preps := leastPreps(p, left)
	hours := crewHours{problem: p, found: map[crewKey]starts{}}
	out := make([][]way, len(p.Jobs))
	for j := range p.Jobs {
		if left[j] {
			continue
		}
		job := &p.Jobs[j]
		for w := range job.Ways {
			if job.Pin != nil && job.Pin.Way != model.None && job.Pin.Way != int32(w) {
				continue
			}
			one := way{index: int32(w), station: job.Ways[w].Station, duration: job.Ways[w].Duration}
			one.prep = preps.of(job, one.station)
			one.starts = aloneStarts(p, job, &one)
			if job.Manned {
				one.starts = one.starts.and(hours.of(job, &one))
			}
			if len(one.starts) > 0 {
				out[j] = append(out[j], one)
			}
		}
	}
	return out
}

// aloneStarts are the starts that the windows of the job, its sprayer and its
// spaces leave (R2, R3, R4, R7, R8, R11).
func aloneStarts(p *model.Problem, job *model.Job, w *way) starts {
	for _, d := range job.Demands {
		if d.Amount > p.Pools[d.Pool].Capacity && w.duration > 0 {
			return nil
		}
	}
	a := starts{{From: max(job.Release, w.prep, 0), To: min(job.Deadline, p.Horizon) - w.duration + 1}}.tidy()
	if len(job.Windows) > 0 {
		a = a.and(within(job.Windows, 0, w.duration))
	}
	if w.station != model.None && len(p.Stations[w.station].Open) > 0 {
		a = a.and(within(p.Stations[w.station].Open, w.prep, w.duration))
	}
	for _, o := range job.Occupies {
		space := &p.Spaces[o.Space]
		a = a.outside(space.Closed, w.duration)
		if o.Exclusive {
			a = a.outside(space.Engaged, w.duration+o.Tail)
		}
	}
	if job.Pin != nil && job.Pin.Start != model.None {
		a = a.and(starts{{From: job.Pin.Start, To: job.Pin.Start + 1}})
	}
	return a
}

// crewHours remembers the starts that shifts leave, because many jobs ask for the
// same people and the same time.
type crewHours struct {
	problem *model.Problem
	found   map[crewKey]starts
}

type crewKey struct {
	people         string
	lead, duration model.Minute
	protected      bool
}

// of returns the starts at which somebody who may do the job is in one shift
// from the preparation to the end (R5, R6).
func (h crewHours) of(job *model.Job, w *way) starts {
	people := mayDo(job)
	key := crewKey{people: setKey(people), lead: w.prep, duration: w.duration, protected: job.Protected}
	// Where a job is hot is its own.
	shared := job.Protected || len(job.Hot) == 0
	if a, ok := h.found[key]; ok && shared {
		return a
	}
	var all starts
	for _, person := range people {
		who := &h.problem.People[person]
		if job.Protected && who.MaxProtected > 0 && w.duration > who.MaxProtected {
			continue
		}
		var mine starts
		for _, s := range who.Shifts {
			mine = append(mine, model.Span{From: s.From + w.prep, To: s.To - w.duration + 1})
		}
		if !shared && who.MaxProtected > 0 {
			mine = mine.tidy().outside(tooHot(job, w.duration, who.MaxProtected), 1)
		}
		all = append(all, mine...)
	}
	all = all.tidy()
	if shared {
		h.found[key] = all
	}
	return all
}

// tooHot returns the starts at which a job without protective equipment is alone in heat
// for longer than a limit (R6). From one edge to the next, where the start or the end
// meets a hot span, the minutes in heat grow or fall by one with each minute, or stay.
func tooHot(job *model.Job, d, limit model.Minute) []model.Span {
	if d <= limit {
		return nil
	}
	var edges []model.Minute
	for _, hot := range job.Hot {
		edges = append(edges, hot.From-d, hot.To-d, hot.From, hot.To)
	}
	slices.Sort(edges)
	var bad starts
	for i := range len(edges) - 1 {
		from, to := edges[i], edges[i+1]
		first, last := job.Strained(from, from+d), job.Strained(to, to+d)
		switch {
		case first < last:
			from = max(from, from+limit+1-first)
		case first > last:
			to = min(to, from+first-limit)
		case first <= limit:
			to = from
		}
		bad = append(bad, model.Span{From: from, To: to})
	}
	return bad.tidy()
}

// mayDo returns the people who may do the job as it is pinned.
func mayDo(job *model.Job) []int32 {
	if job.Pin == nil || job.Pin.Person == model.None {
		return job.People
	}
	if slices.Contains(job.People, job.Pin.Person) {
		return []int32{job.Pin.Person}
	}
	return nil
}

// setKey makes a key of a set of indexes.
func setKey(set []int32) string {
	key := make([]byte, 0, 4*len(set))
	for _, v := range set {
		key = append(key, byte(v), byte(v>>8), byte(v>>16), byte(v>>24))
	}
	return string(key)
}
