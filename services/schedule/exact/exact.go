package exact

import (
	"context"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

// Status is what Solve found out.
type Status int

// The statuses.
const (
	// Unknown is when the search was broken off, or the problem does not fit.
	Unknown Status = iota
	// Optimal is when no plan costs less than Plan.
	Optimal
	// Infeasible is when no plan places all jobs.
	Infeasible
)

// String names the status.
func (s Status) String() string {
	switch s {
	case Optimal:
		return "optimal"
	case Infeasible:
		return "infeasible"
	}
	return "unknown"
}

// Answer is what Solve found.
type Answer struct {
	Status Status
	// Plan places all jobs and is the best that was found; nil when none was.
	Plan model.Plan
	// Score is what Plan costs.
	Score model.Score
	// Bound is what no plan that places all jobs costs less than, millionths; 0 when
	// there is no such plan.
	Bound int64
	// Nodes is how many choices the search looked at.
	Nodes int
}

// Solve looks for the best plan that places all jobs of a problem that Fits and that
// Problem.Validate accepts, in at most maxNodes steps. The same problem and limit
// always give the same answer; nothing is known when the context ends before.
func Solve(ctx context.Context, p *model.Problem, maxNodes int) Answer {
	if !Fits(p) {
		return Answer{}
	}
	if PositiveCycle(p) != nil {
		return Answer{Status: Infeasible}
	}
	b, err := bound.Of(ctx, p)
	if err != nil {
		return Answer{}
	}
	s := newSearch(ctx, p)
	if b.Skipped > 0 || !s.open() {
		return Answer{Status: Infeasible}
	}
	low := max(b.Total, s.cost(s.early))
	s.low = (low + s.unit - 1) / s.unit * s.unit
	status := s.solve(maxNodes)
	return s.answer(status)
}

// solve asks for any plan first, with a quarter of the steps, because that is what
// shows that there is none. Then it asks for plans of a cost that rises from the
// bound, faster and faster until there is one. Each plan that is found leaves only
// cheaper ones to ask for, so that a search that ends has the best of its range.
func (s *search) solve(maxNodes int) Status {
	s.limit, s.goal, s.any = maxNodes/4, unlimited, true
	if s.look(); !s.stopped && s.best == nil {
		return Infeasible
	}
	s.limit, s.any = maxNodes, false
	for step := int64(0); s.best == nil || s.low < s.worth; step = 2*step + s.unit {
		asked := s.low + step
		if s.best != nil {
			asked = min(asked, s.worth-s.unit)
		}
		s.goal = asked
		s.look()
		switch {
		case s.stopped:
			return Unknown
		case s.best != nil && s.worth <= asked:
			s.low = s.worth
		default:
			s.low = asked + s.unit
		}
	}
	s.low = s.worth
	return Optimal
}

// answer puts what was found into the terms of the problem.
func (s *search) answer(status Status) Answer {
	a := Answer{Status: status, Bound: s.low, Nodes: s.nodes}
	if status == Infeasible {
		a.Bound = 0
	}
	if s.best == nil {
		return a
	}
	a.Plan = make(model.Plan, len(s.best))
	var end model.Minute
	for j, start := range s.best {
		job := &s.p.Jobs[j]
		a.Plan[j] = model.Placement{Placed: true, Start: start, Person: model.None}
		if job.Manned {
			a.Plan[j].Person = job.People[0]
		}
		end = max(end, start+s.length[j])
		a.Score.Terms[model.Late] += job.LateWeight * int64(max(0, start+s.length[j]-job.Due))
		a.Score.Terms[model.Waiting] += job.WaitWeight * int64(max(0, start-job.Release))
	}
	a.Score.Terms[model.Finish] = int64(end) * s.p.Weights.Finish
	return a
}
