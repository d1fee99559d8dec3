package bruteforce_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/model"
)

// heatWave is a problem in which each place is hot once or twice and everybody has a
// limit, so that it binds in most plans.
func heatWave(seed uint64, size int) *model.Problem {
	p := bruteforce.Random(seed, size)
	rng := rand.New(rand.NewPCG(seed, 22))
	for i := range p.People {
		p.People[i].MaxProtected = model.Minute(1 + rng.IntN(4))
		p.People[i].Worn = min(p.People[i].Worn, p.People[i].MaxProtected)
	}
	for i := range p.Jobs {
		from := model.Minute(rng.IntN(5))
		to := from + model.Minute(1+rng.IntN(4))
		p.Jobs[i].Hot = []model.Span{{From: from, To: to}}
		if rng.IntN(2) == 0 {
			p.Jobs[i].Hot = append(p.Jobs[i].Hot, model.Span{From: to + 1, To: to + 3})
		}
	}
	return p
}

func TestTheSearchFindsTheBestOfAllPlansInAHeatWave(t *testing.T) {
	for seed := range uint64(150) {
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) { same(t, heatWave(seed, 3+int(seed%3))) })
	}
}

func TestNoBoundIsAboveTheBestPlanInAHeatWave(t *testing.T) {
	for seed := range uint64(300) {
		p := heatWave(seed, 1+int(seed%5))
		best, _, ok := bruteforce.Best(p)
		if !ok {
			continue
		}
		b, err := bound.Of(t.Context(), p)
		require.NoError(t, err)
		require.LessOrEqual(t, b.Skipped, best.Skipped, "seed %d", seed)
		if b.Skipped == best.Skipped {
			require.LessOrEqual(t, b.Total, best.Total(), "seed %d: %s", seed, b.By)
		}
	}
}
