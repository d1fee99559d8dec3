package search

import (
	"context"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"sync"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/exact"
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
	// Touched are jobs that changed since Start was made, by index; others than those of
	// the problem count for nothing. The search looks around them first.
	Touched []int32
	// Bound is that of the problem where it is known; nil to have it worked out. The plan
	// is the same.
	Bound *bound.Bounds
	// Report is called with each better plan, from one goroutine; nil for nobody.
	Report func(Progress)
}

// Progress is the best plan so far.
type Progress struct {
	// Round after which it was found; 0 for the first plan.
	Round int
	Plan  model.Plan
	Score model.Score
	// Bound is what no plan goes below; zero while it is not known.
	Bound bound.Bounds
}

// Result is the best plan that was found. It keeps all rules but, with ErrPinned, that
// pinned jobs are placed.
type Result struct {
	Plan  model.Plan
	Score model.Score
	// Bound is what no plan goes below; zero when the context ended before it was known.
	Bound bound.Bounds
	// Rounds that were finished.
	Rounds int
	// Optimal is true when it is proven that no plan is better; with ErrPinned, that none
	// places more of the pinned jobs.
	Optimal bool
}

// ErrPinned says that no plan was found in which every pinned job is placed. The
// result holds the best plan without those that fit nowhere.
var ErrPinned = errors.New("no plan was found that places every pinned job")

const (
	// someJobs is from how many jobs on the islands work on one plan: there is room in
	// it for all of them.
	someJobs = 150
	// manyJobs is from how many jobs on only one first plan is made.
	manyJobs = 800
)

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
	g := &guide{ctx: ctx, p: p, t: compile(p), options: options, known: make(chan bound.Bounds, 1)}
	defer g.seek()()
	g.begin()
	g.prove()
	for !g.optimal() && (options.Rounds == 0 || g.rounds < options.Rounds) && g.round() {
		if g.rounds >= g.waiting() {
			g.learn()
		}
		g.tryAll()
	}
	g.learn()
	g.putBack()
	result := Result{Plan: planOf(g.t, g.best), Score: g.score, Bound: g.bound, Rounds: g.rounds, Optimal: g.optimal()}
	if g.cost.pinnedOut > 0 {
		return result, ErrPinned
	}
	return result, nil
}

// seek works the bound out beside the search. What it returns ends that and waits for
// the end, so that nothing goes on after the search.
func (g *guide) seek() (end func()) {
	if g.options.Bound != nil {
		g.known <- *g.options.Bound
		return func() {}
	}
	ctx, cancel := context.WithCancel(g.ctx)
	g.sought = make(chan struct{})
	go func() {
		defer close(g.sought)
		if found, err := bound.Of(ctx, g.p); err == nil {
			g.known <- found
		}
	}()
	return func() { cancel(); <-g.sought }
}

// guide holds the islands together.
type guide struct {
	ctx     context.Context
	p       *model.Problem
	t       *tables
	options Options
	// known gives the bound once; learned is true from then on.
	known chan bound.Bounds
	// sought is closed when nobody works the bound out any more.
	sought  chan struct{}
	learned bool
	bound   bound.Bounds
	proven  bool
	// crowded is true when it is proven that no plan places all jobs.
	crowded bool
	// tried is true when all plans were tried, or too many to go on with that.
	tried   bool
	islands []*islander
	best    []spot
	cost    cost
	score   model.Score
	rounds  int
}

// waiting is the round after which the search does not go on without the bound. It is
// a number of rounds so that a plan that is as good as the bound ends the search
// after the same round on any computer.
func (g *guide) waiting() int { return 1 + len(g.p.Jobs)/50 }

// learn waits for the bound, but not longer than the context.
func (g *guide) learn() {
	if g.learned {
		return
	}
	select {
	case found := <-g.known:
		g.know(found)
		return
	default:
	}
	select {
	case found := <-g.known:
		g.know(found)
	case <-g.ctx.Done():
	}
}

// know takes the bound over. Where it is proven that no plan places all jobs, at least
// the lightest is left out; the terms go on to speak of plans that leave out less.
func (g *guide) know(found bound.Bounds) {
	g.bound, g.learned = found, true
	if !g.crowded || g.bound.Overload > 0 {
		return
	}
	g.bound.Overload = g.p.Jobs[0].SkipWeight
	for _, job := range g.p.Jobs {
		g.bound.Overload = min(g.bound.Overload, job.SkipWeight)
	}
}

// begin makes the first plans.
func (g *guide) begin() {
	plans := g.firstPlans()
	touched := slices.DeleteFunc(slices.Clone(g.options.Touched), func(j int32) bool { return j < 0 || int(j) >= len(g.p.Jobs) })
	for i := range islands {
		k := newIslander(g.t, g.options.Seed, uint64(i)+1)
		k.touched = touched
		k.restart(plans[i%len(plans)].at)
		g.islands = append(g.islands, k)
	}
	g.adopt()
}

// mostExact is how many jobs a problem may have that is first given to an exact search,
// and exactSteps how many steps that gets.
const (
	mostExact  = 60
	exactSteps = 20_000
)

