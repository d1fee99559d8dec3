package search

import (
	"cmp"
	"math/rand/v2"
	"slices"

	"velamen/services/schedule/model"
)

// builder puts jobs back into a state.
type builder struct {
	s       *state
	seek    seeker
	rng     *rand.Rand
	pending []bool
	keys    []int64
	bag     []int32
}

func newBuilder(s *state, rng *rand.Rand) *builder {
	return &builder{
		s: s, rng: rng, seek: seeker{s: s, rng: rng},
		pending: make([]bool, len(s.t.jobs)), keys: make([]int64, len(s.t.jobs)),
	}
}

// restore places the jobs of the bag in the order of their keys, each after those that
// come before it. What fits nowhere stays out.
func (b *builder) restore() {
	slices.SortFunc(b.bag, func(i, j int32) int { return cmp.Or(cmp.Compare(b.keys[i], b.keys[j]), cmp.Compare(i, j)) })
	for _, j := range b.bag {
		b.pending[j] = true
	}
	for _, j := range b.bag {
		b.visit(j)
	}
	// A job may come before another by an interval and yet need it.
	for _, j := range b.bag {
		if !b.s.at[j].placed && len(b.s.t.jobs[j].firm) > 0 && b.s.needed(j) {
			b.place(j)
		}
	}
	b.bag = b.bag[:0]
	b.purge()
}

func (b *builder) visit(j int32) {
	if !b.pending[j] {
		return
	}
	b.pending[j] = false
	if b.s.at[j].placed {
		return
	}
	for _, before := range b.s.t.jobs[j].after {
		if b.pending[before] {
			b.visit(before)
		}
	}
	b.place(j)
}

// place puts a job where it costs least and tells whether it fits anywhere.
func (b *builder) place(j int32) bool {
	if len(b.s.t.jobs[j].ways) == 0 {
		return false
	}
	offer, ok := b.seek.best(j)
	if ok {
		b.s.put(j, offer.spot(b.s.t))
	}
	return ok
}

// purge takes out the jobs of a circle of needs that is not whole.
func (b *builder) purge() {
	for moved := len(b.s.t.mutual) > 0; moved; {
		moved = false
		for _, j := range b.s.t.mutual {
			if b.s.at[j].placed && slices.ContainsFunc(b.s.t.jobs[j].job.Needs, func(need int32) bool { return !b.s.at[need].placed }) {
				b.s.remove(j)
				moved = true
			}
		}
	}
}

// mostShifts is how often a chain is moved later because a longest interval does not hold.
const mostShifts = 6

// follow places a job; when a longest interval keeps it from its place, the jobs that
// it is bound to are moved later and it is tried again.
func (b *builder) follow(j int32) bool {
	for range mostShifts {
		if b.place(j) {
			return true
		}
		partner, by := b.late(j)
		if partner == model.None {
			return false
		}
		was := b.s.at[partner].start
		b.s.remove(partner)
		b.seek.notBefore[partner] = was + by
		if !b.place(partner) {
			return false
		}
	}
	return false
}

// late finds the job whose interval ends before a job fits, and by how much.
func (b *builder) late(j int32) (partner int32, by minute) {
	partner = model.None
	own := &b.s.t.jobs[j]
	for w := range own.ways {
		d := own.ways[w].duration
		from, to := b.s.between(j, d)
		if to >= never {
			continue
		}
		for _, person := range own.people {
			at, ok := b.s.fit(room{job: j, way: int32(w), person: person, from: from, to: never - 1})
			if ok && at.start > to && (partner == model.None || at.start-to < by) {
				if p := b.s.tightest(j, d); p != model.None {
					partner, by = p, at.start-to
				}
			}
		}
	}
	return partner, by
}

// tightest is the job that bounds the latest start of another by an interval.
func (s *state) tightest(j int32, d minute) int32 {
	_, to := s.between(j, d)
	for _, b := range s.t.jobs[j].bonds {
		if b.below || !s.at[b.other].placed {
			continue
		}
		point := s.at[b.other].start
		if b.otherEnd {
			point = s.at[b.other].end
		}
		if b.ownEnd {
			point -= d
		}
		if point-b.least == to {
			return b.other
		}
	}
	return model.None
}

// load takes over a plan as far as it keeps the rules, in the order of starts.
func (b *builder) load(plan model.Plan) {
	type entry struct {
		job int32
		at  model.Placement
	}
	var entries []entry
	for i := range min(len(plan), len(b.s.at)) {
		if plan[i].Placed {
			entries = append(entries, entry{job: int32(i), at: plan[i]})
		}
	}
	slices.SortStableFunc(entries, func(x, y entry) int { return cmp.Compare(x.at.Start, y.at.Start) })
	for _, e := range entries {
		b.stand(e.job, e.at)
	}
	b.withdraw()
}

// stand places a job exactly as a plan says when the rules allow it.
func (b *builder) stand(j int32, place model.Placement) bool {
	own := &b.s.t.jobs[j]
	w := slices.IndexFunc(own.ways, func(o option) bool { return o.index == place.Way })
	if w < 0 || !slices.Contains(own.people, place.Person) {
		return false
	}
	return b.stands(j, &spot{start: place.Start, way: int32(w), person: place.Person, fresh: place.NewLoad})
}

// stands places a job at a spot when the rules allow it.
func (b *builder) stands(j int32, at *spot) bool {
	o := &b.s.t.jobs[j].ways[at.way]
	from, to := b.s.between(j, o.duration)
	if at.start < from || at.start > to {
		return false
	}
	r := room{job: j, way: at.way, person: at.person, loads: freshOnly, from: at.start, to: at.start}
	if o.mixes && !at.fresh {
		r.loads = joinOnly
	}
	found, ok := b.s.fit(r)
	if !ok {
		return false
	}
	it := offer{room: r, seat: found}
	b.s.put(j, it.spot(b.s.t))
	return true
}

// withdraw takes out jobs that need one which is not placed.
func (b *builder) withdraw() {
	for moved := true; moved; {
		moved = false
		for j := range b.s.at {
			if b.s.at[j].placed && slices.ContainsFunc(b.s.t.jobs[j].job.Needs, func(need int32) bool { return !b.s.at[need].placed }) {
				b.s.remove(int32(j))
				moved = true
			}
		}
	}
}
