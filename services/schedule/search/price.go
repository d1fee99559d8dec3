package search

import "velamen/services/schedule/model"

// price is by how much the terms grow when a job is placed where it fits.
func (s *state) price(r room, at seat) int64 {
	own := &s.t.jobs[r.job]
	o := &own.ways[r.way]
	end := at.start + o.duration
	sum := s.alone(own, o, r, at.start)
	for i := range own.job.Occupies {
		if occupation := &own.job.Occupies[i]; occupation.Exclusive {
			sum += s.closure(occupation, at.start, end+occupation.Tail)
		}
	}
	if w := s.t.p.Weights.Overtime; w > 0 {
		if r.person != model.None {
			sum += w * s.t.overtime(r.person, at.start-at.prep, end)
		}
		if at.follow != model.None {
			if f := &s.at[at.follow]; f.person != model.None {
				sum += w*s.t.overtime(f.person, at.followBegin, f.end) - s.over[at.follow]
			}
		}
	}
	if o.mixes {
		sum += s.tankful(own, o, at)
	}
	if end > s.last {
		sum += s.t.p.Weights.Finish * int64(end-s.last)
	}
	return sum
}

// alone is what a job costs at a start whatever stands around it. Being as told takes
// off what leaving it out had cost.
func (s *state) alone(own *task, o *option, r room, start minute) int64 {
	job := own.job
	sum := job.LateWeight*int64(max(start+o.duration-job.Due, 0)) + job.WaitWeight*int64(max(start-job.Release, 0))
	if job.Told != nil && !changed(own, start, r.way, r.person) {
		sum -= job.Told.Weight
	}
	return sum
}

// closure is what it costs to close a space in a span in which others may have closed
// it already.
func (s *state) closure(o *model.Occupation, from, to minute) int64 {
	weight := s.t.p.Spaces[o.Space].ClosedWeight
	if weight == 0 {
		return 0
	}
	worked := &s.t.worked[o.Space]
	sum := worked.between(from, to)
	until := from
	for _, in := range s.inSpace[o.Space] {
		if in.from >= to {
			break
		}
		if in.exclusive && in.to > until {
			sum -= worked.between(max(in.from, until), min(in.to, to))
			until = in.to
		}
	}
	return weight * sum
}

// tankful is by how much leftovers and rinses grow with a job on a station.
func (s *state) tankful(own *task, o *option, at seat) int64 {
	list := s.onStation[o.station]
	k := s.lower(list, at.start)
	held, _ := s.held(o.station, k)
	mix := own.job.Mix
	sum := s.t.rinsing(s.t.rinse(o.station, held, mix))
	if follow, _ := s.following(o.station, k); follow != model.None {
		next := s.t.jobs[follow].job.Mix
		sum += s.t.rinsing(s.t.rinse(o.station, mix, next)) - s.t.rinsing(s.t.rinse(o.station, held, next))
	}
	weight := s.t.p.Weights.Leftover
	st := &s.t.p.Stations[o.station]
	if weight == 0 || st.Tank == 0 {
		return sum
	}
	before, after := s.run(list, k)
	left := leftover(st, before+own.job.Volume+after)
	if at.fresh {
		left = leftover(st, before) + leftover(st, own.job.Volume+after)
	}
	return sum + weight*(left-leftover(st, before+after))
}

// run is what the run that goes on at a place of a list takes before and after it, mL.
// After is 0 when a new load is mixed there.
func (s *state) run(list []int32, k int) (before, after int64) {
	for i := k - 1; i >= 0; i-- {
		if job := s.t.jobs[list[i]].job; job.Mix != model.None {
			before += job.Volume
			if s.at[list[i]].fresh {
				break
			}
		}
	}
	for _, j := range list[k:] {
		if job := s.t.jobs[j].job; job.Mix != model.None {
			if s.at[j].fresh {
				break
			}
			after += job.Volume
		}
	}
	return before, after
}
