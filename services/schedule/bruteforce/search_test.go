package bruteforce_test

import (
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// The search tries all plans of few jobs on its own, after one round. It must come to
// the cost that the oracle comes to, on every problem, and say that it is the least.
func TestTheSearchFindsTheBestOfAllPlansOfFewJobsAndSaysSo(t *testing.T) {
	each(t, 150, func(t *testing.T, p *model.Problem) {
		best, _, ok := bruteforce.Best(p)
		result, err := search.Solve(t.Context(), p, search.Options{Seed: 1, Rounds: 1})
		require.True(t, result.Optimal)
		if errors.Is(err, search.ErrPinned) {
			require.False(t, ok, "the search has no plan where there is one")
			return
		}
		require.NoError(t, err)
		require.True(t, ok, "the search has a plan where there is none")
		score, violations := checker.Check(p, result.Plan)
		require.Empty(t, violations)
		require.Equal(t, score, result.Score)
		require.Zero(t, score.Compare(best))
	})
}
