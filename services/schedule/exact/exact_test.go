package exact_test

import (
	"context"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/exact"
	"velamen/services/schedule/model"
)

// nodes is enough for every problem here that is to be solved.
const nodes = 30_000

func requireValid(t *testing.T, p *model.Problem, a exact.Answer) {
	t.Helper()
	score, violations := checker.Check(p, a.Plan)
	require.Empty(t, violations)
	require.Equal(t, score, a.Score)
}

func TestPublishedOptimaOfSmallProblemsAreProven(t *testing.T) {
	for _, name := range []string{
		"ft06", "la01", "la02", "la03", "la04", "la05", "la06", "la09", "la14", "la18", "la20",
		"j301_1", "j301_2", "j301_3", "j301_4", "j301_5", "j301_6", "j301_7", "j301_8", "j301_9", "j301_10",
		"UBO10 psp2",
	} {
		t.Run(name, func(t *testing.T) {
			i := benchmark.Named(name)
			a := exact.Solve(t.Context(), i.Problem, nodes)
			require.Equal(t, exact.Optimal, a.Status)
			require.Equal(t, i.Best, i.Cost(a.Score))
			require.Equal(t, a.Score.Total(), a.Bound)
			requireValid(t, i.Problem, a)
		})
	}
}

// tiny makes a problem of one to five jobs of the plain kind.
func tiny(seed uint64) *model.Problem {
	r := rand.New(rand.NewPCG(seed, 1))
	upTo := func(n int) int32 { return int32(r.IntN(n + 1)) }
	p := &model.Problem{
		Horizon:  10 + upTo(6),
		Days:     []model.Minute{0},
		Stations: []model.Station{{Holds: model.None, Rinses: model.None}, {Holds: model.None, Rinses: model.None}},
		Pools:    []model.Pool{{Capacity: 2 + upTo(2)}},
		Spaces:   []model.Space{{}, {}},
		Weights:  model.Weights{Finish: int64(upTo(3))},
	}
	p.People = []model.Person{{Shifts: []model.Shift{{Span: model.Span{To: p.Horizon}, Overtime: p.Horizon}}}}
	for range 1 + upTo(4) {
		job := model.Job{
			Site: model.None, Mix: model.None, SkipWeight: 1,
			Ways:       []model.Way{{Station: upTo(2) - 1, Duration: 1 + upTo(3)}},
			Release:    upTo(2),
			Deadline:   p.Horizon - upTo(3),
			Due:        upTo(8),
			LateWeight: int64(upTo(4)), WaitWeight: int64(upTo(1)),
		}
		if upTo(2) == 0 {
			job.Manned, job.People = true, []int32{0}
		}
		if upTo(1) == 0 {
			job.Demands = []model.Demand{{Amount: 1 + upTo(1)}}
		}
		if upTo(1) == 0 {
			job.Occupies = []model.Occupation{{
				Space: upTo(1), Exclusive: upTo(1) == 0, Tail: upTo(2), Closure: upTo(1) - 1,
			}}
		}
		if upTo(5) == 0 {
			job.Windows = []model.Span{{From: upTo(3), To: p.Horizon - upTo(3)}}
		}
		if upTo(7) == 0 {
			job.Pin = &model.Pin{Start: upTo(6), Person: model.None, Way: upTo(1) - 1}
		}
		p.Jobs = append(p.Jobs, job)
	}
	for range upTo(3) {
		from, to := upTo(len(p.Jobs)-1), upTo(len(p.Jobs)-1)
		if from != to {
			p.Lags = append(p.Lags, model.Lag{
				From: from, To: to, FromEnd: upTo(1) == 0, ToEnd: upTo(1) == 0, Least: upTo(12) - 7,
			})
		}
	}
	return p
}

func TestTheBestPlanIsThatOfTheOracle(t *testing.T) {
	var optimal, infeasible int
	for seed := range uint64(600) {
		p := tiny(seed)
		require.NoError(t, p.Validate(), "seed %d", seed)
		require.True(t, exact.Fits(p), "seed %d", seed)
		// Without a plan at all a pin cannot be kept.
		best, _, ok := bruteforce.Best(p)
		a := exact.Solve(t.Context(), p, nodes)
		if !ok || best.Skipped > 0 {
			infeasible++
			require.Equal(t, exact.Infeasible, a.Status, "seed %d", seed)
			require.Nil(t, a.Plan, "seed %d", seed)
			continue
		}
		optimal++
		require.Equal(t, exact.Optimal, a.Status, "seed %d", seed)
		require.Equal(t, best.Total(), a.Score.Total(), "seed %d", seed)
		requireValid(t, p, a)
	}
	require.Greater(t, optimal, 100)
	require.Greater(t, infeasible, 30)
}

// No plan keeps all lags and capacities of the project: Schwindt, Generation of
// resource-constrained project scheduling problems subject to temporal constraints,
// University of Karlsruhe 1998.
func TestPublishedInfeasibleProjectHasNoPlan(t *testing.T) {
	i := benchmark.Named("UBO10 psp1")
	require.EqualValues(t, benchmark.Infeasible, i.Best)
	p := i.Problem
	a := exact.Solve(t.Context(), p, nodes)
	require.Equal(t, exact.Infeasible, a.Status)
	require.Nil(t, a.Plan)
	require.Nil(t, exact.PositiveCycle(p), "it is the capacities that make it so")
}

