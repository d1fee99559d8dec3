package search

import "velamen/services/schedule/model"

// remove takes a job out, and with it the jobs that cannot stay where they are without
// it: those that need it, that joined its load, and those whose preparation or way
// grows beyond the room before them.
func (s *state) remove(j int32) { s.removeOf(j, s.at[j].fresh) }

// removeOf is remove for a job whose load is gone as well when opens is true, so that
// those that joined it need a new one.
func (s *state) removeOf(j int32, opens bool) {
	a := s.at[j]
	mixes := s.t.jobs[j].ways[a.way].mixes
	s.take(j)
	if mixes {
		s.mend(a, opens)
	}
	if a.person != model.None {
		list := s.withPerson[a.person]
		k := s.lower(list, a.start)
		if k > 0 && k < len(list) && s.at[list[k-1]].end+s.t.travel(list[k-1], list[k]) > s.at[list[k]].begin {
			s.remove(list[k])
		}
	}
	for _, other := range s.t.jobs[j].neededBy {
		if s.at[other].placed {
			s.remove(other)
		}
	}
}

// mend looks after the next job with a mix where one was taken out.
func (s *state) mend(a spot, opens bool) {
	list := s.onStation[a.station]
	follow, place := s.following(a.station, s.lower(list, a.start))
	if follow == model.None {
		return
	}
	f := s.at[follow]
	if opens && !f.fresh {
		held, _ := s.held(a.station, place)
		begin := f.start - s.prep(a.station, held, s.t.jobs[follow].job.Mix, true)
		if begin >= 0 && s.earlier(follow, place, begin) {
			s.pourAnew(follow, true)
			return
		}
		s.removeOf(follow, true)
		return
	}
	if f.begin < 0 || !s.earlier(follow, place, f.begin) {
		s.remove(follow)
	}
}

// pourAnew makes a job that is placed mix a new load, or join the one before.
func (s *state) pourAnew(j int32, fresh bool) {
	a := s.at[j]
	a.fresh = fresh
	s.take(j)
	s.put(j, a)
}

// pourings tries for each job on a station that follows one with the same mix whether
// to join its load or to mix a new one is cheaper.
func (s *state) pourings(station int32) {
	before := int32(model.None)
	for place := 0; place < len(s.onStation[station]); place++ {
		j := s.onStation[station][place]
		if s.t.jobs[j].job.Mix == model.None {
			continue
		}
		if before != model.None && s.t.jobs[before].job.Mix == s.t.jobs[j].job.Mix {
			s.pouring(station, j, before, place)
		}
		before = j
	}
}

func (s *state) pouring(station, j, before int32, place int) {
	a := s.at[j]
	list := s.onStation[station]
	st := &s.t.p.Stations[station]
	used, _ := s.run(list, place)
	own := s.t.jobs[j].job.Volume
	_, after := s.run(list, place+1)
	apart := leftover(st, used) + leftover(st, own+after)
	joined := leftover(st, used+own+after)
	switch {
	case a.fresh && joined <= apart && s.lasts(station, j, before, place):
		s.pourAnew(j, false)
	case !a.fresh && apart < joined:
		begin := a.begin - st.MixMinutes
		if begin >= 0 && s.earlier(j, place, begin) {
			s.pourAnew(j, true)
		}
	}
}

// lasts tells whether the load of the job before lasts for a job and those that join
// it.
func (s *state) lasts(station, j, before int32, place int) bool {
	end := s.at[j].end
	for _, next := range s.onStation[station][place+1:] {
		if s.t.jobs[next].job.Mix == model.None {
			continue
		}
		if s.at[next].fresh {
			break
		}
		end = s.at[next].end
	}
	return end-s.opened(station, before) <= s.t.p.Mixes[s.t.jobs[j].job.Mix].Life
}
