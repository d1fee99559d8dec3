package benchmark

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// planned searches some rounds and lets the checker look at the plan.
func planned(t *testing.T, name string, p *model.Problem, rounds int) search.Result {
	t.Helper()
	result, err := search.Solve(t.Context(), p, search.Options{Seed: 1, Rounds: rounds})
	require.NoError(t, err, name)
	score, violations := checker.Check(p, result.Plan)
	require.Empty(t, violations, name)
	require.Equal(t, score, result.Score, name)
	return result
}

// The optima are those of the papers named in each instance's Source and of the later
// literature that proved them.
func TestPublishedOptimaAreReached(t *testing.T) {
	for _, name := range []string{"ft06", "la01", "la05", "j301_1", "UBO10 psp2"} {
		instance := Named(name)
		result := planned(t, name, instance.Problem, 4)
		require.Zero(t, result.Score.Skipped, name)
		require.Equal(t, instance.Best, instance.Cost(result.Score), name)
	}
}

// The preemptive schedule of one machine with heads and tails, called after J. R.
// Jackson (from memory), gives the optimum of these three of Lawrence 1984.
func TestPublishedOptimaAreProvenByTheBound(t *testing.T) {
	for _, name := range []string{"la01", "la02", "la05"} {
		instance := Named(name)
		b, err := bound.Of(t.Context(), instance.Problem)
		require.NoError(t, err)
		require.Equal(t, instance.Best*instance.Scale, b.Total, name)
	}
}

// Schwindt 1998 lists UBO10 psp1 as without a plan.
func TestPublishedProjectWithoutAPlanLeavesOutAnActivity(t *testing.T) {
	instance := Named("UBO10 psp1")
	require.EqualValues(t, Infeasible, instance.Best)
	result := planned(t, instance.Name, instance.Problem, 1)
	require.Positive(t, result.Score.Skipped)
	require.False(t, result.Optimal, "the bound does not know that one must be left out")
}

func TestTheSearchIsNoWorseThanPlansByHand(t *testing.T) {
	for seed := range uint64(3) {
		p := Nursery(seed, 50)
		result := planned(t, "nursery", p, 3)
		for name, plan := range map[string]model.Plan{"by due time": EarliestDueFirst(p), "by house": HouseByHouse(p)} {
			byHand, _ := checker.Check(p, plan)
			require.LessOrEqual(t, result.Score.Compare(byHand), 0, "%s, seed %d", name, seed)
		}
	}
}
