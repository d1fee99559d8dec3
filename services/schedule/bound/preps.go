package bound

import "velamen/services/schedule/model"

// preps is the least that a sprayer needs before a job with a mix: the cheapest
// rinse after anything that can be in it, and the mixing where no load can be
// joined.
type preps struct {
	problem *model.Problem
	// users is how many jobs with a mix can be on a station: [station][mix].
	users [][]int
}

// leastPreps counts which mixes can be in which sprayer.
func leastPreps(p *model.Problem, left []bool) preps {
	users := make([][]int, len(p.Stations))
	for s := range users {
		users[s] = make([]int, len(p.Mixes))
	}
	for j := range p.Jobs {
		job := &p.Jobs[j]
		if left[j] || job.Mix == model.None {
			continue
		}
		seen := map[int32]bool{}
		for _, w := range job.Ways {
			if w.Station != model.None && !seen[w.Station] {
				seen[w.Station] = true
				users[w.Station][job.Mix]++
			}
		}
	}
	return preps{problem: p, users: users}
}

// of returns the least preparation of the job on the station, minutes.
func (q preps) of(job *model.Job, station int32) model.Minute {
	if station == model.None || job.Mix == model.None {
		return 0
	}
	least := model.Minute(-1)
	q.eachBefore(station, job.Mix, func(r model.Rinse) {
		if least < 0 || r.Minutes < least {
			least = r.Minutes
		}
	})
	if q.users[station][job.Mix] < 2 || q.problem.Mixes[job.Mix].Life == 0 {
		least += q.problem.Stations[station].MixMinutes
	}
	return least
}

// eachBefore calls visit with the rinse to the mix from everything that can be in
// the sprayer before a job with that mix.
func (q preps) eachBefore(station, mix int32, visit func(model.Rinse)) {
	s := &q.problem.Stations[station]
	if s.Rinses == model.None {
		visit(model.Rinse{})
		return
	}
	table := q.problem.Rinses[s.Rinses]
	visit(table[s.Holds+1][mix])
	for before, n := range q.users[station] {
		if n > 1 || (n == 1 && int32(before) != mix) {
			visit(table[before+1][mix])
		}
	}
}
