package search

import (
	"math/rand/v2"
	"slices"

	"velamen/services/schedule/model"
)

// offer is a place for a job and what it adds to the terms.
type offer struct {
	room
	seat seat
	cost int64
}

func (o *offer) spot(t *tables) spot {
	w := &t.jobs[o.job].ways[o.way]
	return spot{
		start: o.seat.start, end: o.seat.start + w.duration, way: o.way, person: o.person,
		station: w.station, fresh: o.seat.fresh,
	}
}

// mostStarts is how many starts are tried for one way of a job.
const mostStarts = 40

// seeker looks for the best place of a job. It holds what it would else allocate.
type seeker struct {
	s      *state
	starts []minute
	// until is, for each person who may do the job, the last start up to which nothing
	// new is to be found.
	until []minute
	// blink is out of how many places one is overlooked, 0 for none: a search that
	// always takes the best place takes the same ones again.
	blink int
	rng   *rand.Rand
	// notBefore are starts that chains are shifted to; nil for none.
	notBefore []minute
}

// best returns the cheapest place of a job; of equal ones that which ends first.
func (k *seeker) best(j int32) (offer, bool) {
	own := &k.s.t.jobs[j]
	found, ok := k.within(j, own.latest)
	if !ok {
		found, ok = k.within(j, never-1)
	}
	return found, ok
}

func (k *seeker) within(j int32, latest minute) (best offer, ok bool) {
	own := &k.s.t.jobs[j]
	if !k.s.needed(j) {
		return best, false
	}
	for w := range own.ways {
		o := &own.ways[w]
		from, to := k.s.between(j, o.duration)
		to = min(to, latest)
		if k.notBefore != nil {
			from = max(from, k.notBefore[j])
		}
		if from > to {
			continue
		}
		k.propose(j, int32(w), from, to)
		r := room{job: j, way: int32(w), person: model.None, to: to}
		k.along(own, o, r, &best, &ok)
	}
	return best, ok
}

// along tries the starts that were proposed for one way. Once there is an offer, only
// starts that can be cheaper are tried.
func (k *seeker) along(own *task, o *option, r room, best *offer, ok *bool) {
	reached, to := minute(-1), r.to
	k.until = k.until[:0]
	for range own.people {
		k.until = append(k.until, -1)
	}
	for _, start := range k.starts {
		if start <= reached || k.blinks() {
			continue
		}
		if *ok {
			r.to = min(to, k.s.worthwhile(own, o, best.cost))
		}
		if start > r.to {
			break
		}
		if *ok && k.s.outlook(own, o, start) > best.cost {
			continue
		}
		r.from, r.loads, r.person = start, joinFirst, model.None
		if o.mixes && k.blinks() {
			r.loads = freshOnly
		}
		at, fits := k.s.fit(r)
		if !fits {
			break
		}
		reached = at.start
		if *ok && k.s.price(r, at) > best.cost {
			continue
		}
		k.people(own, o, r, at, best, ok)
	}
}

// blinks tells whether to overlook a place.
func (k *seeker) blinks() bool { return k.blink > 0 && k.rng.IntN(k.blink) == 0 }

// outlook is what a job costs at a start by itself and with its closures, less what it
// may gain with a load that it joins and by being as told.
func (s *state) outlook(own *task, o *option, start minute) int64 {
	job := own.job
	sum := job.LateWeight*int64(max(start+o.duration-job.Due, 0)) + job.WaitWeight*int64(max(start-job.Release, 0)) - s.mayGain(own, o)
	for i := range job.Occupies {
		if occupation := &job.Occupies[i]; occupation.Exclusive {
			sum += s.closure(occupation, start, start+o.duration+occupation.Tail)
		}
	}
	return sum
}

// mayGain is about the most that placing a job can take off other costs.
func (s *state) mayGain(own *task, o *option) int64 {
	var gain int64
	if own.job.Told != nil {
		gain = own.job.Told.Weight
	}
	if o.mixes {
		st := &s.t.p.Stations[o.station]
		gain += s.t.p.Weights.Leftover * max(st.Graduation, st.SmallestLoad)
	}
	return gain
}

// worthwhile is the last start from which a job can still be as cheap as an offer. What
// it costs by itself only grows, and a load that it joins saves at most what one load
// leaves over.
func (s *state) worthwhile(own *task, o *option, offered int64) minute {
	job := own.job
	budget := offered + s.mayGain(own, o)
	last := int64(never)
	if job.WaitWeight > 0 {
		last = int64(job.Release) + budget/job.WaitWeight
	}
	if job.LateWeight > 0 {
		last = min(last, int64(job.Due-o.duration)+budget/job.LateWeight)
	}
	return minute(max(last, -1))
}

