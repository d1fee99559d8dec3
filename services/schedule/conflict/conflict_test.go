package conflict_test

import (
	"context"
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/bruteforce"
	"velamen/services/schedule/conflict"
	"velamen/services/schedule/model"
)

// clock writes a moment as day and time of a plan that begins at midnight.
func clock(m model.Minute) string {
	day := m / 1440
	if m < 0 {
		day = (m - 1439) / 1440
	}
	rest := m - day*1440
	return fmt.Sprintf("day %d %02d:%02d", day+1, rest/60, rest%60)
}

// nursery has a plan of two days, in which Ana and Bo work from 07:00 to 15:00.
func nursery(jobs ...model.Job) *model.Problem {
	shifts := []model.Shift{
		{Span: model.Span{From: 420, To: 900}, Overtime: 900},
		{Span: model.Span{From: 1860, To: 2340}, Overtime: 2340},
	}
	return &model.Problem{
		Horizon: 2880,
		Days:    []model.Minute{0, 1440},
		People:  []model.Person{{Name: "Ana", Shifts: shifts}, {Name: "Bo", Shifts: shifts}},
		Stations: []model.Station{
			{Name: "the cart", Tank: 100_000, SmallestLoad: 20_000, Graduation: 5_000, Holds: model.None, Rinses: model.None},
		},
		Spaces: []model.Space{{Name: "house 1"}},
		Pools:  []model.Pool{{Name: "trolleys", Capacity: 2}},
		Mixes:  []model.Mix{{Name: "copper", Life: 240}},
		Jobs:   jobs,
	}
}

// work is done by hand, by Ana or Bo, at any time of the plan.
func work(name string, minutes model.Minute) model.Job {
	return model.Job{
		Name: name, Site: model.None, Mix: model.None, Ways: []model.Way{{Station: model.None, Duration: minutes}},
		Manned: true, People: []int32{0, 1}, Deadline: 2880, Due: 2880, SkipWeight: 1,
	}
}

// all are the indexes of all jobs.
func all(p *model.Problem) []int32 {
	var jobs []int32
	for i := range p.Jobs {
		jobs = append(jobs, int32(i))
	}
	return jobs
}

// only is the one conflict of a problem, which is certain and from which nothing can
// be taken away.
func only(t *testing.T, p *model.Problem) conflict.Conflict {
	t.Helper()
	require.NoError(t, p.Validate())
	conflicts := conflict.Explain(t.Context(), p, all(p), clock)
	require.Len(t, conflicts, 1)
	require.True(t, conflicts[0].Proven)
	require.True(t, conflicts[0].Minimal)
	return conflicts[0]
}

func kinds(c conflict.Conflict) []conflict.Kind {
	var kinds []conflict.Kind
	for _, r := range c.Requirements {
		kinds = append(kinds, r.Kind)
	}
	return kinds
}

func TestJobsThatFitNeedNoExplanation(t *testing.T) {
	p := nursery(work("prune roses", 480), work("prune ferns", 480))
	require.Empty(t, conflict.Explain(t.Context(), p, all(p), clock))
}

func TestAJobLongerThanAnyShiftIsExplained(t *testing.T) {
	c := only(t, nursery(work("prune roses", 500)))
	require.Equal(t, []int32{0}, c.Jobs)
	require.Equal(t, "prune roses cannot be planned. Ana works in 2 shifts, the longest of 8 h. Bo works in 2 shifts, the longest of 8 h. "+
		"Only Ana and Bo may do prune roses. prune roses takes 8 h 20 min. It would help if Ana worked 20 min longer.", c.Text)
	require.Equal(t, conflict.LongerShift, c.Fix.Change)
	require.Equal(t, model.Minute(20), c.Fix.Minutes)
}

func TestAJobThatNobodyMayDoIsExplained(t *testing.T) {
	job := work("spray roses", 60)
	job.People = nil
	c := only(t, nursery(job))
	require.Equal(t, "spray roses cannot be planned. Nobody may do spray roses. spray roses takes 1 h. "+
		"It would help if Ana were allowed to do spray roses.", c.Text)
}

