package schedule

import (
	"context"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

// proof is what was proven about a plan.
type proof struct {
	// bounds are what no plan goes below; zero where nobody worked them out.
	bounds bound.Bounds
	// same is true when they speak only of plans that leave out the same jobs.
	same bool
	// some is true when no plan places all jobs of the problem.
	some bool
}

// provenBy is what the bounds of a problem prove.
func provenBy(of bound.Bounds) proof { return proof{bounds: of, some: of.Overload > 0} }

// speaksOf reports whether the bounds hold for a plan that costs so much.
func (p proof) speaksOf(score model.Score) bool {
	return p.bounds.By != "" && score.Skipped <= p.bounds.Skipped
}

// prove returns what is proven about a plan, given the bounds of its problem. Where it
// leaves out more than those suppose, it is held against plans that leave out the same.
func (c *compiled) prove(ctx context.Context, plan model.Plan, score model.Score, of bound.Bounds) (proof, error) {
	proven := provenBy(of)
	if proven.speaksOf(score) {
		return proven, nil
	}
	var err error
	proven.bounds, err = bound.Leaving(ctx, c.problem, plan)
	proven.same = true
	return proven, err
}