// prove solves small plain problems exactly.
func (g *guide) prove() {
	if len(g.p.Jobs) > mostExact || !exact.Fits(g.p) || g.ctx.Err() != nil {
		return
	}
	answer := exact.Solve(g.ctx, g.p, exactSteps)
	g.crowded = answer.Status == exact.Infeasible
	if answer.Plan == nil {
		return
	}
	s := newState(g.t)
	newBuilder(s, nil).load(answer.Plan)
	if s.skipped == 0 && s.cost().compare(g.cost) <= 0 {
		g.islands[0].restart(s.at)
		g.adopt()
		g.proven = answer.Status == exact.Optimal && answer.Score.Total() == g.score.Total()
	}
}

// adopt takes the best plan of all islands; of equal ones that of the first island.
func (g *guide) adopt() {
	better := g.best == nil
	for _, k := range g.islands {
		if g.best == nil || k.least.compare(g.cost) < 0 {
			g.best, g.cost, g.score = slices.Clone(k.best), k.least, k.score
			better = true
		}
	}
	if !better {
		return
	}
	g.publish()
}

// publish tells of the best plan.
func (g *guide) publish() {
	if g.options.Report != nil {
		g.options.Report(Progress{Round: g.rounds, Plan: planOf(g.t, g.best), Score: g.score, Bound: g.bound})
	}
}

// putBack puts jobs back to where the plan that was given had them, as far as that costs
// nothing: people like to find what they know.
func (g *guide) putBack() {
	if g.options.Start == nil {
		return
	}
	was := spotsOf(g.t, g.options.Start)
	for j := range was {
		// Who did it may not be allowed to do it any more.
		was[j].placed = was[j].placed && slices.Contains(g.t.jobs[j].people, was[j].person)
	}
	k := newIslander(g.t, g.options.Seed, 0)
	k.restart(g.best)
	for moved, pass := true, 0; moved && pass < passes; pass++ {
		moved = false
		for j := range was {
			if was[j].placed && !k.s.at[j].sameAs(&was[j]) {
				k.scratch = append(k.scratch[:0], int32(j))
				k.adapt(was)
				moved = moved || k.s.at[j].sameAs(&was[j])
			}
		}
	}
	if k.now.compare(g.cost) <= 0 {
		g.best, g.cost, g.score = slices.Clone(k.s.at), k.now, k.s.score()
	}
}

// sameAs tells whether two spots are the same for the people.
func (a *spot) sameAs(b *spot) bool {
	return a.placed == b.placed && a.start == b.start && a.way == b.way && a.person == b.person && a.fresh == b.fresh
}

func (g *guide) optimal() bool {
	if g.proven {
		return true
	}
	return g.learned && g.cost.pinnedOut == 0 && g.score.Skipped == g.bound.Skipped && g.score.Total() == g.bound.Total
}

// round lets each island do its work; false when the context ended before all were
// done, which leaves the best plan as it was.
func (g *guide) round() bool {
	done := g.each(islands, func(i int) bool { return g.islands[i].round(g.ctx) })
	if !done {
		return false
	}
	g.rounds++
	if g.together() {
		g.merge()
	}
	g.adopt()
	if g.rounds%meeting == 0 && !g.together() {
		g.meet()
	}
	return true
}

// together tells whether the islands work on one plan.
func (g *guide) together() bool { return len(g.p.Jobs) > someJobs && g.islands[0].shop == nil }

// merge makes one plan of those of all islands: the best one with what the others
// changed for the better elsewhere. All go on from it.
func (g *guide) merge() {
	best := g.islands[0]
	for _, k := range g.islands[1:] {
		if k.now.compare(best.now) < 0 {
			best = k
		}
	}
	for _, k := range g.islands {
		if k != best {
			best.takeOver(k)
		}
	}
	best.keep()
	g.each(islands, func(i int) bool {
		if g.islands[i] != best {
			g.islands[i].become(best.s.at)
		}
		return true
	})
	best.groups.forget()
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

// each does pieces of work, as many at a time as there are processors, and tells
// whether all were done.
func (g *guide) each(pieces int, work func(i int) bool) bool {
	var group sync.WaitGroup
	done := make([]bool, pieces)
	free := make(chan struct{}, runtime.GOMAXPROCS(0))
	for i := range pieces {
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
	at    []spot
	cost  cost
	score model.Score
}

// firstPlans makes plans by several orders, the best first. The first of all is
// reported at once.
func (g *guide) firstPlans() []start {
	if g.options.Start != nil {
		return []start{g.again()}
	}
	plans := make([]start, rules)
	g.construct(plans, 0)
	g.best, g.cost, g.score = plans[0].at, plans[0].cost, plans[0].score
	g.publish()
	more := rules - 1
	if len(g.p.Jobs) > manyJobs {
		more = 0
	}
	g.each(more, func(i int) bool {
		if g.ctx.Err() != nil {
			return false
		}
		g.construct(plans, i+1)
		return true
	})
	plans = slices.DeleteFunc(plans, func(s start) bool { return s.at == nil })
	slices.SortStableFunc(plans, func(a, b start) int { return a.cost.compare(b.cost) })
	return plans
}

func (g *guide) construct(plans []start, rule int) {
	s := newState(g.t)
	newBuilder(s, rand.New(rand.NewPCG(g.options.Seed, 100+uint64(rule)))).construct(rule)
	plans[rule] = start{at: s.at, cost: s.cost(), score: s.score()}
}

// again begins from the plan that was given.
func (g *guide) again() start {
	s := newState(g.t)
	b := newBuilder(s, rand.New(rand.NewPCG(g.options.Seed, 100)))
	b.load(g.options.Start)
	b.construct(0)
	return start{at: s.at, cost: s.cost(), score: s.score()}
}
