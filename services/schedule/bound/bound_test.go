package bound_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/model"
)

// The oracle tries every plan, so its best plan leaves out as little as possible
// and costs as little as possible after that.
func TestNoBoundIsAboveTheBestPlanOfATinyProblem(t *testing.T) {
	for seed := range uint64(400) {
		p := bruteforce.Random(seed, 1+int(seed%5))
		best, plan, ok := bruteforce.Best(p)
		if !ok {
			continue
		}
		b, err := bound.Of(t.Context(), p)
		require.NoError(t, err)
		require.LessOrEqual(t, b.Skipped, b.Overload, "seed %d", seed)
		require.LessOrEqual(t, b.Overload, best.Skipped, "seed %d", seed)
		if b.Skipped == best.Skipped {
			requireBelow(t, b, best, seed)
		}
		b, err = bound.Leaving(t.Context(), p, plan)
		require.NoError(t, err)
		requireBelow(t, b, best, seed)
	}
}

func requireBelow(tt *testing.T, b bound.Bounds, best model.Score, seed uint64) {
	tt.Helper()
	require.LessOrEqual(tt, b.Total, best.Total(), "seed %d: %s", seed, b.By)
	var sum int64
	for t, term := range b.Terms {
		require.LessOrEqual(tt, term.Value, best.Terms[t], "seed %d: %s", seed, model.Term(t))
		sum += term.Value
	}
	require.LessOrEqual(tt, sum, b.Total, "seed %d", seed)
}

func TestABoundThatNobodyWaitsForIsGivenUp(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := bound.Of(ctx, benchmark.Nursery(1, 100))
	require.ErrorIs(t, err, context.Canceled)
	_, err = bound.Leaving(ctx, benchmark.Nursery(1, 100), nil)
	require.ErrorIs(t, err, context.Canceled)
}
