package search

import (
	"context"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// valid fails the test unless the plan of a result keeps all rules and costs what it
// says.
func valid(t *testing.T, p *model.Problem, result Result, about ...any) {
	t.Helper()
	score, violations := checker.Check(p, result.Plan)
	require.Empty(t, violations, about...)
	require.Equal(t, score, result.Score, about...)
	require.Equal(t, score, Evaluate(p, result.Plan), about...)
}

func TestThePlansOfTinyNurseriesKeepAllRulesAndAreTheBestOfAll(t *testing.T) {
	for seed := range uint64(80) {
		p := bruteforce.Random(seed, 5)
		oracle, _, ok := bruteforce.Best(p)
		result, err := Solve(context.Background(), p, Options{Seed: seed, Rounds: 4})
		if !ok {
			require.ErrorIs(t, err, ErrPinned, "seed %d", seed)
			continue
		}
		require.NoError(t, err, "seed %d", seed)
		valid(t, p, result, "seed %d", seed)
		require.Zero(t, oracle.Compare(result.Score), "seed %d", seed)
		require.True(t, result.Optimal, "seed %d", seed)
	}
}

func TestEachStepKeepsTheRulesAndTheTerms(t *testing.T) {
	for seed := range uint64(60) {
		p := bruteforce.Random(seed, 8)
		k := newIslander(compile(p), seed, 1)
		k.b.construct(int(seed) % rules)
		k.settle()
		for step := range 200 {
			k.step()
			if step%8 != 0 {
				continue
			}
			plan := k.s.plan()
			score, violations := checker.Check(p, plan)
			for _, v := range violations {
				// Until all pinned jobs are placed a plan is not finished.
				require.Equal(t, "R11", v.Rule, "seed %d step %d: %s", seed, step, v.Text)
			}
			require.Equal(t, score, k.s.score(), "seed %d step %d", seed, step)
			require.Equal(t, score, Evaluate(p, plan), "seed %d step %d", seed, step)
		}
	}
}

func TestAStepThatIsUndoneLeavesNothing(t *testing.T) {
	for seed := range uint64(40) {
		k := newIslander(compile(bruteforce.Random(seed, 8)), seed, 1)
		k.b.construct(0)
		k.settle()
		for range 50 {
			plan, score := k.s.plan(), k.s.score()
			k.s.record()
			k.ruin()
			k.refill()
			k.b.restore()
			k.repour()
			k.s.back()
			require.Equal(t, plan, k.s.plan(), "seed %d", seed)
			require.Equal(t, score, k.s.score(), "seed %d", seed)
		}
	}
}

// Few jobs, many jobs, and a shop are searched in three ways.
func TestTheSameSeedGivesTheSamePlanOnOneAndOnTwoProcessors(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(0))
	for name, p := range map[string]*model.Problem{
		"few": benchmark.Nursery(3, 40), "many": benchmark.Nursery(4, someJobs+10),
		"shop": benchmark.Named("ft20").Problem, "flexible shop": benchmark.Named("Mk01").Problem,
	} {
		var hashes [][32]byte
		for _, processors := range []int{1, 2, 2} {
			runtime.GOMAXPROCS(processors)
			result, err := Solve(context.Background(), p, Options{Seed: 7, Rounds: 2})
			require.NoError(t, err, name)
			valid(t, p, result, name)
			hashes = append(hashes, result.Plan.Hash())
		}
		require.Equal(t, hashes[0], hashes[1], name)
		require.Equal(t, hashes[0], hashes[2], name)
	}
}

// Optima of Fisher and Thompson 1963, Lawrence 1984, Brandimarte 1993, Kolisch and
// Sprecher 1997 and of the OR-Library.
func TestPublishedOptimaAreReachedInAFewRounds(t *testing.T) {
	for _, test := range []struct {
		name   string
		rounds int
	}{
		{"ft06", 1}, {"la01", 1}, {"la05", 1}, {"j301_1", 1}, {"UBO10 psp2", 1},
		{"ft20", 8}, {"la16", 8}, {"la20", 8}, {"Mk01", 8}, {"Mk02", 8}, {"wt40 #4", 8},
	} {
		instance := benchmark.Named(test.name)
		result, err := Solve(context.Background(), instance.Problem, Options{Seed: 1, Rounds: test.rounds})
		require.NoError(t, err, test.name)
		valid(t, instance.Problem, result, test.name)
		require.Equal(t, instance.Best, instance.Cost(result.Score), test.name)
	}
}

func TestThereIsAPlanEvenWhenTheTimeIsOver(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	p := benchmark.Nursery(5, 60)
	result, err := Solve(ctx, p, Options{})
	require.NoError(t, err)
	valid(t, p, result)
	require.Zero(t, result.Rounds)
	require.Less(t, result.Score.Skipped, compile(p).skip)
}

func TestReportsOnlyGetBetterAndTheLastIsTheResult(t *testing.T) {
	p := benchmark.Nursery(6, 60)
	var reports []Progress
	result, err := Solve(context.Background(), p, Options{Rounds: 5, Report: func(progress Progress) {
		reports = append(reports, progress)
	}})
	require.NoError(t, err)
	require.Greater(t, len(reports), 1)
	for i, report := range reports[1:] {
		require.Negative(t, report.Score.Compare(reports[i].Score))
		require.GreaterOrEqual(t, report.Round, reports[i].Round)
		require.Equal(t, report.Score, Evaluate(p, report.Plan))
	}
	require.Equal(t, reports[len(reports)-1].Plan, result.Plan)
}

func TestAPinnedJobThatFitsNowhereIsAnErrorWithThePlanOfTheOthers(t *testing.T) {
	p := morning(2, 30)
	p.Jobs[0].Pin = &model.Pin{Start: 590, Person: model.None, Way: model.None}
	result, err := Solve(context.Background(), p, Options{Rounds: 2})
	require.ErrorIs(t, err, ErrPinned)
	require.False(t, result.Plan[0].Placed)
	require.True(t, result.Plan[1].Placed)
	require.True(t, result.Optimal, "all plans of two jobs were tried")
}

func TestAProblemOfTheWrongFormIsNotSearched(t *testing.T) {
	p := morning(1, 30)
	p.Jobs[0].Ways = nil
	_, err := Solve(context.Background(), p, Options{Rounds: 1})
	require.ErrorContains(t, err, "jobs[0].ways")
}

func TestNothingToDoIsAPlan(t *testing.T) {
	p := morning(0, 0)
	result, err := Solve(context.Background(), p, Options{Rounds: 1})
	require.NoError(t, err)
	require.Empty(t, result.Plan)
}

// morning is a nursery with one person who works from minute 60 to 500 and a number of
// jobs that take so long.
func morning(jobs int, length model.Minute) *model.Problem {
	p := &model.Problem{
		Horizon: 600, Days: []model.Minute{0},
		People: []model.Person{{Name: "Ada", Shifts: []model.Shift{{Span: model.Span{From: 60, To: 500}, Overtime: 500}}}},
	}
	for range jobs {
		p.Jobs = append(p.Jobs, model.Job{
			Name: "scouting", Site: model.None, Mix: model.None, Ways: []model.Way{{Station: model.None, Duration: length}},
			Manned: true, People: []int32{0}, Deadline: 600, Due: 600, WaitWeight: 1, SkipWeight: 1,
		})
	}
	return p
}
