package bound

import (
	"context"

	"velamen/services/schedule/model"
)

// Zero is what By says when no argument gave more than zero.
const Zero = "nothing better than zero"

// Bounds are what no plan goes below.
type Bounds struct {
	// Skipped is at most what any plan leaves out, in skip weights.
	Skipped int64
	// Overload is at most what any plan leaves out, in skip weights, and at least
	// Skipped. It is more when the hours that there are do not do for all jobs. Then no
	// plan leaves out as little as Skipped, and the terms are of use for Leaving only.
	Overload int64
	// Terms hold for plans that leave out no more than Skipped.
	Terms [model.Terms]Term
	// Total is at most the sum of the terms of such a plan, millionths. It is at
	// least the sum of Terms, and more where two terms compete for the same minutes.
	Total int64
	// By is the argument that gave Total.
	By string
}

// Term is the bound of one term of the cost.
type Term struct {
	// Value is in millionths.
	Value int64
	// By is the argument that gave it.
	By string
}

// raise keeps the better of two bounds on one term.
func (t *Term) raise(value int64, by string) {
	if value > t.Value {
		*t = Term{Value: value, By: by}
	}
}

// Of returns the bounds of a problem that Problem.Validate accepts. The error is that of
// a context that ended before they were known.
func Of(ctx context.Context, p *model.Problem) (Bounds, error) {
	left := make([]bool, len(p.Jobs))
	ways := waysOf(p, left)
	impossible(p, ways, left)
	alone := weightOf(p, left)
	// over is what goes beyond the impossible jobs. Which jobs those are is open, so
	// that only jobs too heavy to be among them count.
	for over := int64(0); ; {
		counts := make([]bool, len(left))
		for j := range counts {
			counts[j] = !left[j] && p.Jobs[j].SkipWeight > over
		}
		net := newNetwork(p, ways, counts)
		if len(net.broken) == 0 {
			b := termsOf(ctx, net, left, alone+over)
			b.Overload = max(b.Skipped, alone+overload(ctx, withoutLags(p, ways, left)))
			return b, ctx.Err()
		}
		over = contradictions(p, net)
	}
}

// Leaving returns what no plan goes below that leaves out exactly the jobs that
// plan leaves out. It tells how good a plan is for the jobs that it places. The error is
// that of a context that ended before they were known.
func Leaving(ctx context.Context, p *model.Problem, plan model.Plan) (Bounds, error) {
	left := make([]bool, len(p.Jobs))
	for j := range p.Jobs {
		left[j] = j >= len(plan) || !plan[j].Placed
	}
	ways := waysOf(p, left)
	counts := make([]bool, len(left))
	for j := range counts {
		counts[j] = !left[j] && len(ways[j]) > 0
	}
	b := termsOf(ctx, newNetwork(p, ways, counts), left, weightOf(p, left))
	b.Overload = b.Skipped
	return b, ctx.Err()
}

// withoutLags is the network of all jobs that are not left, each by itself.
func withoutLags(p *model.Problem, ways [][]way, left []bool) *network {
	free := *p
	free.Lags = nil
	counts := make([]bool, len(left))
	for j := range counts {
		counts[j] = !left[j]
	}
	return newNetwork(&free, ways, counts)
}

// impossible marks the jobs that no plan places: those without a way, and those
// that need one of them.
func impossible(p *model.Problem, ways [][]way, left []bool) {
	for j := range p.Jobs {
		left[j] = left[j] || len(ways[j]) == 0
	}
	for moved := true; moved; {
		moved = false
		for j := range p.Jobs {
			for _, need := range p.Jobs[j].Needs {
				if left[need] && !left[j] {
					left[j] = true
					moved = true
				}
			}
		}
	}
}

// contradictions returns what must be left out beyond single impossible jobs: of
// jobs that lags join and that cannot all be placed, at least the lightest. That
// is more than nothing, and more than any weight that did not count.
func contradictions(p *model.Problem, net *network) int64 {
	var over int64
	done := make([]bool, len(p.Jobs))
	for _, j := range net.broken {
		if done[j] {
			continue
		}
		lightest := p.Jobs[j].SkipWeight
		for _, other := range net.component(j) {
			done[other] = true
			lightest = min(lightest, p.Jobs[other].SkipWeight)
		}
		over += lightest
	}
	return over
}

func weightOf(p *model.Problem, left []bool) int64 {
	var sum int64
	for j := range p.Jobs {
		if left[j] {
			sum += p.Jobs[j].SkipWeight
		}
	}
	return sum
}

// termsOf bounds each term for plans that place every job that counts in net and
// none that is left.
func termsOf(ctx context.Context, net *network, left []bool, skipped int64) Bounds {
	b := Bounds{Skipped: skipped, By: "sum of the terms"}
	for t := range b.Terms {
		b.Terms[t].By = Zero
	}
	waiting, late := alone(net)
	b.Terms[model.Late].raise(late, "earliest end of each job")
	b.Terms[model.Late].raise(delays(ctx, net, true, false, false), "prices of busy hours")
	b.Terms[model.Waiting].raise(waiting, "earliest start of each job")
	b.Terms[model.Waiting].raise(delays(ctx, net, false, true, false), "prices of busy hours")
	b.Terms[model.Change].raise(changes(net, left), "jobs that cannot stand where people were told")
	b.Terms[model.Closed].raise(closures(net), "working hours that each closure must cover")
	b.Terms[model.Finish].raise(finish(net))
	b.Terms[model.Leftover].raise(leftovers(net, left), "least fill of whole graduations for each mix")
	b.Terms[model.Rinsing].raise(rinses(net, left), "each mix has something else before it once")
	b.Terms[model.Overtime].raise(overtime(net))
	for _, t := range b.Terms {
		b.Total += t.Value
	}
	if b.Total == 0 {
		b.By = Zero
	}
	if more := together(ctx, net, &b); more > 0 {
		b.Total += more
		b.By = "sum of the terms, with delays, closures and overtime by prices of busy hours together"
	}
	return b
}

// together returns by how much lateness, waiting, closures and overtime cost more
// when one plan has to keep all of them low than their bounds say apart.
func together(ctx context.Context, net *network, b *Bounds) int64 {
	apart := int64(0)
	for _, t := range []model.Term{model.Late, model.Waiting, model.Closed, model.Overtime} {
		apart += b.Terms[t].Value
	}
	if len(net.problem.Spaces) == 0 && len(net.problem.People) == 0 && !net.delaysTwice() {
		return 0
	}
	return delays(ctx, net, true, true, true) - apart
}

// delaysTwice says whether both lateness and waiting cost something.
func (n *network) delaysTwice() bool {
	var late, waiting bool
	for j, counts := range n.counts {
		late = late || counts && n.problem.Jobs[j].LateWeight > 0
		waiting = waiting || counts && n.problem.Jobs[j].WaitWeight > 0
	}
	return late && waiting
}
