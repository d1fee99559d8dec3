package search

import (
	"cmp"
	"math"
	"slices"

	"velamen/services/schedule/model"
)

// Slot is a place for one job in a plan.
type Slot struct {
	Placement model.Placement
	// Change is what the plan costs more with the job there than as it stands, term by
	// term and in weights left out; less when below zero.
	Change model.Score
}

// Slots ranks places for a job in a plan that keeps the rules, the best first, and
// returns at most limit of them. No other job is moved. There are none when the job
// needs one that is left out or fits nowhere.
func Slots(p *model.Problem, plan model.Plan, job int32, limit int) []Slot {
	t := compile(p)
	s := newState(t)
	s.fill(spotsOf(t, plan))
	before := s.score()
	var behind []int32
	if a := s.at[job]; a.placed {
		s.take(job)
		behind = s.unsound(job, a)
	}
	if limit <= 0 || !s.needed(job) || !s.allNeeded(job) {
		return nil
	}
	var slots []Slot
	for _, o := range s.offers(job) {
		if len(slots) == limit {
			break
		}
		s.put(job, o.spot(t))
		after := s.score()
		if !slices.ContainsFunc(behind, func(j int32) bool { return !s.sound(j) }) {
			slots = append(slots, Slot{Placement: s.plan()[job], Change: difference(after, before)})
		}
		s.take(job)
	}
	return slots
}

// allNeeded tells whether all that a job needs is placed, also what needs it in turn.
func (s *state) allNeeded(j int32) bool {
	return !slices.ContainsFunc(s.t.jobs[j].job.Needs, func(need int32) bool { return !s.at[need].placed })
}

func difference(after, before model.Score) model.Score {
	after.Skipped -= before.Skipped
	for term := range after.Terms {
		after.Terms[term] -= before.Terms[term]
	}
	return after
}

// offers are the places of a job, the cheapest first, then the earliest.
func (s *state) offers(j int32) []offer {
	own := &s.t.jobs[j]
	seek := seeker{s: s}
	var all []offer
	for w := range own.ways {
		o := &own.ways[w]
		from, to := s.between(j, o.duration)
		to = min(to, o.starts[len(o.starts)-1].To)
		if from > to {
			continue
		}
		seek.propose(j, int32(w), from, to)
		starts := s.gaps(own, o, slices.Clone(seek.starts), from, to)
		for _, person := range own.people {
			for _, want := range [2]loads{joinFirst, freshOnly} {
				if want == freshOnly && !o.mixes {
					continue
				}
				all = s.offersOf(room{job: j, way: int32(w), person: person, loads: want, to: to}, starts, all)
			}
		}
	}
	slices.SortFunc(all, func(a, b offer) int {
		return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(a.seat.start, b.seat.start),
			cmp.Compare(a.way, b.way), cmp.Compare(a.person, b.person), cmp.Compare(number(a.seat.fresh), number(b.seat.fresh)))
	})
	return slices.CompactFunc(all, func(a, b offer) bool {
		return a.seat.start == b.seat.start && a.way == b.way && a.person == b.person && a.seat.fresh == b.seat.fresh
	})
}

func number(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// offersOf adds the places with one person in one way.
func (s *state) offersOf(r room, starts []minute, all []offer) []offer {
	reached := minute(math.MinInt32)
	for _, start := range starts {
		if start <= reached {
			continue
		}
		r.from = start
		at, ok := s.fit(r)
		if !ok {
			break
		}
		reached = at.start
		all = append(all, offer{room: r, seat: at, cost: s.price(r, at)})
	}
	return all
}

// gaps adds the starts at which something ends that is in the way of a job, and those of
// shifts.
func (s *state) gaps(own *task, o *option, starts []minute, from, to minute) []minute {
	ends := func(list []int32) {
		for _, j := range list {
			starts = append(starts, s.at[j].end)
		}
	}
	if o.station != model.None {
		ends(s.onStation[o.station])
	}
	for _, person := range own.people {
		if person == model.None {
			continue
		}
		ends(s.withPerson[person])
		for _, shift := range s.t.p.People[person].Shifts {
			starts = append(starts, shift.From)
		}
	}
	for i := range own.job.Occupies {
		for _, in := range s.inSpace[own.job.Occupies[i].Space] {
			starts = append(starts, in.to)
		}
	}
	starts = slices.DeleteFunc(starts, func(m minute) bool { return m < from || m > to })
	slices.Sort(starts)
	return slices.Compact(starts)
}

// unsound are the jobs that cannot stay as they are where one was taken out.
func (s *state) unsound(j int32, a spot) []int32 {
	var found []int32
	if a.station != model.None && s.t.jobs[j].ways[a.way].mixes {
		if follow, _ := s.following(a.station, s.lower(s.onStation[a.station], a.start)); follow != model.None && !s.sound(follow) {
			found = append(found, follow)
		}
	}
	if a.person != model.None {
		list := s.withPerson[a.person]
		if k := s.lower(list, a.start); k < len(list) && !s.sound(list[k]) {
			found = append(found, list[k])
		}
	}
	return found
}

// sound tells whether a job that is placed has its preparation, its way and its load
// with the jobs that come before it.
func (s *state) sound(j int32) bool {
	a := &s.at[j]
	if a.begin < 0 {
		return false
	}
	if a.station != model.None {
		list := s.onStation[a.station]
		place := s.position(list, j)
		if !s.earlier(j, place, a.begin) {
			return false
		}
		if held, before := s.held(a.station, place); s.t.jobs[j].ways[a.way].mixes && !a.fresh {
			return before != model.None && held == s.t.jobs[j].job.Mix && s.lasts(a.station, j, before, place)
		}
		return true
	}
	if a.person == model.None {
		return true
	}
	mine := s.withPerson[a.person]
	k := s.position(mine, j)
	return k == 0 || s.at[mine[k-1]].end+s.t.travel(mine[k-1], j) <= a.begin
}
