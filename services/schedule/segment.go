package schedule

import (
	"context"
	"time"

	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// engine is the version of the search. It changes with whatever makes the same seed,
// rounds and input give another plan.
const engine = "velamen-2"

// The search runs in segments. After each, what it found is kept, and the next begins
// from there with another seed, so that a search that is killed goes on as if it had
// not been. The first segment is one round: it makes the first plan. Design values.
const segmentRounds = 4

// idleSegments is after how many segments without any gain the search of so many jobs
// ends. Design value: few jobs have few orders.
func idleSegments(jobs int) int { return min(4+jobs/10, 40) }

// solver improves a plan; search.Solve is one.
type solver func(ctx context.Context, p *model.Problem, options search.Options) (search.Result, error)

// segmentOf returns how a segment of a problem, from 0, is searched.
func segmentOf(p *model.Problem, seed int64, segment int) search.Options {
	rounds := segmentRounds
	if segment == 0 {
		rounds = 1
	}
	return search.Options{Seed: uint64(seed) + uint64(segment), Rounds: rounds, Touched: untold(p)}
}

// untold returns the jobs that people were not told of, where they were told of
// others: what changed since then is found around them.
func untold(p *model.Problem) []int32 {
	var jobs []int32
	for j := range p.Jobs {
		if p.Jobs[j].Told == nil {
			jobs = append(jobs, int32(j))
		}
	}
	if len(jobs) == len(p.Jobs) {
		return nil
	}
	return jobs
}

// enough reports whether the search ends.
func (p *progress) enough(budget time.Duration) bool {
	return p.found && (p.optimal || p.idle >= idleSegments(len(p.best)) || p.spent >= budget)
}

// take adds what a segment found. Of a segment that did not run a whole round
// nothing counts but its time.
func (p *progress) take(c *compiled, result search.Result, spent time.Duration) {
	p.spent += spent
	if result.Rounds == 0 && p.found && !result.Optimal {
		return
	}
	p.segment++
	p.idle++
	p.adopt(c.problem, result)
	p.optimal = result.Optimal
	// A segment whose time is up before the bound is known says nothing about it; what
	// an earlier one found still holds.
	if found := boundsOf(result.Bound); found != (costs{}) {
		p.bound = found
	}
	p.count(c)
}

// adopt takes what a segment found where it is better: first by the pins that it
// keeps, then by its cost.
func (p *progress) adopt(problem *model.Problem, result search.Result) {
	p.rounds += result.Rounds
	found := costsOf(result.Score)
	if p.found {
		before, now := len(brokenPins(problem, p.best)), len(brokenPins(problem, result.Plan))
		if now > before || now == before && !found.less(p.cost) {
			return
		}
	}
	p.idle, p.found, p.best, p.cost = 0, true, result.Plan, found
}

// brokenPins returns the pinned jobs that a plan leaves out.
func brokenPins(problem *model.Problem, plan model.Plan) []int32 {
	var broken []int32
	for j := range problem.Jobs {
		if problem.Jobs[j].Pin != nil && !plan[j].Placed {
			broken = append(broken, int32(j))
		}
	}
	return broken
}

// less reports whether costs are lower. What is left out counts first.
func (c costs) less(other costs) bool {
	if c.skipped != other.skipped {
		return c.skipped < other.skipped
	}
	return c.total < other.total
}

// count counts what the best plan holds and leaves out.
func (p *progress) count(c *compiled) {
	p.planned, p.leftOut = 0, len(c.impossible)
	for _, placement := range p.best {
		if placement.Placed {
			p.planned++
		} else {
			p.leftOut++
		}
	}
}

// lesson is what a broken rule of the trade teaches: when a job may not be done, or
// that it is left out.
func (c *compiled) lesson(plan model.Plan, b ruleBreak, out bool) learnt {
	l := learnt{Job: b.job, Text: b.text, Out: out}
	j := c.index[b.job]
	l.Start = c.at(plan[j].Start)
	l.End = l.Start.Add(time.Minute)
	if b.until.After(l.End) {
		l.End = b.until
	}
	return l
}

// carry takes a plan over from another compiled problem, job by job. What is not in
// both is left out.
func (c *compiled) carry(from *compiled, plan model.Plan) model.Plan {
	carried := make(model.Plan, len(c.jobs))
	for i, job := range c.jobs {
		if j, ok := from.index[job]; ok && len(from.problem.Jobs[j].Ways) == len(c.problem.Jobs[i].Ways) {
			carried[i] = plan[j]
		}
	}
	return carried
}
