package search

import (
	"sort"

	"velamen/services/schedule/model"
)

// seat is a start at which a job fits, with what comes before it.
type seat struct {
	start, prep minute
	fresh       bool
	// follow is the next job with a mix on the station when its own preparation
	// changes, else None; followBegin is when that one then begins.
	follow      int32
	followBegin minute
}

// loads tells which loads a job may take.
type loads int

const (
	// joinFirst joins a load where it can and mixes a new one where it cannot.
	joinFirst loads = iota
	// freshOnly mixes a new load.
	freshOnly
	// joinOnly joins a load.
	joinOnly
)

// room is the question where a job fits.
type room struct {
	job    int32
	way    int32
	person int32
	loads  loads
	// from and to bound the start, the last included.
	from, to minute
}

// fit returns the first start at which the job fits among those that are placed.
func (s *state) fit(r room) (seat, bool) {
	s.looks++
	own := &s.t.jobs[r.job]
	o := &own.ways[r.way]
	at := seat{start: r.from, follow: model.None}
	for {
		before := at.start
		start, ok := next(o.starts, at.start)
		if !ok || start > r.to {
			return at, false
		}
		at.start = start
		for i := range own.job.Occupies {
			at.start = s.unoccupied(&own.job.Occupies[i], at.start, o.duration)
		}
		if o.duration > 0 {
			for _, d := range own.demands {
				at.start = s.drawable(d, at.start, o.duration)
			}
		}
		if o.station != model.None && !s.seated(r, o, &at) {
			return at, false
		}
		if r.person != model.None && !s.attended(r, o, &at) {
			return at, false
		}
		if at.start > r.to {
			return at, false
		}
		if at.start == before {
			return at, true
		}
	}
}

// next is the first start from a moment on that the spans hold.
func next(starts []model.Span, m minute) (minute, bool) {
	if len(starts) > 4 {
		k := sort.Search(len(starts), func(k int) bool { return starts[k].To >= m })
		starts = starts[k:]
	}
	for i := range starts {
		if m <= starts[i].To {
			return max(m, starts[i].From), true
		}
	}
	return m, false
}

// unoccupied is the first start from a moment on at which the space is free for the job
// and its tail.
func (s *state) unoccupied(o *model.Occupation, m, d minute) minute {
	for _, in := range s.inSpace[o.Space] {
		to := m + d + o.Tail
		if in.from >= to && in.from > m {
			break
		}
		if !o.Exclusive && !in.exclusive || o.Closure != model.None && o.Closure == in.closure {
			continue
		}
		if max(m, in.from) < min(to, in.to) {
			m = in.to
		}
	}
	return m
}

// drawable is the first start from a moment on at which the pool has enough.
func (s *state) drawable(d model.Demand, m, length minute) minute {
	steps := s.inPool[d.Pool]
	capacity := s.t.p.Pools[d.Pool].Capacity
	for k := stepAt(steps, m); k < len(steps) && steps[k].from < m+length; k++ {
		if steps[k].used+d.Amount > capacity {
			// A pool is empty after its last step.
			m = steps[k+1].from
		}
	}
	return m
}

// seated moves the start to where the station has room, with its preparation and that
// of the job after it; false when it has none.
func (s *state) seated(r room, o *option, at *seat) bool {
	list := s.onStation[o.station]
	k := s.lower(list, at.start)
	for {
		if s.gap(r, o, at, k) {
			return true
		}
		if k == len(list) || at.start > r.to {
			return false
		}
		at.start = max(at.start, s.at[list[k]].end)
		k++
		for k < len(list) && s.at[list[k]].start < at.start {
			k++
		}
	}
}

// gap tries the place in the list of a station before job k.
func (s *state) gap(r room, o *option, at *seat, k int) bool {
	list := s.onStation[o.station]
	end := minute(0)
	if k > 0 {
		end = s.at[list[k-1]].end
	}
	to := never
	if k < len(list) {
		to = s.at[list[k]].begin
		if at.start+o.duration > s.at[list[k]].start {
			return false
		}
	}
	if !o.mixes {
		at.prep, at.fresh, at.follow = 0, false, model.None
		at.start = max(at.start, end)
		at.start = s.open(o.station, at.start, 0, o.duration)
		return at.start+o.duration <= to
	}
	mix, before := s.held(o.station, k)
	if r.loads != freshOnly && before != model.None && mix == s.t.jobs[r.job].job.Mix && s.pour(r, o, at, k, mix, before) {
		return true
	}
	return r.loads != joinOnly && s.pour(r, o, at, k, mix, model.None)
}

// pour tries to put a job with a mix before job k: into the load of the job before,
// or with a new load when before is None.
func (s *state) pour(r room, o *option, at *seat, k int, held, before int32) bool {
	list := s.onStation[o.station]
	mix := s.t.jobs[r.job].job.Mix
	fresh := before == model.None
	prep := s.prep(o.station, held, mix, fresh)
	start := max(at.start, prep)
	if k > 0 {
		start = max(start, s.at[list[k-1]].end+prep)
	}
	start = s.open(o.station, start, prep, o.duration)
	if !fresh && start+o.duration-s.opened(o.station, before) > s.t.p.Mixes[mix].Life {
		return false
	}
	if k == len(list) {
		*at = seat{start: start, prep: prep, fresh: fresh, follow: model.None}
		return start < never
	}
	to := s.at[list[k]].begin
	follow, place := s.following(o.station, k)
	begin := minute(0)
	if follow != model.None {
		f := &s.at[follow]
		if !f.fresh && s.t.jobs[follow].job.Mix != mix {
			return false
		}
		begin = f.start - s.prep(o.station, mix, s.t.jobs[follow].job.Mix, f.fresh)
		if place == k {
			to = begin
		}
		if begin < f.begin && (begin < 0 || !s.earlier(follow, place, begin)) {
			return false
		}
		if begin == f.begin {
			follow = model.None
		}
	}
	if start+o.duration > to {
		return false
	}
	*at = seat{start: start, prep: prep, fresh: fresh, follow: follow, followBegin: begin}
	return true
}