func TestATankSmallerThanTheSmallestLoadIsExplained(t *testing.T) {
	job := work("spray roses", 60)
	job.Mix, job.Volume, job.Ways = 0, 30_000, []model.Way{{Station: 0, Duration: 60}}
	p := nursery(job)
	p.Stations[0].SmallestLoad = 120_500
	require.Equal(t, "spray roses cannot be planned. The tank of the cart holds 100 L in steps of 5 L, and its smallest load is 120.5 L. "+
		"spray roses takes 1 h. It would help if the cart could make a load of 100 L, or had a larger tank.", only(t, p).Text)
}

func TestAPinOutsideAllShiftsIsExplained(t *testing.T) {
	job := work("prune roses", 60)
	job.People = []int32{0}
	job.Pin = &model.Pin{Start: 400, Person: model.None, Way: model.None}
	c := only(t, nursery(job))
	require.Equal(t, []conflict.Kind{conflict.Shifts, conflict.Permitted, conflict.Pin, conflict.Done}, kinds(c))
	require.Contains(t, c.Text, "prune roses is pinned to start at day 1 06:40.")
	require.Contains(t, c.Text, "It would help to drop the pin of prune roses.")
}

func TestTwoPinsOfOnePersonThatContradictEachOtherAreExplained(t *testing.T) {
	roses, ferns := work("prune roses", 60), work("prune ferns", 60)
	roses.Pin = &model.Pin{Start: 480, Person: 0, Way: model.None}
	ferns.Pin = &model.Pin{Start: 510, Person: 0, Way: model.None}
	c := only(t, nursery(roses, ferns))
	require.Equal(t, "prune roses and prune ferns cannot both be planned. Ana does one job at a time. "+
		"prune roses is pinned to start at day 1 08:00 and to Ana. prune ferns is pinned to start at day 1 08:30 and to Ana. "+
		"prune roses takes 1 h. prune ferns takes 1 h. It would help to drop the pin of prune roses.", c.Text)
}

func TestAPinToSomebodyWhoMayNotDoTheJobIsExplained(t *testing.T) {
	job := work("spray roses", 60)
	job.People = []int32{0}
	job.Pin = &model.Pin{Start: model.None, Person: 1, Way: model.None}
	c := only(t, nursery(job))
	require.Equal(t, []conflict.Kind{conflict.Permitted, conflict.Pin, conflict.Done}, kinds(c))
	require.Equal(t, conflict.DropPin, c.Fix.Change)
}

func TestAPinInAClosedHouseIsExplained(t *testing.T) {
	job := work("prune roses", 60)
	job.Occupies = []model.Occupation{{Space: 0, Closure: model.None}}
	job.Pin = &model.Pin{Start: 480, Person: model.None, Way: model.None}
	p := nursery(job)
	p.Spaces[0].Closed = []model.Span{{From: 0, To: 600}}
	c := only(t, p)
	require.Equal(t, []conflict.Kind{conflict.Closed, conflict.Pin, conflict.Done}, kinds(c))
	require.Contains(t, c.Text, "Nobody may work in house 1 from day 1 00:00 to day 1 10:00.")
}

func TestAWindowInThePastIsExplained(t *testing.T) {
	job := work("prune roses", 60)
	job.Release, job.Deadline = -2000, -100
	c := only(t, nursery(job))
	require.Equal(t, []conflict.Kind{conflict.Deadline, conflict.Done}, kinds(c))
	require.Contains(t, c.Text, "prune roses had to end by day 0 22:20, before the plan begins.")
	require.Equal(t, conflict.LaterDeadline, c.Fix.Change)
	// Ana begins at 07:00 of the first day and ends the job at 08:00.
	require.Equal(t, model.Minute(580), c.Fix.Minutes)
}

func TestAWindowShorterThanTheJobIsExplained(t *testing.T) {
	job := work("prune roses", 90)
	job.Windows = []model.Span{{From: 480, To: 540}}
	c := only(t, nursery(job))
	require.Equal(t, []conflict.Kind{conflict.Windows, conflict.Done}, kinds(c))
	require.Equal(t, model.Minute(15), c.Fix.Minutes)
}

