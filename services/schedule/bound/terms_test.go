package bound_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

const (
	hour = model.Minute(60)
	day  = 24 * hour
)

// nursery is two days with one applicator from 7 to 11 and from 12 to 16, overtime
// from 15, one sprayer and one house with working hours from 6 to 18.
func nursery(jobs ...model.Job) *model.Problem {
	p := &model.Problem{
		Horizon:  2 * day,
		Days:     []model.Minute{0, day},
		People:   []model.Person{{Name: "first applicator"}},
		Stations: []model.Station{{Name: "backpack", Holds: model.None, Rinses: model.None}},
		Spaces:   []model.Space{{Name: "house 1"}},
		Mixes:    []model.Mix{{Name: "first"}, {Name: "second"}},
		Jobs:     jobs,
	}
	for _, from := range p.Days {
		p.People[0].Shifts = append(p.People[0].Shifts,
			model.Shift{Span: model.Span{From: from + 7*hour, To: from + 11*hour}, Overtime: from + 11*hour},
			model.Shift{Span: model.Span{From: from + 12*hour, To: from + 16*hour}, Overtime: from + 15*hour},
		)
		p.Spaces[0].Working = append(p.Spaces[0].Working, model.Span{From: from + 6*hour, To: from + 18*hour})
	}
	return p
}

// job is one that the applicator does by hand.
func job(length model.Minute) model.Job {
	return model.Job{
		Site: model.None, Mix: model.None, Manned: true, People: []int32{0},
		Ways: []model.Way{{Station: model.None, Duration: length}}, Deadline: 2 * day, Due: 2 * day, SkipWeight: 10,
	}
}

// spray is one with the sprayer.
func spray(length model.Minute, mix int32, volume int64) model.Job {
	j := job(length)
	j.Ways[0].Station, j.Mix, j.Volume = 0, mix, volume
	return j
}

func of(t *testing.T, p *model.Problem) bound.Bounds {
	t.Helper()
	require.NoError(t, p.Validate())
	b, err := bound.Of(t.Context(), p)
	require.NoError(t, err)
	return b
}

func TestAProblemWithoutCostHasNothingButZero(t *testing.T) {
	b := of(t, nursery(job(hour)))
	require.Zero(t, b.Total)
	require.Equal(t, bound.Zero, b.By)
	for _, term := range b.Terms {
		require.Equal(t, bound.Term{By: bound.Zero}, term)
	}
}

func TestAJobLongerThanAnyShiftMustStayOut(t *testing.T) {
	require.Equal(t, int64(10), of(t, nursery(job(5*hour), job(4*hour))).Skipped)
}

func TestAJobThatNobodyMayDoTakesThoseThatNeedItWithIt(t *testing.T) {
	nobody, needs := job(hour), job(hour)
	nobody.People = nil
	needs.Needs, needs.SkipWeight = []int32{0}, 7
	require.Equal(t, int64(17), of(t, nursery(nobody, needs, job(hour))).Skipped)
}

func TestOfJobsWhoseLagsContradictEachOtherTheLightestIsLeftOut(t *testing.T) {
	first, second := job(hour), job(hour)
	first.SkipWeight, second.SkipWeight = 10, 4
	first.Due, first.LateWeight = 0, 1
	second.Due, second.LateWeight = 0, 1
	p := nursery(first, second)
	p.Lags = []model.Lag{{From: 0, To: 1, FromEnd: true, Least: 5}, {From: 1, To: 0, ToEnd: true, Least: 5}}
	b := of(t, p)
	require.Equal(t, int64(4), b.Skipped)
	require.Equal(t, int64(8*hour), b.Terms[model.Late].Value, "only the heavier surely is there")
}

func TestLatenessFollowsLagsIntoTheNextShift(t *testing.T) {
	first, second := job(2*hour), job(hour)
	second.Due, second.LateWeight = 10*hour, 3
	p := nursery(first, second)
	// From 9 at the earliest; two hours later the morning is over.
	p.Lags = []model.Lag{{From: 0, To: 1, FromEnd: true, Least: 2 * hour}}
	b := of(t, p)
	require.Equal(t, int64(3*3*hour), b.Terms[model.Late].Value)
	require.Equal(t, "earliest end of each job", b.Terms[model.Late].By)
}

