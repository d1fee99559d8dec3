package search

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/model"
)

func TestAPlanToBeginFromIsNeverMadeWorse(t *testing.T) {
	for seed := range uint64(30) {
		p := bruteforce.Random(seed, 8)
		before, err := Solve(context.Background(), p, Options{Seed: seed, Rounds: 1})
		if err != nil {
			continue
		}
		after, err := Solve(context.Background(), p, Options{Seed: seed + 1, Rounds: 1, Start: before.Plan})
		require.NoError(t, err)
		valid(t, p, after, "seed %d", seed)
		require.LessOrEqual(t, after.Score.Compare(before.Score), 0, "seed %d", seed)
	}
}

func TestThatOnePersonIsAwayMovesFewOfTheJobsOfOthers(t *testing.T) {
	p := benchmark.Nursery(7, 120)
	before, err := Solve(context.Background(), p, Options{Rounds: 6})
	require.NoError(t, err)
	for j := range p.Jobs {
		if at := before.Plan[j]; at.Placed {
			p.Jobs[j].Told = &model.Told{Start: at.Start, Person: at.Person, Way: at.Way, Weight: 100_000_000}
		}
	}
	away := p.People[0].Shifts[2].From
	p.People[0].Shifts = p.People[0].Shifts[2:]
	var touched []int32
	placed := 0
	for j, at := range before.Plan {
		if at.Placed {
			placed++
		}
		if at.Placed && at.Person == 0 && at.Start < away {
			touched = append(touched, int32(j))
		}
	}
	require.NotEmpty(t, touched)
	after, err := Solve(context.Background(), p, Options{Rounds: 6, Start: before.Plan, Touched: touched})
	require.NoError(t, err)
	valid(t, p, after)
	moved := 0
	for j := range p.Jobs {
		if before.Plan[j].Placed && after.Plan[j] != before.Plan[j] {
			moved++
		}
	}
	require.LessOrEqual(t, moved-len(touched), placed/20)
}

func TestARuleThatAPlanToBeginFromBreaksIsMended(t *testing.T) {
	p := morning(2, 30)
	both := model.Placement{Placed: true, Start: 60, Person: 0}
	result, err := Solve(context.Background(), p, Options{Rounds: 1, Start: model.Plan{both, both}})
	require.NoError(t, err)
	valid(t, p, result)
	require.Equal(t, both, result.Plan[0])
	require.Equal(t, model.Minute(90), result.Plan[1].Start)
}

func TestAJobIsNotPutBackToSomebodyWhoMayNotDoItAnyMore(t *testing.T) {
	p := morning(2, 30)
	p.People = append(p.People, p.People[0])
	p.Jobs[0].People, p.Jobs[1].People = []int32{1}, []int32{1}
	start := model.Plan{{Placed: true, Start: 60, Person: 0}, {Placed: true, Start: 90, Person: 0}}
	result, err := Solve(context.Background(), p, Options{Rounds: 2, Start: start})
	require.NoError(t, err)
	valid(t, p, result)
	for _, at := range result.Plan {
		require.Equal(t, model.Placement{Placed: true, Start: at.Start, Person: 1}, at)
	}
}
