package schedule

import (
	"context"
	"errors"

	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// replay searches again what was searched, and gives the same plan.
func replay(ctx context.Context, solve solver, was searched, seed int64, rounds int) (model.Plan, error) {
	best := progress{best: was.Start}
	for segment := 0; segment == 0 || best.rounds < rounds; segment++ {
		options := segmentOf(was.Problem, seed, segment)
		options.Start = best.best
		if segment > 0 {
			options.Rounds = min(options.Rounds, rounds-best.rounds)
		}
		result, err := solve(ctx, was.Problem, options)
		if err != nil && !errors.Is(err, search.ErrPinned) {
			return nil, err
		}
		best.adopt(was.Problem, result)
		if result.Rounds == 0 {
			break
		}
	}
	return best.best, nil
}
