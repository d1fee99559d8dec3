package conflict

import (
	"cmp"
	"context"
	"slices"

	"velamen/services/schedule/model"
)

// Clock writes a moment as people at the nursery read it.
type Clock func(model.Minute) string

// Conflict is a reason why jobs cannot be planned.
type Conflict struct {
	// Jobs that cannot all be placed, ascending.
	Jobs []int32
	// Requirements that cannot all hold.
	Requirements []Requirement
	// Proven is true when it is certain that they cannot all hold, whatever else is
	// planned.
	Proven bool
	// Minimal is true when it is certain that without any one of them the rest can, alone
	// or with other jobs that help.
	Minimal bool
	// Fix is the cheapest single change with which these jobs fit; nil when none was
	// found.
	Fix *Fix
	// Text says all of it, in a few sentences.
	Text string
}

// Limits of the work for one answer.
const (
	// steps of the search for places, for a question of few jobs.
	steps = 4000
	// few is the most jobs of a question whose every part is tried.
	few = 10
	// most is how many conflicts are told at once.
	most = 20
	// near is of how many jobs the neighbours are looked at.
	near = 50
)

// Explain tells why some jobs of a valid problem cannot be placed, alone, together or
// together with the other jobs; jobs are indexes in the problem. It returns nothing
// when they and all others fit. When no reason is found and that is not proven
// either, as happens with more than a few jobs, the one conflict that it returns is
// not Proven and says so. A job is in one conflict at most, and 20 conflicts are told
// at most, so explain again after a change. When ctx ends it returns what it has
// found by then. Times are written with clock; nil writes minutes.
func Explain(ctx context.Context, p *model.Problem, jobs []int32, clock Clock) []Conflict {
	if clock == nil {
		clock = minuteOf
	}
	e := &explainer{
		ctx: ctx, p: p, clock: clock, jobs: jobs,
		asked: make([]bool, len(p.Jobs)), gone: make([]bool, len(p.Jobs)),
		never: make([]bool, len(p.Jobs)),
	}
	for _, job := range e.wanted() {
		e.asked[job] = true
	}
	e.alone()
	e.chains()
	e.overloads()
	e.pairs()
	e.neighbours()
	e.together()
	if left := e.unexplained(); ctx.Err() != nil && len(e.conflicts) == 0 && len(left) > 0 {
		e.conflicts = append(e.conflicts, e.unanswered(left, false))
	}
	return e.conflicts
}

// explainer collects conflicts. A job that is in one is gone: what else hinders it is
// told when that is solved.
type explainer struct {
	ctx   context.Context
	p     *model.Problem
	clock Clock
	// jobs that were asked for, and all that must be placed with them.
	jobs  []int32
	asked []bool
	gone  []bool
	// never are the jobs that no plan holds, whatever else it holds.
	never []bool
	// singles are where each job fits when there is nothing else.
	singles []single
	// ways are the shortest from site to site over any other sites; nil until asked for.
	ways      [][]model.Minute
	conflicts []Conflict
}

func (e *explainer) done() bool { return e.ctx.Err() != nil || len(e.conflicts) >= most }

// wanted are the jobs that are asked for, what they need, and, when there are any,
// what is pinned: it must be placed in every plan.
func (e *explainer) wanted() []int32 {
	if len(e.jobs) == 0 {
		return nil
	}
	found := slices.Clone(e.jobs)
	for i := range e.p.Jobs {
		if e.p.Jobs[i].Pin != nil {
			found = append(found, int32(i))
		}
	}
	seen := make([]bool, len(e.p.Jobs))
	for k := 0; k < len(found); k++ {
		if seen[found[k]] {
			continue
		}
		seen[found[k]] = true
		found = append(found, e.p.Jobs[found[k]].Needs...)
	}
	return found
}

// open are the jobs that no conflict holds yet.
func (e *explainer) open() []int32 {
	var jobs []int32
	for i := range e.p.Jobs {
		if !e.gone[i] {
			jobs = append(jobs, int32(i))
		}
	}
	return jobs
}

func (e *explainer) anyAsked(jobs []int32) bool {
	for _, job := range jobs {
		if e.asked[job] {
			return true
		}
	}
	return false
}

// tell finds what of the jobs that do not fit is the reason, and keeps it.
func (e *explainer) tell(jobs []int32) {
	c := e.reason(jobs)
	for _, job := range c.Jobs {
		e.gone[job] = true
		e.never[job] = c.Proven && len(c.Jobs) == 1
	}
	if e.anyAsked(c.Jobs) {
		e.conflicts = append(e.conflicts, c)
	}
}

// alone finds the jobs that do not fit even when there is nothing else. Jobs that
// nobody asked about are gone too: no plan holds them.
func (e *explainer) alone() {
	for i := range e.p.Jobs {
		if e.done() {
			return
		}
		job := []int32{int32(i)}
		q := newQuestion(e.p, job, nil)
		answer, plan := q.ask(e.ctx, steps)
		e.singles = append(e.singles, newSingle(q, plan))
		if answer == impossible {
			answer = e.ask(job, nil, steps)
		}
		switch {
		case answer != impossible:
		case e.asked[i]:
			e.tell(job)
		default:
			e.gone[i], e.never[i] = true, true
		}
	}
}

