package conflict

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// everyJob are the indexes of all jobs.
func everyJob(p *model.Problem) []int32 {
	jobs := make([]int32, len(p.Jobs))
	for i := range jobs {
		jobs[i] = int32(i)
	}
	return jobs
}

func TestJobsFitExactlyWhenTheOracleLeavesNoneOut(t *testing.T) {
	count := map[answer]int{}
	for seed := range uint64(800) {
		p := bruteforce.Random(seed, 2+int(seed%4))
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
	require.Greater(t, count[fits], 150)
	require.Greater(t, count[impossible], 150)
}

// What a conflict says is tried with the oracle: its jobs do not fit, alone or with any of
// the others, and with the fix they do.
func TestWhatAConflictSaysIsTrue(t *testing.T) {
	told, fixed := 0, 0
	for seed := range uint64(200) {
		p := bruteforce.Random(seed, 2+int(seed%4))
		score, _, ok := bruteforce.Best(p)
		conflicts := Explain(t.Context(), p, everyJob(p), nil)
		if ok && score.Skipped == 0 {
			require.Empty(t, conflicts, "seed %d", seed)
			continue
		}
		require.NotEmpty(t, conflicts, "seed %d", seed)
		for _, c := range conflicts {
			told++
			require.True(t, c.Proven, "seed %d", seed)
			require.False(t, oracleFits(p, c.Jobs), "seed %d: %s", seed, c.Text)
			require.False(t, oracleFitsAmongOthers(p, c.Jobs), "seed %d: %s", seed, c.Text)
			for i := range c.Jobs {
				if rest := without(c.Jobs, i); c.Minimal && len(rest) > 0 {
					require.True(t, oracleFits(p, rest), "seed %d: %s", seed, c.Text)
				}
			}
			if c.Fix != nil && c.Fix.Minutes < 20 {
				fixed++
				require.True(t, oracleFits(apply(p, c.Jobs, *c.Fix), c.Jobs), "seed %d: %s", seed, c.Text)
			}
		}
	}
	require.Greater(t, told, 80)
	require.Greater(t, fixed, 40)
}

// In these problems some jobs fit only because others come between: they leave a
// sprayer that needs less of a rinse, or begin a load.
func TestJobsThatHelpEachOtherAreNotToldAsAConflict(t *testing.T) {
	for _, c := range []struct {
		seed uint64
		jobs int
	}{{1778, 4}, {2440, 3}, {2624, 4}} {
		p := bruteforce.Random(c.seed, c.jobs)
		score, _, ok := bruteforce.Best(p)
		require.True(t, ok)
		require.Zero(t, score.Skipped)
		require.Empty(t, Explain(t.Context(), p, everyJob(p), nil), "seed %d", c.seed)
		alone := false
		for i := range p.Jobs {
			alone = alone || !oracleFits(p, without(everyJob(p), i))
		}
		require.True(t, alone, "seed %d has no jobs that need others", c.seed)
	}
}

// oracleFitsAmongOthers tells whether some jobs of a tiny problem are in one plan, with as
// many of the others as it takes.
func oracleFitsAmongOthers(p *model.Problem, jobs []int32) bool {
	const heavy = 1000
	all := *p
	all.Jobs = slices.Clone(p.Jobs)
	for i := range all.Jobs {
		all.Jobs[i].SkipWeight = 1
	}
	for _, j := range jobs {
		all.Jobs[j].SkipWeight = heavy
	}
	score, _, ok := bruteforce.Best(&all)
	return ok && score.Skipped < heavy
}

// oracleFits tells whether some jobs of a tiny problem fit when there is nothing else.
func oracleFits(p *model.Problem, jobs []int32) bool {
	alone := *p
	alone.Jobs, alone.Lags = nil, nil
	for _, j := range jobs {
		job := p.Jobs[j]
		job.Needs = nil
		alone.Jobs = append(alone.Jobs, job)
	}
	for _, lag := range p.Lags {
		from, to := slices.Index(jobs, lag.From), slices.Index(jobs, lag.To)
		if from >= 0 && to >= 0 {
			lag.From, lag.To = int32(from), int32(to)
			alone.Lags = append(alone.Lags, lag)
		}
	}
	score, _, ok := bruteforce.Best(&alone)
	return ok && score.Skipped == 0
}