func TestWorkThatIsTooLongInHeatWaitsForTheCool(t *testing.T) {
	p := nursery(job(3 * hour))
	p.Jobs[0].LateWeight, p.Jobs[0].Due, p.Jobs[0].Release = 1, 11*hour, 8*hour
	p.Jobs[0].Hot = []model.Span{{From: 10 * hour, To: 17 * hour}}
	require.Zero(t, of(t, p).Total, "nobody has a limit")
	p.People[0].MaxProtected = 59
	require.Equal(t, int64(day-hour), of(t, p).Total, "from 7 to 10 on the second day")
	p.People[0].MaxProtected = hour
	require.Zero(t, of(t, p).Total)
}

func TestWaitingCountsFromTheRelease(t *testing.T) {
	j := job(hour)
	j.Release, j.WaitWeight = 5*hour, 2
	require.Equal(t, int64(2*2*hour), of(t, nursery(j)).Terms[model.Waiting].Value)
}

func TestJobsThatAreDueTogetherCannotAllBeInTime(t *testing.T) {
	var jobs []model.Job
	for range 4 {
		j := job(hour)
		j.Due, j.LateWeight = 8*hour, 1_000_000
		jobs = append(jobs, j)
	}
	late := of(t, nursery(jobs...)).Terms[model.Late]
	// One is in time, the others are one, two and three hours late.
	require.LessOrEqual(t, late.Value, int64(6*hour)*1_000_000)
	require.GreaterOrEqual(t, late.Value, int64(5*hour)*1_000_000)
	require.Equal(t, "prices of busy hours", late.By)
}

func TestLatenessAndWaitingOfDifferentJobsCompeteForTheSameHours(t *testing.T) {
	late, waiting := job(2*hour), job(2*hour)
	late.Due, late.LateWeight = 9*hour, 1_000_000
	waiting.Release, waiting.WaitWeight = 7*hour, 1_000_000
	b := of(t, nursery(late, waiting))
	require.Zero(t, b.Terms[model.Late].Value+b.Terms[model.Waiting].Value)
	require.LessOrEqual(t, b.Total, int64(2*hour)*1_000_000)
	require.GreaterOrEqual(t, b.Total, int64(hour)*1_000_000)
	require.Contains(t, b.By, "together")
}

func closing(length, tail model.Minute, closure int32) model.Job {
	j := job(length)
	j.Occupies = []model.Occupation{{Exclusive: true, Tail: tail, Closure: closure}}
	return j
}

func TestAClosureInTheEveningStillCostsTheWorkAndTheRestOfTheDay(t *testing.T) {
	p := nursery(closing(hour, 8*hour, model.None))
	p.Spaces[0].ClosedWeight = 5
	// The latest end is 16; the house is closed until midnight.
	require.Equal(t, int64(5*3*hour), of(t, p).Terms[model.Closed].Value)
}

func TestClosuresAddUpUnlessTheyAreShared(t *testing.T) {
	p := nursery(closing(hour, 8*hour, 0), closing(2*hour, 8*hour, 0), closing(hour, 8*hour, model.None))
	p.Spaces[0].ClosedWeight = 1
	require.Equal(t, int64((4+3)*hour), of(t, p).Terms[model.Closed].Value)
}

func TestLeftoverIsWhatTheGraduationCannotMeasure(t *testing.T) {
	p := nursery(spray(hour, 0, 7_300))
	p.Weights.Leftover = 1
	p.Stations[0].Tank, p.Stations[0].SmallestLoad, p.Stations[0].Graduation = 5_000, 1_000, 500
	require.Equal(t, int64(200), of(t, p).Terms[model.Leftover].Value)
}

func TestJobsThatCanShareALoadLeaveLessThanEachAlone(t *testing.T) {
	p := nursery(spray(hour, 0, 300), spray(hour, 0, 300), spray(hour, 1, 300))
	p.Weights.Leftover = 1
	p.Stations[0].Tank, p.Stations[0].SmallestLoad, p.Stations[0].Graduation = 5_000, 500, 100
	require.Equal(t, int64(600), of(t, p).Terms[model.Leftover].Value, "a mix without life is not kept")

	p.Mixes[0].Life = 3 * hour
	require.Equal(t, int64(200), of(t, p).Terms[model.Leftover].Value)
}

