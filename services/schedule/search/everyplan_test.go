package search

import (
	"context"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/model"
)

// worst is dearer than every plan.
var worst = cost{pinnedOut: mostTried + 1}

func TestAllPlansOfFewJobsAreTriedWithoutAPlanToBeginFrom(t *testing.T) {
	for seed := range uint64(60) {
		p := bruteforce.Random(seed, 5)
		oracle, _, ok := bruteforce.Best(p)
		e := newTrial(context.Background(), compile(p), bound.Bounds{}, worst)
		require.True(t, e.run(), "seed %d", seed)
		require.NotNil(t, e.found, "seed %d", seed)
		require.Equal(t, ok, e.best.pinnedOut == 0, "seed %d", seed)
		if ok {
			require.Zero(t, oracle.Compare(e.score), "seed %d", seed)
			require.Equal(t, e.score, Evaluate(p, planOf(e.t, e.found)), "seed %d", seed)
		}
	}
}

// Seven jobs within two weeks have more plans than there are steps.
func TestATrialThatRunsOutOfStepsProvesNothingAndIsTheSameAgain(t *testing.T) {
	p := benchmark.Nursery(1, mostTried)
	first := newTrial(context.Background(), compile(p), bound.Bounds{}, worst)
	require.False(t, first.run())
	require.NotNil(t, first.found)
	again := newTrial(context.Background(), compile(p), bound.Bounds{}, worst)
	require.False(t, again.run())
	require.Equal(t, first.found, again.found)
	require.Equal(t, first.steps, again.steps)
}

func TestATrialThatIsBrokenOffProvesNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	e := newTrial(ctx, compile(bruteforce.Random(1, 5)), bound.Bounds{}, worst)
	require.False(t, e.run())
	require.True(t, e.cut)
}

// Two sprays with one mix, and an inspection an hour after both are done.
func TestTheBestPlanOfADayOfFewJobsIsProven(t *testing.T) {
	p := morning(3, 30)
	p.Weights.Leftover, p.Mixes = 1, []model.Mix{{Name: "copper", Life: 240}}
	p.Stations = []model.Station{{Name: "cart", Tank: 10_000, SmallestLoad: 2_000, Graduation: 1_000, MixMinutes: 10, Holds: model.None, Rinses: model.None}}
	for j := range p.Jobs[:2] {
		p.Jobs[j].Mix, p.Jobs[j].Volume, p.Jobs[j].Ways[0].Station = 0, 1_500, 0
		p.Lags = append(p.Lags, model.Lag{From: int32(j), To: 2, FromEnd: true, Least: 60})
	}
	result, err := Solve(context.Background(), p, Options{Seed: 1, Rounds: 1})
	require.NoError(t, err)
	valid(t, p, result)
	require.True(t, result.Optimal)
	// From 70, after mixing, and 100; the inspection an hour after 130. Three litres of
	// mix are one load without a rest.
	require.Equal(t, int64(70+100+190), result.Score.Total())
}

func TestMoreToWorkWithNeverMakesTheBestPlanOfFewJobsDearer(t *testing.T) {
	for name, more := range map[string]func(*model.Problem){
		"a person more": func(p *model.Problem) {
			p.People = append(p.People, model.Person{Shifts: p.People[0].Shifts})
			for j := range p.Jobs {
				if p.Jobs[j].Manned {
					p.Jobs[j].People = append(p.Jobs[j].People, 2)
				}
			}
		},
		"any window": func(p *model.Problem) {
			for j := range p.Jobs {
				p.Jobs[j].Windows = nil
			}
		},
	} {
		better := 0
		for seed := range uint64(40) {
			before, err := Solve(context.Background(), bruteforce.Random(seed, mostTried), Options{Seed: 1, Rounds: 1})
			require.True(t, before.Optimal, "seed %d", seed)
			if errors.Is(err, ErrPinned) {
				continue
			}
			require.NoError(t, err)
			p := bruteforce.Random(seed, mostTried)
			more(p)
			after, err := Solve(context.Background(), p, Options{Seed: 1, Rounds: 1})
			require.NoError(t, err)
			require.True(t, after.Optimal, "%s, seed %d", name, seed)
			require.LessOrEqual(t, after.Score.Compare(before.Score), 0, "%s, seed %d", name, seed)
			if after.Score.Compare(before.Score) < 0 {
				better++
			}
		}
		require.Positive(t, better, name)
	}
}
