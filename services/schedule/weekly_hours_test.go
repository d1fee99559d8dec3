package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func every(start, end string) []Hours {
	var week []Hours
	for day := time.Sunday; day <= time.Saturday; day++ {
		week = append(week, Hours{Weekday: day, Start: start, End: end})
	}
	return week
}

func zoneOf(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	require.NoError(t, err)
	return zone
}

func utc(t *testing.T, text string) time.Time {
	t.Helper()
	moment, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return moment
}

func TestWeeklyHoursFollowTheClocksOfTheNursery(t *testing.T) {
	for _, test := range []struct {
		name, zone, day, start, end string
		from, until                 string
	}{
		{"a plain day", "Africa/Johannesburg", "2026-03-02", "07:00", "12:00", "2026-03-02T05:00:00Z", "2026-03-02T10:00:00Z"},
		{"a day that begins on the day before in UTC", "Pacific/Auckland", "2026-07-01", "06:00", "18:00", "2026-06-30T18:00:00Z", "2026-07-01T06:00:00Z"},
		{"until midnight", "America/Los_Angeles", "2026-07-01", "20:00", "24:00", "2026-07-02T03:00:00Z", "2026-07-02T07:00:00Z"},
		{"the hours around one that is skipped in spring", "Europe/Berlin", "2026-03-29", "01:00", "04:00", "2026-03-29T00:00:00Z", "2026-03-29T02:00:00Z"},
		{"a begin that is skipped is the moment of the change", "Europe/Berlin", "2026-03-29", "02:30", "06:00", "2026-03-29T01:00:00Z", "2026-03-29T04:00:00Z"},
		{"an end that is skipped is the moment of the change", "Europe/Berlin", "2026-03-29", "01:00", "02:30", "2026-03-29T00:00:00Z", "2026-03-29T01:00:00Z"},
		{"after the change in spring", "Europe/Berlin", "2026-03-29", "07:00", "12:00", "2026-03-29T05:00:00Z", "2026-03-29T10:00:00Z"},
		{"the hours around one that is shown twice in autumn", "Europe/Berlin", "2026-10-25", "01:00", "04:00", "2026-10-24T23:00:00Z", "2026-10-25T03:00:00Z"},
		{"a begin that is shown twice is the first", "Europe/Berlin", "2026-10-25", "02:30", "04:00", "2026-10-25T00:30:00Z", "2026-10-25T03:00:00Z"},
		{"an end that is shown twice is the first", "Europe/Berlin", "2026-10-25", "01:00", "02:30", "2026-10-24T23:00:00Z", "2026-10-25T00:30:00Z"},
		{"half an hour that is shown twice", "Australia/Lord_Howe", "2026-04-05", "01:45", "03:00", "2026-04-04T14:45:00Z", "2026-04-04T16:30:00Z"},
		{"a day that begins at one o'clock", "Asia/Beirut", "2026-03-29", "00:00", "02:00", "2026-03-28T22:00:00Z", "2026-03-28T23:00:00Z"},
	} {
		t.Run(test.name, func(t *testing.T) {
			day, err := time.Parse(time.DateOnly, test.day)
			require.NoError(t, err)
			hours := []Hours{{Weekday: day.Weekday(), Start: test.start, End: test.end}}
			found := hoursIn(hours, zoneOf(t, test.zone), day.AddDate(0, 0, -2), day.AddDate(0, 0, 3))
			require.Equal(t, []interval{{utc(t, test.from), utc(t, test.until)}}, found)
		})
	}
}

func TestHoursThatAreSkippedAltogetherAreNotThere(t *testing.T) {
	sunday := []Hours{{Weekday: time.Sunday, Start: "02:00", End: "03:00"}}
	found := hoursIn(sunday, zoneOf(t, "Europe/Berlin"), utc(t, "2026-03-28T00:00:00Z"), utc(t, "2026-03-31T00:00:00Z"))
	require.Empty(t, found)
}

func TestHoursOutsideOfWhatIsAskedForAreCutOff(t *testing.T) {
	zone := zoneOf(t, "Africa/Johannesburg")
	found := hoursIn(every("07:00", "16:00"), zone, utc(t, "2026-03-02T09:30:00Z"), utc(t, "2026-03-03T06:00:00Z"))
	require.Equal(t, []interval{
		{utc(t, "2026-03-02T09:30:00Z"), utc(t, "2026-03-02T14:00:00Z")},
		{utc(t, "2026-03-03T05:00:00Z"), utc(t, "2026-03-03T06:00:00Z")},
	}, found)
}

// A person who works through the change of the clocks is never at work twice in one
// moment, and no minute between two shifts that follow one another is lost.
func TestHoursThatFollowOneAnotherLeaveNoGapWhateverTheClocksDo(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Beirut", "Pacific/Chatham", "Africa/Cairo", "UTC"} {
		zone := zoneOf(t, name)
		for at := 0; at <= 24*60; at += 15 {
			split := time.Date(2026, 1, 1, 0, at, 0, 0, time.UTC).Format("15:04")
			if at == 24*60 {
				split = "24:00"
			}
			from := utc(t, "2026-01-01T00:00:00Z")
			until := utc(t, "2027-01-01T00:00:00Z")
			found := hoursIn(append(every("00:00", split), every(split, "24:00")...), zone, from, until)
			require.NotEmpty(t, found)
			require.Equal(t, from, found[0].Start, "%s %s", name, split)
			require.Equal(t, until, found[len(found)-1].End, "%s %s", name, split)
			for i := 1; i < len(found); i++ {
				require.Equal(t, found[i-1].End, found[i].Start, "%s %s", name, split)
			}
		}
	}
}
