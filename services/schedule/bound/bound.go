package bound

import "velamen/services/schedule/model"

// Zero is what By says when no argument gave more than zero.
const Zero = "nothing better than zero"

// Bounds are what no plan goes below.
type Bounds struct {
	// Skipped is at most what any plan leaves out, in skip weights.
	Skipped int64
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

// Of returns the bounds of a problem that Problem.Validate accepts.
func Of(p *model.Problem) Bounds {
	_ = p
	var b Bounds
	for t := range b.Terms {
		b.Terms[t].By = Zero
	}
	b.By = Zero
	return b
}
