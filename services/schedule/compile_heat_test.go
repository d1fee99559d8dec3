package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/services/diagnosis"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// hotAfternoon is the air of a house that reaches 32.5 Cel from 11:00 to 16:00.
func hotAfternoon() map[int]diagnosis.HourTemperature {
	usual := map[int]diagnosis.HourTemperature{}
	for hour := range 24 {
		usual[hour] = diagnosis.HourTemperature{Lowest: 1800, Highest: 3249}
	}
	for hour := 11; hour < 16; hour++ {
		usual[hour] = diagnosis.HourTemperature{Lowest: 2400, Highest: 3250}
	}
	return usual
}

// inHeat is a nursery in which pruning waits for Bo, who may be in heat for an hour a day.
func inHeat(t *testing.T) Input {
	t.Helper()
	in := smallNursery(t, pruning("a", 500))
	in.Settings.HeatTemperature = "32.5"
	in.Houses[0].Usual = hotAfternoon()
	in.People = in.People[1:]
	in.People[0].MaxProtectedMinutes = 60
	return in
}

func TestHeatIsTheHoursInWhichAHouseUsuallyReachesTheTemperature(t *testing.T) {
	// Minute 0 is 06:00.
	in := inHeat(t)
	require.Equal(t, []model.Span{{From: 300, To: 600}, {From: 1740, To: 2040}}, modelJob(t, compile(in), "a").Hot, "from 11:00 to 16:00 on both days")
	in.Settings.HeatTemperature = "32.51"
	require.Empty(t, modelJob(t, compile(in), "a").Hot)
	in.Settings.HeatTemperature = "32"
	require.Equal(t, []model.Span{{From: 0, To: 2520}}, modelJob(t, compile(in), "a").Hot, "32.49 is above 32 at all hours")
}

func TestHeatIsNotCountedWithoutATemperatureOrALimit(t *testing.T) {
	in := inHeat(t)
	in.Settings.HeatTemperature = ""
	require.Empty(t, modelJob(t, compile(in), "a").Hot)
	in = inHeat(t)
	in.People[0].MaxProtectedMinutes = 0
	require.Empty(t, modelJob(t, compile(in), "a").Hot)
}

func TestAHotHouseMakesAJobOfSeveralHousesHot(t *testing.T) {
	in := inHeat(t)
	other := in.Work[0].Lots[0]
	other.ID, other.House = "far", "h2"
	in.Work[0].Lots = append(in.Work[0].Lots, other)
	require.Len(t, modelJob(t, compile(in), "a").Hot, 2)
}

func TestAHotAfternoonMovesWorkOfALimitedPersonToTheNextMorning(t *testing.T) {
	in := inHeat(t)
	in.Work[0].Open = sixOClock.Add(4 * time.Hour)
	in.Work[0].Lots[0].Plants = 900
	require.Equal(t, "2027-03-02 07:00", bestStart(t, in), "to 11:40, of which 40 minutes are hot")
	in.People[0].MaxProtectedMinutes = 0
	require.Equal(t, "2027-03-01 10:00", bestStart(t, in), "nobody counts the heat")
}

// bestStart is when the only job of an input begins in its plan.
func bestStart(t *testing.T, in Input) string {
	t.Helper()
	c := compile(in)
	result, err := search.Solve(t.Context(), c.problem, search.Options{Seed: 1, Rounds: 1})
	require.NoError(t, err)
	_, violations := checker.Check(c.problem, result.Plan)
	require.Empty(t, violations)
	require.True(t, result.Plan[0].Placed)
	return c.local(result.Plan[0].Start)
}

func TestAPlanSaysWhereHeatIsNotCountedForWantOfALogger(t *testing.T) {
	in := inHeat(t)
	in.Houses[0].Usual = nil
	c := compile(in)
	require.Empty(t, modelJob(t, c, "a").Hot)
	day := c.writtenDay(model.Plan{{Placed: true, Start: 70}})
	require.Contains(t, day.GetJobs()[0].GetReason(), "No logger tells how hot it is then in House 1: heat there is not counted for Bo.")

	in.Houses[0].Usual = hotAfternoon()
	day = compile(in).writtenDay(model.Plan{{Placed: true, Start: 70}})
	require.NotContains(t, day.GetJobs()[0].GetReason(), "No logger")
}

func TestAJobThatWaitsForTheCoolSaysSo(t *testing.T) {
	in := inHeat(t)
	// 160 minutes; from 15:00 on an hour of them is hot.
	in.Work[0].Open = sixOClock.Add(6 * time.Hour)
	c := compile(in)
	day := c.writtenDay(model.Plan{{Placed: true, Start: 540}})
	require.Equal(t, "Sooner Bo would be in heat for too long: at most 1 hour a day in heat or protective equipment.", day.GetJobs()[0].GetReason())
	day = c.writtenDay(model.Plan{{Placed: true, Start: 541}})
	require.NotContains(t, day.GetJobs()[0].GetReason(), "heat")
}