// chains finds jobs that intervals and their own times drive past their latest.
func (e *explainer) chains() {
	for !e.done() {
		chain := e.among(e.open()).chain()
		if chain == nil {
			return
		}
		e.tell(chain)
	}
}

// overloads finds more work than there are hours.
func (e *explainer) overloads() {
	for !e.done() {
		jobs := e.among(e.open()).overload(func(job int32) bool { return e.asked[job] })
		if jobs == nil {
			return
		}
		e.tell(e.fewest(jobs))
	}
}

// fewest leaves jobs out of an overload while it remains one, the shortest first.
func (e *explainer) fewest(jobs []int32) []int32 {
	slices.SortStableFunc(jobs, func(a, b int32) int { return cmp.Compare(shortest(&e.p.Jobs[a]), shortest(&e.p.Jobs[b])) })
	for i := 0; i < len(jobs); {
		rest := without(jobs, i)
		if e.anyAsked(rest) && e.among(rest).overload(nil) != nil {
			jobs = rest
			continue
		}
		i++
	}
	slices.Sort(jobs)
	return jobs
}

// pairs finds two jobs that fit alone and not together.
func (e *explainer) pairs() {
	linked := make(map[[2]int32]bool)
	for _, lag := range e.p.Lags {
		linked[[2]int32{lag.From, lag.To}], linked[[2]int32{lag.To, lag.From}] = true, true
	}
	for a := range e.p.Jobs {
		for b := range a {
			if e.done() {
				return
			}
			if e.gone[a] || e.gone[b] || (!e.asked[a] && !e.asked[b]) {
				continue
			}
			if !linked[[2]int32{int32(a), int32(b)}] && e.easy(a, b) {
				continue
			}
			pair := []int32{int32(b), int32(a)}
			if e.ask(pair, nil, steps) == impossible {
				e.tell(pair)
			}
		}
	}
}

// neighbours asks about each job together with those that have the least room and may
// take what it takes.
func (e *explainer) neighbours() {
	if len(e.open()) <= few {
		return
	}
	left := e.unexplained()
	for _, job := range left[:min(near, len(left))] {
		if e.gone[job] {
			continue
		}
		rivals := e.rivals(job, few-1)
		// A proof about few jobs is found where one about more is not.
		for n := 2; n <= len(rivals) && !e.done(); n++ {
			jobs := append(slices.Clone(rivals[:n]), job)
			slices.Sort(jobs)
			if e.ask(jobs, nil, steps/n) == impossible {
				e.tell(jobs)
				break
			}
		}
	}
}

// rivals are the jobs with the least room, at most n, that share time and anything else
// with a job.
func (e *explainer) rivals(job int32, n int) []int32 {
	mine := &e.p.Jobs[job]
	rivals := slices.DeleteFunc(e.open(), func(other int32) bool {
		its := &e.p.Jobs[other]
		return other == job || its.Release >= mine.Deadline || mine.Release >= its.Deadline || !sharesThing(mine, its)
	})
	slices.SortStableFunc(rivals, func(a, b int32) int { return cmp.Compare(room(&e.p.Jobs[a]), room(&e.p.Jobs[b])) })
	return slices.Clone(rivals[:min(n, len(rivals))])
}

// room is the time in which a job can be done; none when its start is pinned.
func room(job *model.Job) model.Minute {
	if job.Pin != nil && job.Pin.Start != model.None {
		return 0
	}
	return job.Deadline - job.Release
}

// together asks about all that is left. A question of many jobs is seldom answered;
// then the jobs that were asked for are asked about without the others.
func (e *explainer) together() {
	for !e.done() {
		jobs := e.open()
		if !e.anyAsked(jobs) {
			return
		}
		all := len(jobs)
		if all > few {
			jobs = slices.DeleteFunc(jobs, func(job int32) bool { return !e.asked[job] })
		}
		limit := stepsFor(len(jobs))
		if len(jobs) <= fixes*2 {
			// As many as it takes to place all when little is in the way.
			limit = max(limit, 6*len(jobs))
		}
		answer := e.ask(jobs, nil, limit)
		if answer == impossible {
			e.tell(jobs)
			continue
		}
		if left := e.unexplained(); len(left) > 0 && (answer == unknown || len(jobs) < all) {
			e.conflicts = append(e.conflicts, e.unanswered(left, answer == fits))
		}
		return
	}
}

// unexplained are the jobs that were asked for and are in no conflict.
func (e *explainer) unexplained() []int32 {
	left := slices.DeleteFunc(slices.Clone(e.jobs), func(job int32) bool { return e.gone[job] })
	slices.Sort(left)
	return slices.Compact(left)
}

// stepsFor keeps the time of a question of many jobs in bounds: a step of it takes
// about the cube of the jobs.
func stepsFor(jobs int) int {
	if jobs <= few {
		return steps
	}
	return max(steps*few*few*few/(jobs*jobs*jobs), 1)
}

func shortest(job *model.Job) model.Minute {
	least := job.Ways[0].Duration
	for _, way := range job.Ways {
		least = min(least, way.Duration)
	}
	return least
}

func without(jobs []int32, i int) []int32 {
	rest := make([]int32, 0, len(jobs)-1)
	rest = append(rest, jobs[:i]...)
	return append(rest, jobs[i+1:]...)
}
