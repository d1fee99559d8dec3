package conflict

import (
	"slices"

	"velamen/services/schedule/model"
)

// Jobs that are not in a question may come between those that are, and that is not
// always a hindrance. One with the same mix leaves a sprayer that needs a shorter
// rinse, or a load that can be joined; one in a third place makes a shorter way of
// two. So it takes more than a question without them to prove that jobs never fit.

// ask tells whether some jobs fit when some requirements are given up: fits when they
// do with nothing else to do, impossible when they do not whatever the other jobs do.
func (e *explainer) ask(jobs []int32, given []Requirement, steps int) answer {
	q := newQuestion(e.p, jobs, given)
	found, _ := q.ask(e.ctx, steps)
	if found != impossible || !q.besides(e) {
		return found
	}
	if found, _ = q.ask(e.ctx, steps); found == impossible {
		return impossible
	}
	return unknown
}

// among is the question of some jobs among the others, which may be done or not.
func (e *explainer) among(jobs []int32) *question {
	q := newQuestion(e.p, jobs, nil)
	q.besides(e)
	return q
}

// eased is what jobs that are not in a question make of a sprayer for those that are.
type eased struct {
	// prep is the least preparation right after one of them, by mix.
	prep []model.Minute
	// gap is the least time from the end of a job with a mix (its index and 1; 0 for
	// what the sprayer held) to the start of a job with another, with any of them or
	// none between.
	gap [][]model.Minute
}

// besides lets the other jobs of the whole problem help those of the question, and
// tells whether any of them could. Those that no plan holds do not.
func (q *question) besides(e *explainer) bool {
	var others []int32
	index := indexOf(q.jobs, len(e.p.Jobs))
	for i := range e.p.Jobs {
		if !e.never[i] && index(int32(i)) < 0 {
			others = append(others, int32(i))
		}
	}
	helps := q.easeSprayers(e.p, others)
	manned := func(i int32) bool { return e.p.Jobs[i].Manned }
	nowhere := func(i int32) bool { return e.p.Jobs[i].Manned && e.p.Jobs[i].Site == model.None }
	if len(q.p.Travel) == 0 || len(q.jobs) < 2 || !slices.ContainsFunc(others, manned) {
		return helps
	}
	if e.ways == nil {
		e.ways = shortestWays(e.p.Travel)
	}
	q.p.Travel = e.ways
	if slices.ContainsFunc(others, nowhere) {
		// When work that is nowhere lies between two sites there is no way to go.
		q.p.Travel = nil
	}
	return true
}

// easeSprayers finds what other jobs make of the sprayers, and tells whether any of
// them puts a mix into one.
func (q *question) easeSprayers(whole *model.Problem, others []int32) bool {
	// shortest is the shortest of them by sprayer and mix; below 0 when there is none.
	shortest := make([][]model.Minute, len(q.p.Stations))
	q.eased = make([]*eased, len(q.p.Stations))
	helps := false
	for _, i := range others {
		job := &whole.Jobs[i]
		for _, way := range job.Ways {
			if job.Mix == model.None || way.Station == model.None {
				continue
			}
			if shortest[way.Station] == nil {
				shortest[way.Station] = slices.Repeat([]model.Minute{-1}, len(q.p.Mixes))
			}
			if least := &shortest[way.Station][job.Mix]; *least < 0 || way.Duration < *least {
				*least = way.Duration
			}
			helps = true
		}
	}
	for station, least := range shortest {
		if least != nil {
			q.eased[station] = q.ease(&q.p.Stations[station], least)
		}
	}
	return helps
}

// ease finds what jobs of which the shortest with each mix are given make of a sprayer.
func (q *question) ease(station *model.Station, shortest []model.Minute) *eased {
	mixes := len(q.p.Mixes)
	e := &eased{prep: slices.Repeat([]model.Minute{q.far}, mixes), gap: make([][]model.Minute, mixes+1)}
	rinse := func(from, to int) model.Minute {
		if station.Rinses == model.None {
			return 0
		}
		return q.p.Rinses[station.Rinses][from][to].Minutes
	}
	for from := range e.gap {
		for to := range mixes {
			e.gap[from] = append(e.gap[from], rinse(from, to))
		}
	}
	for over, minutes := range shortest {
		if minutes < 0 {
			continue
		}
		for from := range e.gap {
			for to := range mixes {
				e.gap[from][to] = min(e.gap[from][to], e.gap[from][over]+minutes+e.gap[over+1][to])
			}
		}
	}
	// So far nothing was mixed. A load can be joined only right after the same mix.
	for to := range mixes {
		joins := shortest[to] >= 0 && q.p.Mixes[to].Life > 0
		for over, minutes := range shortest {
			if minutes < 0 {
				continue
			}
			prep := rinse(over+1, to)
			if over != to || !joins {
				prep += station.MixMinutes
			}
			e.prep[to] = min(e.prep[to], prep)
		}
		for from := range e.gap {
			mixed := e.gap[from][to] + station.MixMinutes
			if joins {
				mixed = min(mixed, e.gap[from][to]+shortest[to]+rinse(to+1, to))
			}
			e.gap[from][to] = mixed
		}
	}
	return e
}

// easiest is the least preparation before a job, after a job of the question or after
// another.
func (q *question) easiest(station, mix int32, prep model.Minute) model.Minute {
	if q.eased == nil || q.eased[station] == nil {
		return prep
	}
	return min(prep, q.eased[station].prep[mix])
}

// between is the least time that other jobs leave between a job on a sprayer and the
// next with a mix, when that has a new load; 0 when nothing is known of it.
func (s *searcher) between(n *node, before, job int) model.Minute {
	o := s.options[job][n.option[job]]
	from, to := s.q.p.Jobs[before].Mix, s.q.p.Jobs[job].Mix
	if s.q.eased == nil || !o.fresh || from == model.None || !s.sameSprayer(s.options[before][n.option[before]], o) {
		return 0
	}
	e := s.q.eased[o.station]
	mates := s.mixMates(n, job)
	if e == nil || !s.settled(n, job, mates) || s.lastBefore(n, job, mates) != before {
		return 0
	}
	return e.gap[from+1][to]
}

// shortestWays are the shortest ways from site to site over any other sites; the
// same as travel when no third site makes a way shorter.
func shortestWays(travel [][]model.Minute) [][]model.Minute {
	ways := make([][]model.Minute, len(travel))
	for from := range travel {
		ways[from] = slices.Clone(travel[from])
	}
	for over := range ways {
		for from := range ways {
			for to := range ways {
				ways[from][to] = min(ways[from][to], ways[from][over]+ways[over][to])
			}
		}
	}
	return ways
}
