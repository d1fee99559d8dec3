package conflict

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// sultry is a problem in which it is hot but for a few minutes and everybody has a limit.
func sultry(seed uint64) *model.Problem {
	p := bruteforce.Random(seed, 2+int(seed%4))
	for i := range p.People {
		p.People[i].MaxProtected = 1 + model.Minute(seed+uint64(i))%4
	}
	for i := range p.Jobs {
		cool := 2 + model.Minute(seed+uint64(i))%5
		p.Jobs[i].Hot = []model.Span{{From: 0, To: cool}, {From: cool + 2, To: p.Horizon}}
	}
	return p
}

func TestJobsFitInTheHeatExactlyWhenTheOracleLeavesNoneOut(t *testing.T) {
	count := map[answer]int{}
	for seed := range uint64(500) {
		p := sultry(seed)
		score, _, ok := bruteforce.Best(p)
		got, plan := newQuestion(p, everyJob(p), nil).ask(t.Context(), 1_000_000)
		count[got]++
		if !ok || score.Skipped > 0 {
			require.Equal(t, impossible, got, "seed %d", seed)
			continue
		}
		require.Equal(t, fits, got, "seed %d", seed)
		_, violations := checker.Check(p, plan)
		require.Empty(t, violations, "seed %d", seed)
	}
	require.Greater(t, count[fits], 50)
	require.Greater(t, count[impossible], 50)
}

func TestWhatAConflictSaysOfHeatIsTrue(t *testing.T) {
	ofHeat := 0
	for seed := range uint64(120) {
		p := sultry(seed)
		score, _, ok := bruteforce.Best(p)
		conflicts := Explain(t.Context(), p, everyJob(p), nil)
		if ok && score.Skipped == 0 {
			require.Empty(t, conflicts, "seed %d", seed)
			continue
		}
		require.NotEmpty(t, conflicts, "seed %d", seed)
		for _, c := range conflicts {
			require.False(t, oracleFits(p, c.Jobs), "seed %d: %s", seed, c.Text)
			if c.Fix != nil && c.Fix.Minutes < 20 {
				require.True(t, oracleFits(apply(p, c.Jobs, *c.Fix), c.Jobs), "seed %d: %s", seed, c.Text)
			}
			for _, r := range c.Requirements {
				if r.Kind == Protection {
					ofHeat++
				}
			}
		}
	}
	require.Greater(t, ofHeat, 20)
}