// people tries a start with everybody who may do the job.
func (k *seeker) people(own *task, o *option, r room, at seat, best *offer, ok *bool) {
	to := r.to
	for i, person := range own.people {
		if at.start <= k.until[i] || k.blinks() {
			continue
		}
		if *ok {
			r.to = min(to, k.s.worthwhile(own, o, best.cost))
			if at.start > r.to {
				return
			}
		}
		r.person = person
		if person != model.None {
			r.from = at.start
			seat, fits := k.s.fit(r)
			if !fits {
				k.until[i] = never
				continue
			}
			k.until[i] = seat.start
			k.consider(o, r, seat, best, ok)
			continue
		}
		k.consider(o, r, at, best, ok)
	}
}

func (k *seeker) consider(o *option, r room, at seat, best *offer, ok *bool) {
	cost := k.s.price(r, at)
	if *ok {
		end, bestEnd := at.start+o.duration, best.seat.start+k.s.t.jobs[r.job].ways[best.way].duration
		if cost > best.cost || cost == best.cost && end >= bestEnd {
			return
		}
	}
	*best, *ok = offer{room: r, seat: at, cost: cost}, true
}

// needed tells whether all that a job needs is placed, but for those that need it in
// turn: they come with it or it goes with them.
func (s *state) needed(j int32) bool {
	for _, need := range s.t.jobs[j].firm {
		if !s.at[need].placed {
			return false
		}
	}
	return true
}

// propose lists the starts that can be the best ones of a way, ascending. Between two
// of them the cost only grows, but for what other jobs do to it.
func (k *seeker) propose(j, w int32, from, to minute) {
	own := &k.s.t.jobs[j]
	o := &own.ways[w]
	if k.blinks() && from < to {
		// Now and then a job goes later and makes way for another.
		from += 1 + minute(k.rng.IntN(int(min(to-from, 2*o.duration+4))))
	}
	k.starts = append(k.starts[:0], from)
	if !own.shapes {
		return
	}
	k.hopeful(own, j, o, from, to)
	kept := k.starts[:0]
	for _, start := range k.starts {
		if start >= from && start <= to {
			kept = append(kept, start)
		}
	}
	slices.Sort(kept)
	k.starts = slices.Compact(kept)
	if len(k.starts) > mostStarts {
		k.starts = k.starts[:mostStarts]
	}
}

// hopeful adds the starts at which a later one can cost less.
func (k *seeker) hopeful(own *task, j int32, o *option, from, to minute) {
	d := o.duration
	k.starts = append(k.starts, to)
	if told := own.job.Told; told != nil {
		k.starts = append(k.starts, told.Start-told.Tolerance, told.Start)
	}
	for i := range own.job.Occupies {
		if occupation := &own.job.Occupies[i]; occupation.Exclusive && k.s.t.p.Spaces[occupation.Space].ClosedWeight > 0 {
			k.closings(occupation, d, from, to)
		}
	}
	if o.mixes {
		k.neighbours(j, o, from, to)
	}
	if own.job.Manned && k.s.t.p.Weights.Overtime > 0 {
		k.shifts(own, from, to)
	}
}

// closings adds the starts from which a closure, or its tail, lies outside working
// hours or inside a closure that it may share.
func (k *seeker) closings(o *model.Occupation, d, from, to minute) {
	for _, working := range k.s.t.p.Spaces[o.Space].Working {
		if working.From-d-o.Tail > to {
			break
		}
		if working.To < from {
			continue
		}
		k.starts = append(k.starts, working.From-d-o.Tail, working.To-d, working.To)
	}
	if o.Closure == model.None {
		return
	}
	for _, in := range k.s.inSpace[o.Space] {
		if in.exclusive && in.closure == o.Closure {
			k.starts = append(k.starts, in.from, in.to-d-o.Tail, k.s.at[in.job].end)
		}
	}
}

// neighbours adds the starts right after and right before jobs with the same mix.
func (k *seeker) neighbours(j int32, o *option, from, to minute) {
	mix := k.s.t.jobs[j].job.Mix
	list := k.s.onStation[o.station]
	for i := max(k.s.lower(list, from)-1, 0); i < len(list) && len(k.starts) < 2*mostStarts; i++ {
		a := &k.s.at[list[i]]
		if a.begin > to+o.duration {
			break
		}
		if k.s.t.jobs[list[i]].job.Mix == mix {
			k.starts = append(k.starts, a.end, a.begin-o.duration, a.start-o.duration)
		}
	}
}

// shifts adds the starts of shifts, after which there is no overtime for a while.
func (k *seeker) shifts(own *task, from, to minute) {
	for _, person := range own.people {
		shifts := k.s.t.p.People[person].Shifts
		tried := 0
		for _, shift := range shifts {
			if shift.From > to || tried == 4 {
				break
			}
			if shift.From > from {
				k.starts = append(k.starts, shift.From)
				tried++
			}
		}
	}
}