func TestIntervalsThatFormACircleAreExplainedJobByJob(t *testing.T) {
	systemic, contact := work("systemic", 60), work("contact", 60)
	p := nursery(systemic, contact)
	p.Lags = []model.Lag{
		{From: 0, To: 1, FromEnd: true, Least: 600},
		{From: 1, To: 0, Least: -480},
	}
	c := only(t, p)
	require.Equal(t, []conflict.Kind{conflict.Interval, conflict.Interval, conflict.Done, conflict.Done}, kinds(c))
	// Ana works for eight hours: contact starts at 14:00, 6 h after systemic ends.
	require.Equal(t, "systemic and contact cannot both be planned. contact must start no earlier than 10 h after systemic ends. "+
		"contact must start no later than 8 h after systemic starts. systemic takes 1 h. contact takes 1 h. "+
		"Going round, these intervals ask for 3 h more than there can be. "+
		"It would help if the shortest interval between systemic and contact were 4 h shorter, where the label allows it.", c.Text)
}

func TestAChainOfIntervalsThatEndsTooLateIsExplained(t *testing.T) {
	jobs := []model.Job{}
	p := nursery()
	for i := range 12 {
		jobs = append(jobs, work(fmt.Sprintf("step %d", i+1), 10))
		if i > 0 {
			p.Lags = append(p.Lags, model.Lag{From: int32(i - 1), To: int32(i), Least: 100})
		}
	}
	p.Jobs = jobs
	p.Jobs[3].Deadline = 600
	c := only(t, p)
	require.Equal(t, []int32{1, 2, 3}, c.Jobs)
	require.Contains(t, c.Text, "step 4 must end by day 1 10:00.")
	require.Equal(t, conflict.LaterDeadline, c.Fix.Change)
	// The fix is one for the whole chain: step 1 starts at 07:00, step 4 ends at 12:10.
	require.Equal(t, model.Minute(130), c.Fix.Minutes)
}

func TestTwoJobsThatFitAloneAndNotTogetherAreExplained(t *testing.T) {
	roses, ferns := work("spray roses", 300), work("spray ferns", 300)
	for _, job := range []*model.Job{&roses, &ferns} {
		job.Ways = []model.Way{{Station: 0, Duration: 300}}
		job.Deadline = 900
	}
	c := only(t, nursery(roses, ferns))
	require.Equal(t, []int32{0, 1}, c.Jobs)
	require.Contains(t, kinds(c), conflict.OneSprayer)
	require.Contains(t, c.Text, "spray roses and spray ferns cannot both be planned.")
	require.Contains(t, c.Text, "the cart does one job at a time.")
	require.NotNil(t, c.Fix)
}

func TestMoreWorkThanOnePersonHasHoursIsExplained(t *testing.T) {
	p := nursery()
	for i := range 9 {
		job := work(fmt.Sprintf("prune bench %d", i+1), 60)
		job.People, job.Deadline = []int32{0}, 1440
		p.Jobs = append(p.Jobs, job)
	}
	c := only(t, p)
	require.Len(t, c.Jobs, 9)
	require.Contains(t, kinds(c), conflict.OnePerson)
	require.Contains(t, c.Text, "prune bench 1, prune bench 2, prune bench 3, prune bench 4, prune bench 5 and 4 others cannot all be planned.")
	require.Equal(t, conflict.LongerShift, c.Fix.Change)
	require.Equal(t, model.Minute(60), c.Fix.Minutes)
}

// Each two of three sprays fit between 07:00 and 11:00 with the rinse between them. All
// three do not, which shows in no sum of hours: the first needs no rinse.
func TestThreeJobsInEachOthersWayAreExplainedAmongMany(t *testing.T) {
	p := nursery()
	for i := range 12 {
		p.Jobs = append(p.Jobs, work(fmt.Sprintf("prune bench %d", i+1), 10))
	}
	p.Mixes = []model.Mix{{Name: "copper"}, {Name: "oil"}, {Name: "soap"}}
	rinse := model.Rinse{Minutes: 40}
	p.Rinses = []model.RinseTable{{{{}, {}, {}}, {{}, rinse, rinse}, {rinse, {}, rinse}, {rinse, rinse, {}}}}
	p.Stations[0].Rinses = 0
	for mix, name := range []string{"spray roses", "spray ferns", "spray ivy"} {
		job := work(name, 60)
		job.Mix, job.Volume, job.Ways, job.Deadline = int32(mix), 30_000, []model.Way{{Station: 0, Duration: 60}}, 660
		p.Jobs = append(p.Jobs, job)
	}
	conflicts := conflict.Explain(t.Context(), p, []int32{13}, clock)
	require.Len(t, conflicts, 1)
	require.True(t, conflicts[0].Proven)
	require.Equal(t, []int32{12, 13, 14}, conflicts[0].Jobs)
	require.Contains(t, kinds(conflicts[0]), conflict.Preparing)
	// Two rinses and three hours are 4 h 20 min, and the plan begins before the shift.
	require.Equal(t, conflict.LaterDeadline, conflicts[0].Fix.Change)
	require.Equal(t, model.Minute(20), conflicts[0].Fix.Minutes)
}

