package search

import (
	"context"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

func TestASlotKeepsAllRulesAndCostsWhatItSays(t *testing.T) {
	slotted := 0
	for seed := range uint64(120) {
		p := bruteforce.Random(seed, 7)
		result, err := Solve(context.Background(), p, Options{Seed: seed, Rounds: 1})
		if err != nil {
			continue
		}
		for j := range int32(len(p.Jobs)) {
			for i, slot := range Slots(p, result.Plan, j, 10) {
				plan := slices.Clone(result.Plan)
				plan[j] = slot.Placement
				score, violations := checker.Check(p, plan)
				require.Empty(t, violations, "seed %d job %d slot %d", seed, j, i)
				require.Equal(t, difference(score, result.Score), slot.Change, "seed %d job %d slot %d", seed, j, i)
				slotted++
			}
		}
	}
	require.Greater(t, slotted, 500)
}

func TestSlotsAreRankedByWhatTheyCost(t *testing.T) {
	ranked := 0
	for seed := range uint64(20) {
		p := bruteforce.Random(seed, 7)
		result, err := Solve(context.Background(), p, Options{Rounds: 1})
		if err != nil {
			continue
		}
		for j := range int32(len(p.Jobs)) {
			slots := Slots(p, result.Plan, j, 8)
			ranked = max(ranked, len(slots))
			require.True(t, slices.IsSortedFunc(slots, func(a, b Slot) int { return a.Change.Compare(b.Change) }))
		}
	}
	require.Greater(t, ranked, 4)
}

func TestTheSlotOfAJobThatStandsWellIsWhereItStands(t *testing.T) {
	p := morning(1, 30)
	plan := model.Plan{{Placed: true, Start: 60, Way: 0, Person: 0}}
	slots := Slots(p, plan, 0, 3)
	require.Equal(t, Slot{Placement: plan[0]}, slots[0])
	require.Empty(t, Slots(p, plan, 0, 0))
}
