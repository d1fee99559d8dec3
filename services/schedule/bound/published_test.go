package bound_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

// The one-machine bounds of Carlier, European Journal of Operational Research 11,
// 1982, 42-47, for the job shops of Fisher and Thompson and of Lawrence. They were
// computed apart from this code. Those of la01, la02 and la05 are the optima, so
// that these are proven by the bound alone.
func TestPublishedOneMachineBoundsOfJobShops(t *testing.T) {
	for _, c := range []struct {
		name string
		want int64
	}{
		{"ft06", 52}, {"ft10", 808}, {"ft20", 1164},
		{"la01", 666}, {"la02", 655}, {"la03", 588}, {"la04", 567}, {"la05", 593},
	} {
		t.Run(c.name, func(t *testing.T) {
			i := benchmark.Named(c.name)
			b, err := bound.Of(t.Context(), i.Problem)
			require.NoError(t, err)
			require.Equal(t, c.want, b.Total/i.Scale)
			require.Equal(t, b.Total, b.Terms[model.Finish].Value)
			require.Zero(t, b.Skipped)
		})
	}
}

// Instances and optima: see package benchmark.
func TestPublishedOptimaAreNotBelowTheBound(t *testing.T) {
	for _, i := range benchmark.Published() {
		if i.Best == benchmark.Infeasible {
			continue
		}
		b, err := bound.Of(t.Context(), i.Problem)
		require.NoError(t, err)
		require.Zero(t, b.Skipped, i.Name)
		require.LessOrEqual(t, b.Total, i.Best*i.Scale, "%s: %s", i.Name, b.By)
		require.GreaterOrEqual(t, b.Total, i.Best*i.Scale*7/10, "%s: %s", i.Name, b.By)
	}
}

// OR-Library, wtopt40: the optimum of the first instance is 913.
func TestPublishedWeightedLatenessOnOneMachineHasAUsefulBound(t *testing.T) {
	i := benchmark.Named("wt40 #1")
	b, err := bound.Of(t.Context(), i.Problem)
	require.NoError(t, err)
	late := b.Terms[model.Late]
	require.GreaterOrEqual(t, late.Value/i.Scale, int64(780))
	require.LessOrEqual(t, late.Value/i.Scale, int64(913))
	require.Equal(t, "prices of busy hours", late.By)
}