func TestOnlyTheJobsThatAreAskedForAreExplained(t *testing.T) {
	p := nursery(work("prune roses", 500), work("prune ferns", 501))
	conflicts := conflict.Explain(t.Context(), p, []int32{1}, clock)
	require.Len(t, conflicts, 1)
	require.Equal(t, []int32{1}, conflicts[0].Jobs)
}

func TestAJobIsExplainedByThePinnedJobThatTakesItsPlace(t *testing.T) {
	pinned, left := work("prune roses", 480), work("prune ferns", 60)
	pinned.Pin = &model.Pin{Start: 420, Person: 0, Way: model.None}
	left.People, left.Deadline = []int32{0}, 1440
	conflicts := conflict.Explain(t.Context(), nursery(pinned, left), []int32{1}, clock)
	require.Len(t, conflicts, 1)
	require.Equal(t, []int32{0, 1}, conflicts[0].Jobs)
	require.Equal(t, conflict.DropPin, conflicts[0].Fix.Change)
}

func TestAJobWithoutWhatItNeedsIsExplainedByWhatHindersThat(t *testing.T) {
	long, after := work("clean benches", 500), work("prune roses", 60)
	after.Needs = []int32{0}
	conflicts := conflict.Explain(t.Context(), nursery(long, after), []int32{1}, clock)
	require.Len(t, conflicts, 1)
	require.Equal(t, []int32{0}, conflicts[0].Jobs)
}

// The cart holds oil, after which copper needs a long rinse and soap none. Alone, copper
// comes too late; after soap it needs no rinse.
func TestAJobThatFitsOnlyAfterAnotherIsNotSaidToFitNowhere(t *testing.T) {
	copper, soap := work("spray roses", 60), work("wash benches", 30)
	for mix, job := range []*model.Job{&copper, &soap} {
		job.Mix, job.Volume, job.Ways, job.Deadline = int32(mix), 30_000, []model.Way{{Station: 0, Duration: job.Ways[0].Duration}}, 540
	}
	p := nursery(copper, soap)
	p.Mixes = []model.Mix{{Name: "copper"}, {Name: "soap"}, {Name: "oil"}}
	p.Stations[0].Holds, p.Stations[0].Rinses = 2, 0
	p.Rinses = []model.RinseTable{{{{}, {}, {}}, {{}, {}, {}}, {{}, {}, {}}, {{Minutes: 90}, {}, {}}}}
	require.NoError(t, p.Validate())
	require.Empty(t, conflict.Explain(t.Context(), p, []int32{0}, clock))

	p.Jobs[1].People = nil
	conflicts := conflict.Explain(t.Context(), p, []int32{0}, clock)
	require.Len(t, conflicts, 1)
	require.True(t, conflicts[0].Proven, "nobody may wash benches, so that nothing can come before")
	require.Contains(t, kinds(conflicts[0]), conflict.Preparing)
}

// From house 1 to house 3 it takes an hour, by house 2 ten minutes and the work there.
func TestAWayThatWorkBetweenMakesShorterIsNoReason(t *testing.T) {
	p := nursery(work("prune roses", 60), work("prune ivy", 10), work("prune ferns", 60))
	p.Travel = [][]model.Minute{{0, 5, 60}, {5, 0, 5}, {60, 5, 0}}
	for site := range p.Jobs {
		p.Jobs[site].Site, p.Jobs[site].People, p.Jobs[site].Deadline = int32(site), []int32{0}, 570
	}
	require.NoError(t, p.Validate())
	require.Empty(t, conflict.Explain(t.Context(), p, all(p), clock))

	p.Jobs[1].People = nil
	conflicts := conflict.Explain(t.Context(), p, []int32{0, 2}, clock)
	require.Len(t, conflicts, 1)
	require.True(t, conflicts[0].Proven)
	require.Contains(t, kinds(conflicts[0]), conflict.Travel)
}

