package search

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

func TestThePlansOfTinyNurseriesKeepAllRulesAndAreNeverBetterThanTheOracle(t *testing.T) {
	best := 0
	const problems = 150
	for seed := range uint64(problems) {
		p := bruteforce.Random(seed, 5)
		oracle, _, ok := bruteforce.Best(p)
		result, err := Solve(context.Background(), p, Options{Seed: seed, Rounds: 2})
		if !ok {
			require.ErrorIs(t, err, ErrPinned, "seed %d", seed)
			continue
		}
		if err != nil {
			t.Logf("seed %d: %v", seed, err)
			continue
		}
		score, violations := checker.Check(p, result.Plan)
		require.Empty(t, violations, "seed %d", seed)
		require.Equal(t, score, result.Score, "seed %d", seed)
		require.LessOrEqual(t, oracle.Compare(result.Score), 0, "seed %d", seed)
		if oracle.Compare(result.Score) == 0 {
			best++
		} else {
			t.Logf("seed %d: %v, oracle %v", seed, result.Score, oracle)
		}
	}
	t.Log(best)
}

func TestTheTermsThatAreKeptAreThoseOfThePlan(t *testing.T) {
	for seed := range uint64(60) {
		p := bruteforce.Random(seed, 8)
		k := newIslander(compile(p), seed, 1)
		k.b.construct(int(seed) % rules)
		k.settle()
		rng := rand.New(rand.NewPCG(seed, 9))
		for range 200 {
			k.step()
			if rng.IntN(8) == 0 {
				plan := k.s.plan()
				score, violations := checker.Check(p, withoutPins(p, plan, k))
				for _, v := range violations {
					if v.Rule != "R11" {
						require.Fail(t, v.Text, "seed %d", seed)
					}
				}
				require.Equal(t, score, k.s.score(), "seed %d", seed)
				require.Equal(t, score, Evaluate(p, plan), "seed %d", seed)
			}
		}
	}
}

func withoutPins(_ *model.Problem, plan model.Plan, _ *islander) model.Plan { return plan }
