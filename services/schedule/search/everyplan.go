package search

import (
	"cmp"
	"context"
	"math"
	"slices"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

const (
	// mostTried is how many jobs a problem may have of which all plans are tried. With
	// more the plans of even a short day are too many.
	mostTried = 7
	// triedSteps is how many starts are tried before the trial gives up. It is a number
	// and not a time, so that the answer is the same on any computer.
	triedSteps = 120_000
	// longestTried is the longest horizon, minutes, of which all plans are tried: two
	// weeks. In a longer one the steps run out before the first days are tried.
	longestTried = 20_160
)

// trial goes through all plans of a problem of few jobs, but for those that cannot be
// better than the best so far. Jobs are placed in the order of their starts, and of
// their index where they start together, so that no plan is tried twice. In this order
// a rinse, a closure and overtime cost what they cost whatever is placed later. Only
// the load that was mixed last may still leave less over.
type trial struct {
	ctx context.Context
	t   *tables
	s   *state
	// least is what a job costs at least by itself when it starts at a moment or later.
	least [][]int64
	// shared is true for a job with a closure that may lie over that of another.
	shared []bool
	// early and late are the first and the last start of each job when all jobs are
	// placed that are now.
	early, late []minute
	// left are the jobs to place.
	left []bool
	// aim is what is left out while this set of jobs is tried.
	aim cost
	// bound is what no plan goes below; zero while it is not known.
	bound bound.Bounds
	// best is what the best plan so far costs, found and score are that plan; nil while
	// none is better than the one that was given.
	best  cost
	found []spot
	score model.Score
	steps int
	// grown counts how often a job was looked for, so that the context is heeded.
	grown int
	// over is true when the steps ran out or the context ended, cut in the second case
	// only.
	over, cut bool
}

// newTrial begins from what the best plan so far costs.
func newTrial(ctx context.Context, t *tables, known bound.Bounds, best cost) *trial {
	e := &trial{ctx: ctx, t: t, s: newState(t), bound: known, best: best, left: make([]bool, len(t.jobs))}
	for j := range t.jobs {
		e.shared = append(e.shared, e.shares(j))
		e.least = append(e.least, e.leastOf(int32(j)))
	}
	return e
}

// leastOf is for each start, and those after it, what a job costs at least by itself,
// less what leaving it out costs as a change.
func (e *trial) leastOf(j int32) []int64 {
	own := &e.t.jobs[j]
	last := minute(-1)
	for _, o := range own.ways {
		last = max(last, o.starts[len(o.starts)-1].To)
	}
	least := make([]int64, last+1)
	for m := last; m >= 0; m-- {
		least[m] = e.leastAt(own, j, m)
		if m < last {
			least[m] = min(least[m], least[m+1])
		}
	}
	return least
}

// leastAt is what a job costs at least at a start, the largest number when it cannot
// start then.
func (e *trial) leastAt(own *task, j int32, m minute) int64 {
	least := int64(math.MaxInt64)
	for w := range own.ways {
		o := &own.ways[w]
		if start, ok := next(o.starts, m); !ok || start > m {
			continue
		}
		for _, person := range own.people {
			least = min(least, e.itself(own, o, room{job: j, way: int32(w), person: person}, seat{start: m}))
		}
	}
	return least
}

// itself is what a job costs where it stands whatever stands around it.
func (e *trial) itself(own *task, o *option, r room, at seat) int64 {
	sum := e.s.alone(own, o, r, at.start)
	end := at.start + o.duration
	if w := e.t.p.Weights.Overtime; w > 0 && r.person != model.None {
		sum += w * e.t.overtime(r.person, at.start-at.prep, end)
	}
	for i := range own.job.Occupies {
		if occupation := &own.job.Occupies[i]; occupation.Exclusive && !e.shared[r.job] {
			sum += e.t.p.Spaces[occupation.Space].ClosedWeight * e.t.worked[occupation.Space].between(at.start, end+occupation.Tail)
		}
	}
	return sum
}

// shares tells whether a closure of a job may lie over that of another. Else rule R7
// keeps them apart, and each minute of it costs what it costs alone.
func (e *trial) shares(j int) bool {
	for _, o := range e.t.jobs[j].job.Occupies {
		for i := range e.t.jobs {
			if i != j && o.Closure != model.None && slices.ContainsFunc(e.t.jobs[i].job.Occupies, func(other model.Occupation) bool {
				return other.Space == o.Space && other.Closure == o.Closure
			}) {
				return true
			}
		}
	}
	return false
}

// run tries all plans. True means that none is better than the best it knows of.
func (e *trial) run() bool {
	for _, set := range e.sets() {
		if set.cost.compare(e.best) >= 0 {
			break
		}
		e.aim = set.cost
		copy(e.left, set.jobs)
		if e.bounds() {
			e.grow(0, model.None)
		}
		if e.over {
			return false
		}
	}
	return true
}

// tryAll goes once through all plans of a problem of few jobs, when the first round has
// found a plan with which most of them need not be looked at.
func (g *guide) tryAll() {
	if g.tried || g.optimal() || len(g.p.Jobs) > mostTried || g.p.Horizon > longestTried {
		return
	}
	g.tried = true
	e := newTrial(g.ctx, g.t, g.bound, g.cost)
	g.proven = e.run()
	if e.found == nil || e.cut {
		return
	}
	g.best, g.cost, g.score = e.found, e.best, e.score
	g.publish()
}

// chosen is a set of jobs to place and what leaving out the others counts.
type chosen struct {
	jobs []bool
	cost cost
}

// sets are those in which each job has all that it needs, from what counts least.
func (e *trial) sets() []chosen {
	var all []chosen
	for bits := range 1 << len(e.t.jobs) {
		set := chosen{jobs: make([]bool, len(e.t.jobs))}
		for j := range e.t.jobs {
			job := e.t.jobs[j].job
			set.jobs[j] = bits>>j&1 == 0
			if set.jobs[j] {
				continue
			}
			set.cost.skipped += job.SkipWeight
			if job.Pin != nil {
				set.cost.pinnedOut++
			}
		}
		if e.allowed(set.jobs) {
			all = append(all, set)
		}
	}
	slices.SortStableFunc(all, func(a, b chosen) int {
		return cmp.Or(cmp.Compare(a.cost.pinnedOut, b.cost.pinnedOut), cmp.Compare(a.cost.skipped, b.cost.skipped))
	})
	return all
}

func (e *trial) allowed(jobs []bool) bool {
	for j, placed := range jobs {
		own := &e.t.jobs[j]
		if placed && (len(own.ways) == 0 || len(own.people) == 0 || slices.ContainsFunc(own.job.Needs, func(need int32) bool { return !jobs[need] })) {
			return false
		}
	}
	return true
}

// bounds finds the first and the last start of each job of the set by the intervals
// between them; false when a job has none.
func (e *trial) bounds() bool {
	e.early, e.late = make([]minute, len(e.left)), make([]minute, len(e.left))
	for j := range e.left {
		e.early[j], e.late[j] = never, -1
		for _, o := range e.t.jobs[j].ways {
			e.early[j] = min(e.early[j], o.starts[0].From)
			e.late[j] = max(e.late[j], o.starts[len(o.starts)-1].To)
		}
	}
	// A chain has fewer intervals than there are jobs.
	for range e.left {
		for _, lag := range e.t.p.Lags {
			if e.left[lag.From] && e.left[lag.To] {
				d := e.t.distance(lag)
				e.early[lag.To] = max(e.early[lag.To], e.early[lag.From]+d)
				e.late[lag.From] = min(e.late[lag.From], e.late[lag.To]-d)
			}
		}
	}
	for j, placed := range e.left {
		if placed && e.early[j] > e.late[j] {
			return false
		}
	}
	return true
}

// outlook is what is known of the jobs to place when those that are placed stand.
type outlook struct {
	// from is the first start of each.
	from [mostTried]minute
	// to is the last start of the next one: no job to place could start later.
	to minute
	// sofar is what the placed jobs cost at least in the end, without the end of work.
	sofar int64
}

// grow places one more job, at a start from now on, in all possible ways. The job last
// is the one that starts now.
func (e *trial) grow(now minute, last int32) {
	e.steps++
	e.grown++
	e.cut = e.grown%64 == 1 && e.ctx.Err() != nil
	e.over = e.cut || e.steps >= triedSteps
	if e.over {
		return
	}
	if !slices.Contains(e.left, true) {
		e.keep()
		return
	}
	ahead, ok := e.ahead(now, last)
	if !ok || e.dear(&ahead, now) {
		return
	}
	for j := range e.left {
		if e.left[j] && !e.over {
			e.ways(int32(j), &ahead)
		}
	}
}

// keep takes the plan when it is better than the best so far.
func (e *trial) keep() {
	if c := e.s.cost(); c.compare(e.best) < 0 {
		e.best, e.found, e.score = c, slices.Clone(e.s.at), e.s.score()
	}
}

// ahead finds the first start of each job to place; false when one has none.
func (e *trial) ahead(now minute, last int32) (outlook, bool) {
	a := outlook{to: never, sofar: e.sofar()}
	for j := range e.left {
		if !e.left[j] {
			continue
		}
		from := max(now, e.early[j])
		if from == now && int32(j) <= last {
			from++
		}
		first, to, ok := e.starts(int32(j), from)
		if !ok {
			return a, false
		}
		a.from[j] = first
		a.to = min(a.to, to)
	}
	return a, true
}

// sofar is what the placed jobs cost at least in the end, without the end of work. What
// is known of rinses and leftovers of all plans holds as well.
func (e *trial) sofar() int64 {
	terms := e.s.terms
	terms[model.Leftover] -= e.mayJoin()
	terms[model.Finish] = 0
	if e.aim.skipped <= e.bound.Skipped {
		for _, term := range [2]model.Term{model.Leftover, model.Rinsing} {
			terms[term] = max(terms[term], e.bound.Terms[term].Value)
		}
	}
	return model.Score{Terms: terms}.Total()
}

// starts are the first and the last start of a job, from a moment on. What is placed
// later can only take starts away.
func (e *trial) starts(j int32, from minute) (first, last minute, ok bool) {
	own := &e.t.jobs[j]
	first, last = never, -1
	for w := range own.ways {
		o := &own.ways[w]
		at, to := e.s.between(j, o.duration)
		to = min(to, e.late[j])
		at, free := e.free(own, o, max(at, from), to)
		if free {
			first, last = min(first, at), max(last, to)
		}
	}
	return first, last, first <= last
}

// free is the first start of a way from a moment on at which its spaces, pools, station
// and one of its people are free. Preparations and ways to go are left out: a job
// between may make them shorter.
func (e *trial) free(own *task, o *option, at, to minute) (minute, bool) {
	if o.station != model.None {
		if list := e.s.onStation[o.station]; len(list) > 0 {
			at = max(at, e.s.at[list[len(list)-1]].end)
		}
	}
	for at <= to {
		before := at
		start, ok := next(o.starts, at)
		if !ok {
			return at, false
		}
		at = start
		for i := range own.job.Occupies {
			at = e.s.unoccupied(&own.job.Occupies[i], at, o.duration)
		}
		if o.duration > 0 {
			for _, d := range own.demands {
				at = e.s.drawable(d, at, o.duration)
			}
		}
		if own.job.Manned {
			at = e.somebody(own, o, at)
		}
		if at == before {
			return at, true
		}
	}
	return at, false
}

// somebody is the first start from a moment on at which one of the people of a job is
// free and works.
func (e *trial) somebody(own *task, o *option, at minute) minute {
	first := never
	for _, person := range own.people {
		start := at
		if list := e.s.withPerson[person]; len(list) > 0 {
			start = max(start, e.s.at[list[len(list)-1]].end)
		}
		first = min(first, e.s.onShift(person, start, 0, o.duration))
	}
	return first
}

// mayJoin is what the last loads of all stations leave over, as far as jobs to place may
// use it up.
func (e *trial) mayJoin() int64 {
	weight := e.t.p.Weights.Leftover
	if weight == 0 {
		return 0
	}
	var sum int64
	for station := range e.s.onStation {
		mix, before := e.s.held(int32(station), len(e.s.onStation[station]))
		if before == model.None || !e.poured(int32(station), mix, model.None) {
			continue
		}
		used, _ := e.s.run(e.s.onStation[station], len(e.s.onStation[station]))
		sum += weight * leftover(&e.t.p.Stations[station], used)
	}
	return sum
}

// poured tells whether a job to place, other than one, may use a mix from a station.
func (e *trial) poured(station, mix, one int32) bool {
	for j := range e.left {
		own := &e.t.jobs[j]
		if e.left[j] && int32(j) != one && own.job.Mix == mix && slices.ContainsFunc(own.ways, func(o option) bool { return o.station == station }) {
			return true
		}
	}
	return false
}

// dear tells whether no plan is better than the best so far in which all jobs to place
// start at a moment or later. It grows with the moment.
func (e *trial) dear(a *outlook, m minute) bool {
	c := e.aim
	c.total = a.sofar
	end := minute(0)
	if e.t.p.Weights.Finish > 0 {
		end = e.s.last
	}
	for j := range e.left {
		if !e.left[j] {
			continue
		}
		start := max(a.from[j], m)
		if int(start) >= len(e.least[j]) {
			return true
		}
		c.total += e.least[j][start]
		end = max(end, start+e.t.jobs[j].shortest)
	}
	c.total += e.t.p.Weights.Finish * int64(end)
	return c.compare(e.best) >= 0
}

// ways tries all starts of a job in each way, by each person, with and without a new
// load.
func (e *trial) ways(j int32, a *outlook) {
	own := &e.t.jobs[j]
	for w := range own.ways {
		o := &own.ways[w]
		from, to := e.s.between(j, o.duration)
		r := room{job: j, way: int32(w), from: max(from, a.from[j]), to: min(to, a.to, e.late[j])}
		for _, person := range own.people {
			r.person = person
			if !o.mixes {
				e.each(r, a)
				continue
			}
			for _, r.loads = range [2]loads{joinOnly, freshOnly} {
				e.each(r, a)
			}
			r.loads = joinFirst
		}
	}
}

// each tries the starts of a job one after the other, but for those before which it
// could as well start a minute sooner.
func (e *trial) each(r room, a *outlook) {
	ready := e.ready(r)
	tried := -never
	for !e.over && r.from <= r.to {
		seat, fits := e.s.fit(r)
		if !fits || e.dear(a, seat.start) {
			return
		}
		r.from = seat.start + 1
		before := tried
		tried = seat.start
		if ready && before == tried-1 && e.sooner(r, seat) {
			e.steps++
			continue
		}
		place := offer{room: r, seat: seat}
		e.left[r.job] = false
		e.s.put(r.job, place.spot(e.t))
		e.grow(seat.start, r.job)
		e.s.take(r.job)
		e.left[r.job] = true
	}
}

// ready and sooner together tell that a job need not be tried at a start, because it
// also fits a minute before. Of the best plans take one with the least sum of starts.
// When a job of it stood at such a start, it could stand a minute sooner: all jobs that
// are placed later start at that start or after it, so that none is nearer to it then
// in its spaces and pools, nor with its person and station, where it ends sooner. It
// would cost no more, and the sum of starts would be less.
//
// ready is true when no job to place needs this one to be late: by an interval from its
// own point to that of this job, or because it joins the load that this job mixes and
// ends within its life.
func (e *trial) ready(r room) bool {
	own := &e.t.jobs[r.job]
	for i := range own.bonds {
		if b := &own.bonds[i]; b.below && e.left[b.other] {
			return false
		}
	}
	return r.loads != freshOnly || !e.poured(own.ways[r.way].station, own.job.Mix, r.job)
}

// sooner is true when a job costs no more a minute before, and counts as much towards
// the limit of its person on the same day. In heat that depends on the start.
func (e *trial) sooner(r room, at seat) bool {
	own := &e.t.jobs[r.job]
	o := &own.ways[r.way]
	earlier := at
	earlier.start--
	if r.person != model.None && e.t.p.People[r.person].MaxProtected > 0 && strains(own.job) &&
		(!own.job.Protected || e.t.day(at.start) != e.t.day(earlier.start)) {
		return false
	}
	cost := e.itself(own, o, r, earlier)
	for i := range own.job.Occupies {
		if occupation := &own.job.Occupies[i]; occupation.Exclusive && e.shared[r.job] {
			// The last minute of the closure may be closed by another job as well.
			cost += e.t.p.Spaces[occupation.Space].ClosedWeight * e.t.worked[occupation.Space].between(earlier.start, at.start)
		}
	}
	return cost <= e.itself(own, o, r, at)
}