func TestTimesAreMinutesWithoutAClock(t *testing.T) {
	job := work("prune roses", 60)
	job.Deadline = 30
	conflicts := conflict.Explain(t.Context(), nursery(job), []int32{0}, nil)
	require.Contains(t, conflicts[0].Text, "prune roses must end by minute 30.")
}

// benches are forty jobs, of which ten fit into each of four shifts: too many to settle.
func benches() *model.Problem {
	p := nursery()
	for i := range 40 {
		p.Jobs = append(p.Jobs, work(fmt.Sprintf("prune bench %d", i+1), 45))
	}
	return p
}

func TestWhatWasNotProvenIsNotClaimed(t *testing.T) {
	p := benches()
	conflicts := conflict.Explain(t.Context(), p, all(p), clock)
	require.Len(t, conflicts, 1)
	require.False(t, conflicts[0].Proven)
	require.Nil(t, conflicts[0].Fix)
	require.Contains(t, conflicts[0].Text, "Whether there is a plan with all of this was not settled within the limit of the search.")
}

func TestAJobWhosePlaceTheOthersTakeIsSaidToFitWithoutThem(t *testing.T) {
	conflicts := conflict.Explain(t.Context(), benches(), []int32{39}, clock)
	require.Len(t, conflicts, 1)
	require.Equal(t, []int32{39}, conflicts[0].Jobs)
	require.False(t, conflicts[0].Proven)
	require.Contains(t, conflicts[0].Text, "Without the other jobs there is a place for all of this, so the others take it.")
}

func TestWhatIsNotFinishedInTimeIsNotTakenForAnAnswer(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	p := nursery(work("prune roses", 60))
	conflicts := conflict.Explain(ctx, p, all(p), clock)
	require.Len(t, conflicts, 1)
	require.False(t, conflicts[0].Proven)
}

func TestNothingAskedIsNothingExplained(t *testing.T) {
	require.Empty(t, conflict.Explain(t.Context(), nursery(work("prune roses", 500)), nil, clock))
}

func TestTheSameQuestionHasTheSameAnswer(t *testing.T) {
	for seed := range uint64(20) {
		p := bruteforce.Random(seed, 5)
		require.Equal(t, conflict.Explain(t.Context(), p, all(p), clock), conflict.Explain(t.Context(), p, all(p), clock))
	}
}

func TestAJobThatIsTooLongInHeatIsExplained(t *testing.T) {
	job := work("prune roses", 240)
	job.People = []int32{0}
	job.Hot = []model.Span{{From: 530, To: 1860}, {From: 1960, To: 2880}}
	p := nursery(job)
	p.People[0].MaxProtected = 120
	require.Contains(t, only(t, p).Text, "Ana may be in protective equipment or heat for 2 h a day.")
	p.Jobs[0].Hot[0].From = 540
	require.Empty(t, conflict.Explain(t.Context(), p, all(p), clock), "from 07:00 on the first day it is cool for two hours")
}

func TestTwoJobsOfWhichOneMustWaitForTheCoolAreNoConflict(t *testing.T) {
	prune, spray := work("prune roses", 120), work("spray roses", 60)
	spray.Protected = true
	prune.People, spray.People = []int32{0}, []int32{0}
	prune.Deadline, spray.Deadline = 1440, 1440
	prune.Hot = []model.Span{{From: 400, To: 560}}
	p := nursery(prune, spray)
	p.People[0].MaxProtected = 70
	require.Empty(t, conflict.Explain(t.Context(), p, all(p), clock), "pruning from 09:10 on leaves ten minutes in heat")
	p.Jobs[0].Hot[0].To = 900
	require.Contains(t, only(t, p).Text, "Ana may be in protective equipment or heat for 1 h 10 min a day.")
}