// earlier tells whether a job that is placed can begin earlier with its person, its
// station and the jobs before it.
func (s *state) earlier(j int32, place int, begin minute) bool {
	a := &s.at[j]
	list := s.onStation[a.station]
	if place > 0 && s.at[list[place-1]].end > begin {
		return false
	}
	if s.open(a.station, a.start, a.start-begin, a.end-a.start) != a.start {
		return false
	}
	if a.person == model.None {
		return true
	}
	mine := s.withPerson[a.person]
	if k := s.position(mine, j); k > 0 && s.at[mine[k-1]].end+s.t.travel(mine[k-1], j) > begin {
		return false
	}
	return s.onShift(a.person, a.start, a.start-begin, a.end-a.start) == a.start
}

// opened is when the job began that mixed the load of a job.
func (s *state) opened(station, j int32) minute {
	list := s.onStation[station]
	for k := s.position(list, j); k >= 0; k-- {
		i := list[k]
		if s.at[i].fresh {
			return s.at[i].start
		}
	}
	return -never
}

// open is the first start from a moment on at which the station can be used, from the
// preparation to the end; never when there is none.
func (s *state) open(station int32, m, prep, d minute) minute {
	spans := s.t.p.Stations[station].Open
	if len(spans) == 0 {
		return m
	}
	k := sort.Search(len(spans), func(k int) bool { return spans[k].To >= m+d })
	for ; k < len(spans); k++ {
		if start := max(m, spans[k].From+prep); start+d <= spans[k].To {
			return start
		}
	}
	return never
}

// onShift is the first start from a moment on at which the person works, from the
// preparation to the end; never when there is none.
func (s *state) onShift(person int32, m, prep, d minute) minute {
	shifts := s.t.p.People[person].Shifts
	k := sort.Search(len(shifts), func(k int) bool { return shifts[k].To >= m+d })
	for ; k < len(shifts); k++ {
		if start := max(m, shifts[k].From+prep); start+d <= shifts[k].To {
			return start
		}
	}
	return never
}

// attended moves the start to where the person has time for the job, its preparation
// and the way; false when there is none.
func (s *state) attended(r room, o *option, at *seat) bool {
	list := s.withPerson[r.person]
	k := s.lower(list, at.start)
	for {
		if k > 0 {
			before := list[k-1]
			at.start = max(at.start, s.at[before].end+s.t.travel(before, r.job)+at.prep)
		}
		at.start = s.onShift(r.person, at.start, at.prep, o.duration)
		at.start = s.bearable(r, o, at.start)
		if at.start > r.to {
			return false
		}
		if k == len(list) {
			return true
		}
		after := list[k]
		begin := s.at[after].begin
		if after == at.follow {
			begin = at.followBegin
		}
		if at.start+o.duration+s.t.travel(r.job, after) <= begin {
			return true
		}
		at.start = max(at.start, s.at[after].end)
		k++
		for k < len(list) && s.at[list[k]].start < at.start {
			k++
		}
	}
}

// bearable is the first start from a moment on at which the person may still be in
// protective equipment or heat as long as the job asks on that day; never when there is
// none. A minute later a job is at most a minute less in heat, so a start that many
// minutes later as it is in heat too long overlooks none between.
func (s *state) bearable(r room, o *option, m minute) minute {
	limit, job := s.t.p.People[r.person].MaxProtected, s.t.jobs[r.job].job
	if limit == 0 || !strains(job) || m >= never {
		return m
	}
	if job.Protected && o.duration > limit {
		return never
	}
	worn, days := s.worn[r.person], s.t.p.Days
	for day := s.t.day(m); ; day++ {
		free := limit
		switch {
		case worn != nil:
			free -= worn[day]
		case day == 0:
			free -= s.t.p.People[r.person].Worn
		}
		end := never
		if day+1 < len(days) {
			end = days[day+1]
		}
		for m < end {
			over := job.Strained(m, m+o.duration) - free
			if over <= 0 {
				return m
			}
			if free < 0 || job.Protected {
				break
			}
			m += over
		}
		if end == never {
			return never
		}
		m = end
	}
}

// between are the first and the last start that the intervals to jobs that are placed
// allow.
func (s *state) between(j int32, d minute) (from, to minute) {
	from, to = 0, never
	for i := range s.t.jobs[j].bonds {
		b := &s.t.jobs[j].bonds[i]
		other := &s.at[b.other]
		if !other.placed {
			continue
		}
		point := other.start
		if b.otherEnd {
			point = other.end
		}
		if b.ownEnd {
			point -= d
		}
		if b.below {
			from = max(from, point+b.least)
		} else {
			to = min(to, point-b.least)
		}
	}
	return from, to
}
