package search

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/bruteforce"
)

func TestAPlanIsTheSameWhetherItsBoundWasKnownOrNot(t *testing.T) {
	for seed := range uint64(20) {
		p := bruteforce.Random(seed, 8)
		worked, err := Solve(t.Context(), p, Options{Seed: seed, Rounds: 3})
		if err != nil {
			continue
		}
		known, err := Solve(t.Context(), p, Options{Seed: seed, Rounds: 3, Bound: &worked.Bound})
		require.NoError(t, err)
		require.Equal(t, worked, known, "seed %d", seed)
	}
}

func TestNothingOfASearchGoesOnAfterIt(t *testing.T) {
	p := benchmark.Nursery(5, 60)
	ctx, cancel := context.WithCancel(t.Context())
	g := &guide{ctx: ctx, p: p, t: compile(p), known: make(chan bound.Bounds, 1)}
	end := g.seek()
	cancel()
	end()
	select {
	case <-g.sought:
	default:
		require.Fail(t, "the bound is still being worked out")
	}
}

func TestPublishedProjectWithoutAPlanLeavesSomethingOut(t *testing.T) {
	// Schwindt 1998 lists UBO10 psp1 as without a plan.
	instance := benchmark.Named("UBO10 psp1")
	result, err := Solve(t.Context(), instance.Problem, Options{Rounds: 2})
	require.NoError(t, err)
	require.Positive(t, result.Score.Skipped)
	require.Zero(t, result.Bound.Skipped, "the bounds of the terms go on to speak of plans that place all")
	require.Positive(t, result.Bound.Overload, "but no plan does")
	require.LessOrEqual(t, result.Bound.Overload, result.Score.Skipped)
}
