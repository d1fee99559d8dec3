package search

import (
	"context"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

// Options are what a search is told besides the problem.
type Options struct {
	// Seed of the random numbers.
	Seed uint64
	// Rounds to search; 0 searches until the context ends or the plan is proven best.
	Rounds int
	// Start is a plan to begin from; nil for none. What of it breaks a rule is placed
	// anew.
	Start model.Plan
	// Touched are jobs that changed since Start was made, by index. The search looks
	// around them first.
	Touched []int32
	// Report is called with each better plan, from one goroutine; nil for nobody.
	Report func(Progress)
}

// Progress is the best plan so far.
type Progress struct {
	// Round after which it was found; 0 for the first plan.
	Round int
	Plan  model.Plan
	Score model.Score
	Bound bound.Bounds
}

// Result is the best plan that was found. It keeps all rules but, with ErrPinned, that
// pinned jobs are placed.
type Result struct {
	Plan  model.Plan
	Score model.Score
	// Bound is what no plan goes below.
	Bound bound.Bounds
	// Rounds that were finished.
	Rounds int
	// Optimal is true when it is proven that no plan is better.
	Optimal bool
}

// ErrPinned says that no plan was found in which every pinned job is placed. The
// result holds the best plan without those that fit nowhere.
var ErrPinned = errors.New("no plan was found that places every pinned job")

// islands is how many searches go on side by side, on any number of processors.
const islands = 4

// meeting is after how many rounds the worst island goes on from the best plan.
const meeting = 8

// Solve searches for the best plan of a problem that Problem.Validate accepts. When
// the context ends it returns the best plan so far; there is one even when the
// context ends at once. The error is that of Problem.Validate, or ErrPinned.
func Solve(ctx context.Context, p *model.Problem, options Options) (Result, error) {
	if err := p.Validate(); err != nil {
		return Result{}, err
	}
	g := &guide{ctx: ctx, p: p, t: compile(p), options: options}
	g.bound = bound.Of(p)
	g.begin()
	for !g.optimal() && (options.Rounds == 0 || g.rounds < options.Rounds) && ctx.Err() == nil {
		if !g.round() {
			break
		}
	}
	result := Result{Plan: planOf(g.t, g.best), Score: g.score, Bound: g.bound, Rounds: g.rounds, Optimal: g.optimal()}
	if g.cost.pinnedOut > 0 {
		return result, ErrPinned
	}
	return result, nil
}

// guide holds the islands together.
type guide struct {
	ctx     context.Context
	p       *model.Problem
	t       *tables
	options Options
	bound   bound.Bounds
	islands []*islander
	best    []spot
	cost    cost
	score   model.Score
	rounds  int
}

// begin makes the first plans.
func (g *guide) begin() {
	first := g.firstPlans()
	for i := range islands {
		k := newIslander(g.t, g.options.Seed, uint64(i)+1)
		k.touched = g.options.Touched
		k.restart(first[i%len(first)].at)
		g.islands = append(g.islands, k)
	}
	g.adopt()
}

// adopt takes the best plan of all islands; of equal ones that of the first island.
func (g *guide) adopt() {
	better := g.best == nil
	for _, k := range g.islands {
		if g.best == nil || k.least.compare(g.cost) < 0 {
			g.best, g.cost = slices.Clone(k.best), k.least
			better = true
		}
	}
	if !better {
		return
	}
	s := newState(g.t)
	s.fill(g.best)
	g.score = s.score()
	if g.options.Report != nil {
		g.options.Report(Progress{Round: g.rounds, Plan: planOf(g.t, g.best), Score: g.score, Bound: g.bound})
	}
}

func (g *guide) optimal() bool {
	return g.cost.pinnedOut == 0 && g.score.Skipped == g.bound.Skipped && g.score.Total() == g.bound.Total
}

// round lets each island do its work; false when the context ended before all were
// done, which leaves the best plan as it was.
func (g *guide) round() bool {
	done := g.each(func(i int) bool { return g.islands[i].round(g.ctx) })
	if !done {
		return false
	}
	g.rounds++
	g.adopt()
	if g.rounds%meeting == 0 {
		g.meet()
	}
	return true
}

// meet lets the island with the dearest plan go on from the best one.
func (g *guide) meet() {
	worst := 0
	for i, k := range g.islands {
		if k.least.compare(g.islands[worst].least) >= 0 {
			worst = i
		}
	}
	if g.islands[worst].least.compare(g.cost) > 0 {
		g.islands[worst].restart(g.best)
	}
}

// each runs work for all islands, as many at a time as there are processors, and
// tells whether all were done.
func (g *guide) each(work func(i int) bool) bool {
	var group sync.WaitGroup
	done := make([]bool, islands)
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range islands {
		group.Add(1)
		free <- struct{}{}
		go func() {
			defer func() { <-free; group.Done() }()
			done[i] = work(i)
		}()
	}
	group.Wait()
	return !slices.Contains(done, false)
}

// start is a first plan.
type start struct {
	at   []spot
	cost cost
}

// firstPlans makes plans by several orders, the best first.
func (g *guide) firstPlans() []start {
	if g.options.Start != nil {
		return []start{g.again()}
	}
	var plans []start
	for rule := range rules {
		s := newState(g.t)
		b := newBuilder(s, rand.New(rand.NewPCG(g.options.Seed, 100+uint64(rule))))
		b.construct(rule)
		plans = append(plans, start{at: s.at, cost: s.cost()})
		if g.ctx.Err() != nil {
			break
		}
	}
	slices.SortStableFunc(plans, func(a, b start) int { return a.cost.compare(b.cost) })
	return plans
}

// again begins from the plan that was given.
func (g *guide) again() start {
	s := newState(g.t)
	b := newBuilder(s, rand.New(rand.NewPCG(g.options.Seed, 100)))
	b.load(g.options.Start)
	b.construct(0)
	return start{at: s.at, cost: s.cost()}
}
