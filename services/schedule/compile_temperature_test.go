package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis"
	"velamen/services/schedule/model"
	"velamen/services/treatment/rules"
)

// inAir is a nursery with one spray that is allowed from 10 to 30 Cel, in a house
// whose air was so in the last days.
func inAir(t *testing.T, usual map[int]diagnosis.HourTemperature) *compiled {
	t.Helper()
	work := spraying("a")
	work.Chemical.Temperatures = &rules.TemperatureRange{Least: 10, Most: 30}
	in := smallNursery(t, work)
	in.Houses[0].Usual = usual
	return compile(in)
}

func TestAProductIsPlannedForHoursInWhichTheAirIsUsuallyAsItsLabelAllows(t *testing.T) {
	usual := map[int]diagnosis.HourTemperature{}
	for hour := range 24 {
		usual[hour] = diagnosis.HourTemperature{Lowest: 1000, Highest: 3000}
	}
	usual[8], usual[12] = diagnosis.HourTemperature{Lowest: 999, Highest: 2000}, diagnosis.HourTemperature{Lowest: 2500, Highest: 3001}
	delete(usual, 14) // nobody measured it
	job := modelJob(t, inAir(t, usual), "a")
	// Minute 0 is 06:00.
	require.Equal(t, []model.Span{{From: 0, To: 120}, {From: 180, To: 360}}, job.Windows[:2], "not from 8 to 9, not from 12 to 13")
	require.Equal(t, model.Minute(420), job.Windows[2].From)
}

func TestAProductForWhichItIsAlwaysTooHotIsNamed(t *testing.T) {
	usual := map[int]diagnosis.HourTemperature{}
	for hour := range 24 {
		usual[hour] = diagnosis.HourTemperature{Lowest: 2800, Highest: 3400}
	}
	c := inAir(t, usual)
	require.Equal(t, "X 500 may be applied at 10 to 30 Cel, and in the last 7 days the air in House 1 was not so on all days in any of the hours in which it may be applied there.", whyNot(t, c, "a"))
}

func TestWithoutALoggerTheAirIsToBeMeasuredFirst(t *testing.T) {
	c := inAir(t, nil)
	require.Nil(t, modelJob(t, c, "a").Windows)
	day := c.writtenDay(model.Plan{{Placed: true, Start: 70, NewLoad: true}})
	require.Contains(t, day.GetJobs()[0].GetReason(), "Measure the air first: it is applied at 10 to 30 Cel.")
}
