package conflict

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// load is the work of one job on something, and between when it must lie.
type load struct {
	job      int32
	from, to model.Minute
	// work is minutes times how much of the thing it takes.
	work int64
}

// overload looks for a stretch of time in which jobs must lie that together ask for
// more than there is of a sprayer, some people, a place or a pool, and returns those
// jobs of the whole problem, ascending; nil when it finds none. This holds however
// many jobs there are. counts, when it is not nil, tells which jobs of the whole
// problem one of must be among them.
func (q *question) overload(counts func(job int32) bool) []int32 {
	o := &overloads{q: q, options: q.options(), counts: counts}
	o.times()
	for _, find := range []func() []int32{o.sprayers, o.people, o.places, o.pools} {
		if jobs := find(); jobs != nil {
			return jobs
		}
	}
	return nil
}

type overloads struct {
	q       *question
	options [][]option
	counts  func(job int32) bool
	// from and to are the earliest start and the latest end of each job; a job without
	// an option has no work here.
	from, to []model.Minute
}

func (o *overloads) times() {
	for i := range o.q.p.Jobs {
		job := &o.q.p.Jobs[i]
		to := o.q.latest(i)
		var from, longest model.Minute
		for k, option := range o.options[i] {
			start, _ := o.q.next(int32(i), option, 0, o.q.leastPrep(int32(i), option))
			if k == 0 || start < from {
				from = start
			}
			longest = max(longest, option.duration)
		}
		if job.Pin != nil && job.Pin.Start != model.None {
			to = min(to, job.Pin.Start+longest)
		}
		o.from = append(o.from, from)
		o.to = append(o.to, to)
	}
}

// sprayers looks at the jobs that only one sprayer can do.
func (o *overloads) sprayers() []int32 {
	for s := range o.q.p.Stations {
		if o.q.manySprayers[s] {
			continue
		}
		open := o.q.p.Stations[s].Open
		if len(open) == 0 {
			open = []model.Span{{From: 0, To: o.q.p.Horizon}}
		}
		loads := o.loads(func(i int) (int64, bool) {
			only := !slices.ContainsFunc(o.options[i], func(x option) bool { return x.station != int32(s) })
			return int64(o.shortest(i)), only
		})
		if jobs := o.tooMuch(loads, func() supply { return supplyOf(o.q.p.Horizon, open, 1) }); jobs != nil {
			return jobs
		}
	}
	return nil
}

// people looks at the jobs that only some people may do, for each such group.
func (o *overloads) people() []int32 {
	var groups [][]int32
	for i := range o.q.p.Jobs {
		job := &o.q.p.Jobs[i]
		known := slices.ContainsFunc(groups, func(g []int32) bool { return slices.Equal(g, job.People) })
		many := slices.ContainsFunc(job.People, func(p int32) bool { return o.q.manyPeople[p] })
		if job.Manned && !known && !many {
			groups = append(groups, job.People)
		}
	}
	for _, group := range groups {
		loads := o.loads(func(i int) (int64, bool) {
			job := &o.q.p.Jobs[i]
			outside := slices.ContainsFunc(job.People, func(p int32) bool { return !slices.Contains(group, p) })
			return int64(o.shortest(i)), job.Manned && !outside
		})
		jobs := o.tooMuch(loads, func() supply {
			total := make(supply, o.q.p.Horizon+1)
			for _, p := range group {
				var spans []model.Span
				for _, shift := range o.q.p.People[p].Shifts {
					spans = append(spans, shift.Span)
				}
				total.add(supplyOf(o.q.p.Horizon, spans, 1))
			}
			return total
		})
		if jobs != nil {
			return jobs
		}
	}
	return nil
}

// places looks at the exclusive work in each space that shares no closure. Each takes
// it for its tail too, of which the last may lie after all else.
func (o *overloads) places() []int32 {
	for space := range o.q.p.Spaces {
		var longest model.Minute
		loads := o.loads(func(i int) (int64, bool) {
			for _, x := range o.q.p.Jobs[i].Occupies {
				if int(x.Space) == space && x.Exclusive && x.Closure == model.None {
					longest = max(longest, x.Tail)
					return int64(o.shortest(i) + x.Tail), true
				}
			}
			return 0, false
		})
		for k := range loads {
			loads[k].to += longest
		}
		all := []model.Span{{From: 0, To: o.q.p.Horizon + longest}}
		if jobs := o.tooMuch(loads, func() supply { return supplyOf(o.q.p.Horizon+longest, all, 1) }); jobs != nil {
			return jobs
		}
	}
	return nil
}

func (o *overloads) pools() []int32 {
	for pool := range o.q.p.Pools {
		loads := o.loads(func(i int) (int64, bool) {
			amount := asks(&o.q.p.Jobs[i], int32(pool))
			return amount * int64(o.shortest(i)), amount > 0
		})
		all := []model.Span{{From: 0, To: o.q.p.Horizon}}
		capacity := int64(o.q.p.Pools[pool].Capacity)
		if jobs := o.tooMuch(loads, func() supply { return supplyOf(o.q.p.Horizon, all, capacity) }); jobs != nil {
			return jobs
		}
	}
	return nil
}

func (o *overloads) shortest(i int) model.Minute {
	least := o.options[i][0].duration
	for _, option := range o.options[i] {
		least = min(least, option.duration)
	}
	return least
}

// loads lists the jobs that have an option and work to do here, by their latest end.
func (o *overloads) loads(work func(i int) (int64, bool)) []load {
	var loads []load
	for i := range o.q.p.Jobs {
		if len(o.options[i]) == 0 {
			continue
		}
		if w, ok := work(i); ok {
			loads = append(loads, load{job: int32(i), from: o.from[i], to: o.to[i], work: w})
		}
	}
	slices.SortStableFunc(loads, func(a, b load) int { return cmp.Compare(a.to, b.to) })
	return loads
}

// tooMuch adds up for each stretch of time the work that must lie in it.
func (o *overloads) tooMuch(loads []load, there func() supply) []int32 {
	if len(loads) < 2 {
		return nil
	}
	total := there()
	for i, first := range loads {
		if slices.ContainsFunc(loads[:i], func(l load) bool { return l.from == first.from }) {
			continue
		}
		var work int64
		for k, last := range loads {
			if last.from < first.from {
				continue
			}
			work += last.work
			if work > total.between(first.from, last.to) {
				if jobs := o.within(loads[:k+1], first.from); jobs != nil {
					return jobs
				}
			}
		}
	}
	return nil
}

// within are the jobs from a moment on; nil when none of them counts.
func (o *overloads) within(loads []load, from model.Minute) []int32 {
	var jobs []int32
	counts := o.counts == nil
	for _, l := range loads {
		if l.from >= from {
			job := o.q.jobs[l.job]
			jobs = append(jobs, job)
			counts = counts || o.counts(job)
		}
	}
	if !counts {
		return nil
	}
	slices.Sort(jobs)
	return jobs
}

// supply is how many minutes of something there are before each minute.
type supply []int64

func supplyOf(far model.Minute, spans []model.Span, amount int64) supply {
	s := make(supply, far+1)
	for _, span := range spans {
		for m := max(span.From, 0); m < min(span.To, far); m++ {
			s[m+1] = amount
		}
	}
	for m := range far {
		s[m+1] += s[m]
	}
	return s
}

func (s supply) add(other supply) {
	for m := range s {
		s[m] += other[m]
	}
}

// between is what there is from one minute to another.
func (s supply) between(from, to model.Minute) int64 {
	last := model.Minute(len(s) - 1)
	return s[min(max(to, 0), last)] - s[min(max(from, 0), last)]
}
