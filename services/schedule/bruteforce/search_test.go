package bruteforce_test

import (
	"errors"
	"fmt"
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
	each(t, 300, same)
}

func TestTheSearchFindsTheBestOfAllPlansOfSixAndSevenJobsAndSaysSo(t *testing.T) {
	for seed := range uint64(60) {
		size := 6 + int(seed%2)
		t.Run(fmt.Sprintf("seed %d, %d jobs", seed, size), func(t *testing.T) {
			same(t, bruteforce.Random(seed, size))
		})
	}
}

// same fails the test unless the search and the oracle come to the same cost.
func same(t *testing.T, p *model.Problem) {
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
}