func TestAJobThatWasToldForWhatIsTooHotNowSaysWhyItMoved(t *testing.T) {
	in := inHeat(t)
	in.Told = []Told{{Job: "a", Start: sixOClock.Add(6 * time.Hour), End: sixOClock.Add(8*time.Hour + 40*time.Minute), Person: "nurseries/n/people/bo"}}
	day := compile(in).writtenDay(model.Plan{{Placed: true, Start: 70}})
	require.Equal(t, "It was told for 2027-03-01 12:00 to Bo. Bo would be in protective equipment or heat for too long that day.", day.GetJobs()[0].GetReason())
}

func TestWhatSomebodyDidBeforeThePlanCountsTowardsTheLimitOfTheDay(t *testing.T) {
	in := inHeat(t)
	in.Now = sixOClock.Add(7 * time.Hour) // 13:00
	in.From, in.Until = planned(in.Now, 2, in.Nursery.Zone)
	noon := sixOClock.Add(6 * time.Hour)
	pruned := &schedulev1.PlannedJob{Houses: []string{"nurseries/n/houses/h1"}}
	sprayed := &schedulev1.PlannedJob{Houses: []string{"nurseries/n/houses/h2"}, Product: "nurseries/n/products/x"}
	in.Begun = []Told{
		{Job: "y", Start: sixOClock.Add(3 * time.Hour), End: sixOClock.Add(3*time.Hour + 10*time.Minute), Person: "bo", As: sprayed},
		{Job: "z", Start: noon.Add(-80 * time.Minute), End: noon.Add(-20 * time.Minute), Person: "bo", As: pruned},
		{Job: "w", Start: noon, End: noon.Add(time.Hour), Person: "ana", As: pruned},
	}
	c := compile(in)
	require.Equal(t, model.Minute(10+40), c.problem.People[0].Worn, "ten minutes of spraying, and what is after 11:00 of the hour of pruning")
	in.People[0].MaxProtectedMinutes = 30
	require.Equal(t, model.Minute(30), compile(in).problem.People[0].Worn, "no more than the limit")
	in.People[0].MaxProtectedMinutes = 0
	require.Zero(t, compile(in).problem.People[0].Worn)
}

func TestAPinIntoHoursThatTurnedHotKeepsOnlyItsOwnJobOut(t *testing.T) {
	in := inHeat(t)
	in.Work = append(in.Work, pruning("b", 10))
	in.Pins = []Pin{{Job: "a", Start: sixOClock.Add(6 * time.Hour)}}
	c := compile(in)
	require.Equal(t, "It is pinned to 2027-03-01 12:00: nobody who may do it then may be in protective equipment or heat for so long that day.", whyNot(t, c, "a"))
	require.Contains(t, c.index, "b")
	in.Pins[0].Start = sixOClock.Add(2 * time.Hour)
	require.Contains(t, compile(in).index, "a", "at eight it is cool")
}

func TestTwoJobsThatAreTooMuchTogetherInHeatSaySo(t *testing.T) {
	in := inHeat(t)
	in.Work = []Work{pruning("a", 100), pruning("b", 100)}
	at := func(hour time.Duration, job string) Told {
		return Told{Job: job, Start: sixOClock.Add(hour * time.Hour), End: sixOClock.Add(hour*time.Hour + 40*time.Minute), Person: "bo"}
	}
	in.Told = []Told{at(6, "a"), at(7, "b")}
	c := compile(in)
	result, err := search.Solve(t.Context(), c.problem, search.Options{Seed: 1, Rounds: 1, Start: c.toldPlan()})
	require.NoError(t, err)
	var reasons []string
	for _, job := range c.writtenDay(result.Plan).GetJobs() {
		if job.GetChange() != schedulev1.Change_CHANGE_NONE {
			reasons = append(reasons, job.GetReason())
		}
	}
	require.Len(t, reasons, 1, "one can stay")
	require.Contains(t, reasons[0], "Bo would be in protective equipment or heat for too long that day.")
}

func TestAnHourWithoutAReadingIsSaidNotToBeCountedAsHeat(t *testing.T) {
	in := inHeat(t)
	in.Work = []Work{pruning("a", 100)}
	delete(in.Houses[0].Usual, 12)
	c := compile(in)
	reason := func(start model.Minute) string {
		return c.writtenDay(model.Plan{{Placed: true, Start: start}}).GetJobs()[0].GetReason()
	}
	require.Contains(t, reason(6*60-10), "No logger tells how hot it is then in House 1: heat there is not counted for Bo.")
	require.NotContains(t, reason(2*60), "No logger")
}
