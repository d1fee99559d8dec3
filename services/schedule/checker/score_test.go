package checker_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

func cost(t *testing.T, p *model.Problem, plan model.Plan) model.Score {
	t.Helper()
	require.NoError(t, p.Validate())
	score, violations := checker.Check(p, plan)
	require.Empty(t, violations)
	return score
}

func only(term model.Term, cost int64) model.Score {
	var score model.Score
	score.Terms[term] = cost
	return score
}

func TestJobsLeftOutCountTheirWeightsBeforeAllElse(t *testing.T) {
	job := prune("a")
	job.SkipWeight = 7
	require.Equal(t, model.Score{Skipped: 7}, cost(t, nursery(job), model.Plan{{}}))
}

func TestAMinutePastDueCosts(t *testing.T) {
	job := prune("a")
	job.Due, job.LateWeight = 100, 3
	require.Equal(t, only(model.Late, 0), cost(t, nursery(job), model.Plan{by(0, 40)}))
	require.Equal(t, only(model.Late, 6), cost(t, nursery(job), model.Plan{by(0, 42)}))
}

func TestAMinuteFromReleaseToTheStartCosts(t *testing.T) {
	job := prune("a")
	job.Release, job.WaitWeight = 100, 3
	require.Equal(t, only(model.Waiting, 6), cost(t, nursery(job), model.Plan{by(0, 102)}))
}

func TestAClosedWorkingMinuteCostsOnceWhereClosuresOverlap(t *testing.T) {
	p := nursery(in(prune("a"), 0, true, 60, 1), in(prune("b"), 0, true, 60, 1), in(prune("c"), 1, false, 60, 1))
	p.Spaces[0].Working = []model.Span{{From: 10, To: 50}, {From: 150, To: 300}}
	p.Spaces[1].Working = []model.Span{{From: 0, To: 600}}
	p.Spaces[0].ClosedWeight, p.Spaces[1].ClosedWeight = 2, 100
	// House 1 is closed from 0 to 120 and from 60 to 180: working for 40 and 30.
	require.Equal(t, only(model.Closed, 140), cost(t, p, model.Plan{by(0, 0), by(0, 60), by(1, 0)}))
}

func TestWhatIsLeftOverIsWhatASprayerCannotMakeAndMeasure(t *testing.T) {
	for _, c := range []struct {
		name                 string
		tank, smallest, step int64
		volumes              []int64
		fresh                []bool
		left                 int64
	}{
		{"whole graduations", 100, 20, 5, []int64{35}, []bool{true}, 0},
		{"up to the next graduation", 100, 20, 5, []int64{36}, []bool{true}, 4},
		{"at least the smallest load", 100, 20, 5, []int64{3}, []bool{true}, 17},
		{"the smallest load up to a graduation", 100, 21, 5, []int64{3}, []bool{true}, 22},
		{"a job that joins uses what is left", 100, 20, 5, []int64{3, 4}, []bool{true, false}, 13},
		{"two loads of their own", 100, 20, 5, []int64{3, 4}, []bool{true, true}, 33},
		{"a full tank and a small one", 100, 20, 5, []int64{101}, []bool{true}, 4},
		{"two loads that are both more than half", 100, 60, 5, []int64{101}, []bool{true}, 19},
		{"a bath that only full will do", 100, 100, 5, []int64{101}, []bool{true}, 99},
		{"no tank", 0, 0, 0, []int64{3}, []bool{true}, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := nursery()
			p.Weights.Leftover = 1
			p.Stations[0].Tank, p.Stations[0].SmallestLoad, p.Stations[0].Graduation = c.tank, c.smallest, c.step
			plan := model.Plan{}
			for i, volume := range c.volumes {
				job := spray("a", 0)
				job.Volume = volume
				p.Jobs = append(p.Jobs, job)
				placement := fresh(0, model.Minute(10+60*i))
				if placement.NewLoad = c.fresh[i]; i > 0 && c.fresh[i] {
					placement.Start += 10
				}
				plan = append(plan, placement)
			}
			require.Equal(t, only(model.Leftover, c.left), cost(t, p, plan))
		})
	}
}

func TestARinseAndItsWaterCost(t *testing.T) {
	p := nursery(spray("a", 0), spray("b", 1))
	p.Weights.Rinse, p.Weights.RinseVolume = 1_000_000, 2
	require.Equal(t, only(model.Rinsing, 1_010_000), cost(t, p, model.Plan{fresh(0, 10), fresh(0, 100)}))
}

func TestOvertimeCountsFromTheMixing(t *testing.T) {
	p := nursery(spray("a", 0))
	p.Weights.Overtime = 1
	require.Equal(t, only(model.Overtime, 65), cost(t, p, model.Plan{fresh(0, 485)}))
	require.Equal(t, only(model.Overtime, 70), cost(t, p, model.Plan{fresh(0, 495)}))
}

func TestAJobThatIsNotAsPeopleWereToldIsAChange(t *testing.T) {
	job := prune("a")
	job.Told = &model.Told{Start: 100, Person: 0, Way: 0, Tolerance: 10, Weight: 5}
	p := nursery(job)
	for _, kept := range []model.Placement{by(0, 90), by(0, 110)} {
		require.Equal(t, only(model.Change, 0), cost(t, p, model.Plan{kept}))
	}
	for _, moved := range []model.Placement{by(0, 89), by(0, 111), by(1, 100)} {
		require.Equal(t, only(model.Change, 5), cost(t, p, model.Plan{moved}))
	}
	left := only(model.Change, 5)
	left.Skipped = 1
	require.Equal(t, left, cost(t, p, model.Plan{{}}))

	job.Told = &model.Told{Start: 100, Person: model.None, Way: model.None, Weight: 5}
	require.Equal(t, only(model.Change, 0), cost(t, nursery(job), model.Plan{by(1, 100)}))
}

func TestTheEndOfTheLastJobCosts(t *testing.T) {
	p := nursery(prune("a"), prune("b"))
	p.Weights.Finish = 2
	require.Equal(t, only(model.Finish, 320), cost(t, p, model.Plan{by(0, 100), by(1, 0)}))
}