func TestASearchThatIsBrokenOffStillBoundsTheCost(t *testing.T) {
	i := benchmark.Named("ft10")
	a := exact.Solve(t.Context(), i.Problem, 2_000)
	require.Equal(t, exact.Unknown, a.Status)
	require.LessOrEqual(t, a.Nodes, 2_000)
	require.LessOrEqual(t, a.Bound/i.Scale, i.Best)
	require.Greater(t, a.Bound/i.Scale, int64(808), "more than the one-machine bound")
	require.GreaterOrEqual(t, i.Cost(a.Score), i.Best)
	requireValid(t, i.Problem, a)
}

func TestTheSameProblemGivesTheSameAnswer(t *testing.T) {
	p := benchmark.Named("la03").Problem
	require.Equal(t, exact.Solve(t.Context(), p, nodes), exact.Solve(t.Context(), p, nodes))
}

// pruneThenSpray is a spray at most a day after pruning that must wait two days.
func pruneThenSpray() *model.Problem {
	const day = 1440
	job := model.Job{
		Site: model.None, Mix: model.None, Deadline: 10 * day, SkipWeight: 1,
		Ways: []model.Way{{Station: model.None, Duration: 60}},
	}
	return &model.Problem{
		Horizon: 10 * day, Days: []model.Minute{0}, Jobs: []model.Job{job, job, job},
		Lags: []model.Lag{
			{From: 0, To: 2, FromEnd: true},
			{From: 0, To: 1, FromEnd: true, Least: 2 * day},
			{From: 1, To: 0, ToEnd: true, Least: -day},
		},
	}
}

func TestLagsThatContradictEachOtherAreNamed(t *testing.T) {
	p := pruneThenSpray()
	require.Equal(t, []model.Lag{p.Lags[1], p.Lags[2]}, inTurn(exact.PositiveCycle(p)))
	require.Equal(t, exact.Infeasible, exact.Solve(t.Context(), p, nodes).Status)

	p.Lags[2].Least = -2 * 1440
	require.Nil(t, exact.PositiveCycle(p))
	require.Equal(t, exact.Optimal, exact.Solve(t.Context(), p, nodes).Status)
}

// inTurn begins a cycle with its lag from the first job.
func inTurn(cycle []model.Lag) []model.Lag {
	for i, lag := range cycle {
		if lag.From == 0 {
			return append(cycle[i:len(cycle):len(cycle)], cycle[:i]...)
		}
	}
	return cycle
}

func TestOnlyPlainProblemsFit(t *testing.T) {
	fits := func(change func(p *model.Problem)) bool {
		p := pruneThenSpray()
		p.Stations = []model.Station{{Holds: model.None, Rinses: model.None}}
		p.Spaces = []model.Space{{}}
		p.People = []model.Person{{Shifts: []model.Shift{{Span: model.Span{To: p.Horizon}, Overtime: p.Horizon}}}}
		change(p)
		return exact.Fits(p)
	}
	require.True(t, fits(func(*model.Problem) {}))
	require.True(t, fits(func(p *model.Problem) { p.Jobs[0].Manned, p.Jobs[0].People = true, []int32{0} }))
	require.True(t, fits(func(p *model.Problem) { p.Jobs[0].Windows = []model.Span{{From: 5, To: 500}} }))
	for name, change := range map[string]func(p *model.Problem){
		"two ways":    func(p *model.Problem) { p.Jobs[0].Ways = append(p.Jobs[0].Ways, model.Way{Duration: 9}) },
		"a mix":       func(p *model.Problem) { p.Jobs[0].Mix = 0 },
		"two windows": func(p *model.Problem) { p.Jobs[0].Windows = []model.Span{{To: 90}, {From: 200, To: 300}} },
		"two people":  func(p *model.Problem) { p.Jobs[0].Manned, p.Jobs[0].People = true, []int32{0, 1} },
		"a closed house": func(p *model.Problem) {
			p.Jobs[0].Occupies = []model.Occupation{{Closure: model.None}}
			p.Spaces[0].Closed = []model.Span{{From: 5, To: 10}}
		},
		"opening hours": func(p *model.Problem) {
			p.Jobs[0].Ways[0].Station = 0
			p.Stations[0].Open = []model.Span{{From: 60, To: 600}}
		},
		"a shift": func(p *model.Problem) {
			p.Jobs[0].Manned, p.Jobs[0].People = true, []int32{0}
			p.People[0].Shifts[0].To = 600
		},
		"a way between sites": func(p *model.Problem) { p.Travel = [][]model.Minute{{0, 5}, {5, 0}} },
		"a promise":           func(p *model.Problem) { p.Jobs[0].Told = &model.Told{Weight: 1} },
	} {
		require.False(t, fits(change), name)
	}
}

func TestAProblemThatDoesNotFitIsLeftAlone(t *testing.T) {
	p := pruneThenSpray()
	p.Mixes = []model.Mix{{}}
	p.Jobs[0].Mix = 0
	require.Equal(t, exact.Answer{}, exact.Solve(t.Context(), p, nodes))
}

func TestASearchThatNobodyWaitsForKnowsNothing(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	require.Equal(t, exact.Answer{}, exact.Solve(ctx, benchmark.Named("ft06").Problem, nodes))
}