func TestAJobThatMayStayOutMayAlsoUseUpWhatIsLeft(t *testing.T) {
	light := spray(hour, 0, 200)
	light.SkipWeight = 1
	p := nursery(spray(hour, 0, 300), light, job(hour))
	p.Weights.Leftover = 1
	p.Stations[0].Tank, p.Stations[0].SmallestLoad, p.Stations[0].Graduation = 5_000, 1_000, 100
	p.Mixes[0].Life = 3 * hour
	require.Equal(t, int64(500), of(t, p).Terms[model.Leftover].Value)

	p.Jobs[2].SkipWeight = 1
	p.Lags = []model.Lag{{From: 1, To: 2, FromEnd: true, Least: 1}, {From: 2, To: 1, ToEnd: true, Least: 1}}
	require.Zero(t, of(t, p).Terms[model.Leftover].Value)
}

func TestEachMixIsRinsedForUnlessTheSprayerHeldIt(t *testing.T) {
	rinse, none := model.Rinse{Minutes: 10, Volume: 2_000}, model.Rinse{}
	p := nursery(spray(hour, 0, 0), spray(hour, 0, 0), spray(hour, 1, 0))
	p.Weights.Rinse, p.Weights.RinseVolume = 1_000, 1
	p.Rinses = []model.RinseTable{{{none, none}, {none, rinse}, {rinse, none}}}
	p.Stations[0].Rinses = 0
	// A clean sprayer helps one of the two mixes.
	require.Equal(t, int64(3_000), of(t, p).Terms[model.Rinsing].Value)

	p.Rinses[0][0] = []model.Rinse{rinse, rinse}
	require.Equal(t, int64(6_000), of(t, p).Terms[model.Rinsing].Value)
}

func TestOvertimeIsForcedByAWindowOrByTooMuchWork(t *testing.T) {
	j := job(2 * hour)
	j.Windows = []model.Span{{From: 13*hour + 30, To: 16 * hour}}
	p := nursery(j)
	p.Weights.Overtime = 1
	require.Equal(t, int64(30), of(t, p).Terms[model.Overtime].Value)

	// Fourteen regular hours in two days.
	p = nursery(job(4*hour), job(4*hour), job(4*hour), job(3*hour))
	p.Weights.Overtime = 1
	overtime := of(t, p).Terms[model.Overtime]
	require.Equal(t, int64(hour), overtime.Value)
	require.Equal(t, "work beyond all regular hours", overtime.By)
}

func TestWhatCannotStandAsItWasToldIsAChange(t *testing.T) {
	told := func(start model.Minute) model.Job {
		j := job(hour)
		j.Told = &model.Told{Start: start, Person: 0, Way: 0, Tolerance: 15, Weight: 100}
		return j
	}
	require.Zero(t, of(t, nursery(told(8*hour))).Terms[model.Change].Value)
	require.Zero(t, of(t, nursery(told(10*hour+10))).Terms[model.Change].Value, "ten minutes earlier is within the tolerance")
	require.Equal(t, int64(100), of(t, nursery(told(11*hour))).Terms[model.Change].Value)

	gone := told(8 * hour)
	gone.People = nil
	require.Equal(t, int64(100), of(t, nursery(gone)).Terms[model.Change].Value, "leaving it out is a change")
}

func TestTheEndOfWorkCountsTheHoursOfAllPeople(t *testing.T) {
	p := nursery(job(4*hour), job(4*hour), job(4*hour))
	p.Weights.Finish = 1
	finish := of(t, p).Terms[model.Finish]
	require.Equal(t, int64(day+11*hour), finish.Value)
	require.Equal(t, "work of first applicator", finish.By)
}

func TestWhatAPlanLeavesOutIsNotCounted(t *testing.T) {
	first, second := job(hour), job(hour)
	first.Release, first.WaitWeight = 0, 1
	second.Release, second.WaitWeight = 6*hour, 1
	p := nursery(first, second)
	plan := model.Plan{{}, {Placed: true, Start: 8 * hour}}
	b, err := bound.Leaving(t.Context(), p, plan)
	require.NoError(t, err)
	require.Equal(t, int64(10), b.Skipped)
	require.Equal(t, int64(hour), b.Terms[model.Waiting].Value)
}

func TestWorkThatDoesNotFitIntoTheHoursIsAnOverload(t *testing.T) {
	var jobs []model.Job
	for range 6 {
		jobs = append(jobs, job(4*hour))
	}
	b := of(t, nursery(jobs...))
	require.Zero(t, b.Skipped, "each alone would fit")
	// Four of six fit into two mornings and two afternoons.
	require.LessOrEqual(t, b.Overload, int64(20))
	require.GreaterOrEqual(t, b.Overload, int64(19))
}
