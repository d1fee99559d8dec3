package cli

import (
	"testing"

	"github.com/stretchr/testify/require"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

func TestHoursOfAWeekAreReadAndWrittenTheSame(t *testing.T) {
	for _, typed := range []string{"mon-fri 07:00-12:00", "mon,wed-thu 00:00-24:00", "sun 22:00-24:00", "mon-sun 05:00-08:00"} {
		hours, err := parseWeekly(typed)
		require.NoError(t, err, typed)
		require.Equal(t, typed, showHours(hours))
	}
}

func TestARangeOfDaysGoesOnOverSunday(t *testing.T) {
	days, err := parseWeekdays("sat-mon")
	require.NoError(t, err)
	require.Equal(t, []schedulev1.Weekday{schedulev1.Weekday_WEEKDAY_SATURDAY, schedulev1.Weekday_WEEKDAY_SUNDAY, schedulev1.Weekday_WEEKDAY_MONDAY}, days)
}

func TestAShiftMayHaveOvertime(t *testing.T) {
	shifts, err := parseShift("mon-tue 13:00-16:00 overtime 18:00")
	require.NoError(t, err)
	require.Len(t, shifts, 2)
	require.Equal(t, "18:00", shifts[1].GetOvertimeEnd())
	require.Equal(t, "16:00", shifts[1].GetHours().GetEnd())
	require.Equal(t, "mon-tue 13:00-16:00 overtime 18:00", showShifts(shifts))
}

func TestShiftsOfAWeekAreWrittenFromItsFirstDay(t *testing.T) {
	var shifts []*schedulev1.Shift
	for _, typed := range []string{"sat 08:00-10:00", "mon-fri 13:00-16:00", "mon-fri 07:00-12:00"} {
		read, err := parseShift(typed)
		require.NoError(t, err)
		shifts = append(shifts, read...)
	}
	require.Equal(t, "mon-fri 07:00-12:00\nmon-fri 13:00-16:00\nsat 08:00-10:00", showShifts(shifts))
}

func TestDaysOffMayHaveAReason(t *testing.T) {
	for _, test := range []struct{ typed, first, last, reason string }{
		{"2026-12-24", "2026-12-24", "2026-12-24", ""},
		{"2026-12-24..2026-12-31", "2026-12-24", "2026-12-31", ""},
		{"2026-12-24..2026-12-31=leave", "2026-12-24", "2026-12-31", "leave"},
	} {
		absence, err := parseAbsence(test.typed)
		require.NoError(t, err)
		require.Equal(t, test.first, absence.GetStartDate().GetValue())
		require.Equal(t, test.last, absence.GetEndDate().GetValue())
		require.Equal(t, test.reason, absence.GetReason())
	}
}

func TestHoursThatAreNoneAreRefused(t *testing.T) {
	for _, test := range []struct{ typed, says string }{
		{"mon-fri", "hours of a week"},
		{"monday 07:00-12:00", "days are mon, tue"},
		{"mon-fri 7-12", "07:00-12:00"},
		{"mon-fri 07:00-25:00", "07:00-12:00"},
		{"mon-fri 07:00-12:00 overtime late", "overtime must end"},
		{"mon-fri 07:00-12:00 13:00-16:00", "hours of a week"},
	} {
		_, err := parseShift(test.typed)
		require.ErrorContains(t, err, test.says, test.typed)
	}
}

func TestAWeightIsNamedAsInTheContract(t *testing.T) {
	w, err := parseWeight("closed-house-hour=3")
	require.NoError(t, err)
	weights := weighted(&schedulev1.PlanningWeights{HourLate: 7, ClosedHouseHour: 1}, []weight{w})
	require.EqualValues(t, 3, weights.GetClosedHouseHour())
	require.EqualValues(t, 7, weights.GetHourLate())
	for _, typed := range []string{"beauty=3", "hour-late", "hour-late=much", ""} {
		_, err := parseWeight(typed)
		require.ErrorContains(t, err, "hour-late=10", typed)
	}
}

func TestAWorkRateIsMinutesAndMinutesForEach100Plants(t *testing.T) {
	rate, err := parseWorkRate("cut-back=5+20")
	require.NoError(t, err)
	require.Equal(t, "CUT_BACK", rate.GetKind())
	require.EqualValues(t, 5, rate.GetFixedMinutes())
	require.EqualValues(t, 20, rate.GetMinutesPer_100Plants())
	for _, typed := range []string{"prune=5", "5+20", "prune=a+b"} {
		_, err := parseWorkRate(typed)
		require.ErrorContains(t, err, "prune=5+20", typed)
	}
}

func TestAWayIsTheSameInBothDirections(t *testing.T) {
	a := &app{}
	stand := []*schedulev1.Walk{{House: "nurseries/n/houses/h2", OtherHouse: "nurseries/n/houses/h1", Minutes: 9}, {House: "nurseries/n/houses/h1", OtherHouse: "nurseries/n/houses/h3", Minutes: 2}}
	walk, err := parseWalk("nurseries/n/houses/h1..nurseries/n/houses/h2=4")
	require.NoError(t, err)
	walks, err := a.walksWith(stand, []*schedulev1.Walk{walk})
	require.NoError(t, err)
	require.Len(t, walks, 2)
	require.EqualValues(t, 4, walks[1].GetMinutes())
	for _, typed := range []string{"h1=4", "h1..h2", "h1..h2=far"} {
		_, err := parseWalk(typed)
		require.ErrorContains(t, err, "h1..h2=4", typed)
	}
}
