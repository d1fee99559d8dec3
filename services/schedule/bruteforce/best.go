package bruteforce

import (
	"cmp"
	"math"
	"slices"

	"velamen/services/schedule/model"
)

// Best returns the best plan of a valid problem and what it costs; ok is false when
// no plan keeps the rules, which only a pinned job can cause. The time that it takes
// grows with the power of the jobs: seven jobs in twenty minutes are about the most.
func Best(p *model.Problem) (score model.Score, plan model.Plan, ok bool) {
	for _, chosen := range subsets(p) {
		if ok && chosen.skipped > score.Skipped {
			break
		}
		t := &tree{p: p, chosen: chosen.jobs, best: math.MaxInt64}
		if ok {
			t.best = score.Total()
		}
		t.grow(0, 0)
		if t.found != nil {
			score, plan, ok = t.score, t.found, true
			score.Skipped = chosen.skipped
		}
	}
	return score, plan, ok
}

// subset is the jobs to place and the weight of those left out.
type subset struct {
	jobs    []bool
	skipped int64
}

// subsets lists those that keep R10 and place what is pinned (R11), from the least
// weight left out.
func subsets(p *model.Problem) []subset {
	var all []subset
	for bits := range 1 << len(p.Jobs) {
		s := subset{jobs: make([]bool, len(p.Jobs))}
		for i := range p.Jobs {
			s.jobs[i] = bits>>i&1 == 0
			if !s.jobs[i] {
				s.skipped += p.Jobs[i].SkipWeight
			}
		}
		if s.allowed(p) {
			all = append(all, s)
		}
	}
	slices.SortStableFunc(all, func(a, b subset) int { return cmp.Compare(a.skipped, b.skipped) })
	return all
}

func (s subset) allowed(p *model.Problem) bool {
	for i := range p.Jobs {
		if !s.jobs[i] && p.Jobs[i].Pin != nil {
			return false
		}
		for _, need := range p.Jobs[i].Needs {
			if s.jobs[i] && !s.jobs[need] {
				return false
			}
		}
	}
	return true
}

// leaf is a job as it is placed.
type leaf struct {
	index             int32
	job               *model.Job
	place             model.Placement
	station           int32
	begin, start, end model.Minute
	rinse             model.Rinse
	// opened is when the first job of its load started.
	opened model.Minute
}

// tree holds the jobs placed so far, by start.
type tree struct {
	p      *model.Problem
	chosen []bool
	leaves []leaf
	// best is the least total so far, score and found its plan.
	best  int64
	score model.Score
	found model.Plan
}

// grow places one more job at or after the minute now, in all possible ways. Jobs
// that start together are placed by index, so that no plan is tried twice. The cost
// so far is what the placed jobs cost whatever comes after them.
func (t *tree) grow(now model.Minute, sofar int64) {
	if sofar >= t.best {
		return
	}
	open := false
	for i := range t.p.Jobs {
		if t.chosen[i] {
			open = true
			t.starts(int32(i), now, sofar)
		}
	}
	if !open {
		t.finish()
	}
}

// starts tries every minute and every way for one job.
func (t *tree) starts(index int32, now model.Minute, sofar int64) {
	job := &t.p.Jobs[index]
	people := []int32{model.None}
	if job.Manned {
		people = job.People
	}
	t.chosen[index] = false
	for start := max(now, job.Release, 0); start <= min(job.Deadline, t.p.Horizon); start++ {
		if n := len(t.leaves); n > 0 && t.leaves[n-1].start == start && t.leaves[n-1].index > index {
			continue
		}
		if t.missed(start) {
			break
		}
		for way := range job.Ways {
			for _, person := range people {
				for _, fresh := range []bool{false, true} {
					t.try(index, model.Placement{Placed: true, Start: start, Way: int32(way), Person: person, NewLoad: fresh}, sofar)
				}
			}
		}
	}
	t.chosen[index] = true
}

// missed tells whether a job still to be placed can no longer end in time when
// nothing more starts before now.
func (t *tree) missed(now model.Minute) bool {
	for i := range t.p.Jobs {
		if !t.chosen[i] {
			continue
		}
		job := &t.p.Jobs[i]
		shortest := job.Ways[0].Duration
		for _, way := range job.Ways {
			shortest = min(shortest, way.Duration)
		}
		if now+shortest > min(job.Deadline, t.p.Horizon) {
			return true
		}
	}
	return false
}

func (t *tree) try(index int32, place model.Placement, sofar int64) {
	job := &t.p.Jobs[index]
	way := job.Ways[place.Way]
	l := leaf{index: index, job: job, place: place, station: way.Station, start: place.Start, end: place.Start + way.Duration}
	if !t.load(&l) || !t.timely(&l) || !t.manned(&l) {
		return
	}
	for i := range t.leaves {
		if !t.together(&t.leaves[i], &l) {
			return
		}
	}
	if !t.pooled(&l) {
		return
	}
	t.leaves = append(t.leaves, l)
	t.grow(l.start, sofar+t.own(&l).Total())
	t.leaves = t.leaves[:len(t.leaves)-1]
}

// finish keeps the plan when it is better than the best so far.
func (t *tree) finish() {
	score := t.evaluate()
	if score.Total() >= t.best {
		return
	}
	t.best, t.score = score.Total(), score
	t.found = make(model.Plan, len(t.p.Jobs))
	for _, l := range t.leaves {
		t.found[l.index] = l.place
	}
}
