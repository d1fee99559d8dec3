package clock_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
)

func TestDayFollowsTheNurserysOwnZone(t *testing.T) {
	for _, test := range []struct {
		name, date, zone string
		begin            string
		hours            int
	}{
		{"plain day", "2026-03-01", "Africa/Johannesburg", "2026-02-28T22:00:00Z", 24},
		{"clocks go forward", "2026-03-29", "Europe/Berlin", "2026-03-28T23:00:00Z", 23},
		{"clocks go back", "2026-10-25", "Europe/Berlin", "2026-10-24T22:00:00Z", 25},
		{"leap day", "2028-02-29", "America/Los_Angeles", "2028-02-29T08:00:00Z", 24},
		{"midnight is left out", "2026-09-06", "America/Santiago", "2026-09-06T04:00:00Z", 23},
		{"the day before that", "2026-09-05", "America/Santiago", "2026-09-05T04:00:00Z", 24},
		{"midnight comes twice", "2026-11-01", "America/Havana", "2026-11-01T04:00:00Z", 25},
		{"the day before that one", "2026-10-31", "America/Havana", "2026-10-31T04:00:00Z", 24},
		{"the clocks go back from midnight", "2026-04-04", "America/Santiago", "2026-04-04T03:00:00Z", 25},
	} {
		t.Run(test.name, func(t *testing.T) {
			zone, err := time.LoadLocation(test.zone)
			require.NoError(t, err)
			begin, end, err := clock.Day(test.date, zone)
			require.NoError(t, err)
			require.Equal(t, test.begin, begin.Format(time.RFC3339))
			require.Equal(t, time.Duration(test.hours)*time.Hour, end.Sub(begin))
		})
	}
}

func TestDayRefusesWhatIsNoDay(t *testing.T) {
	for _, date := range []string{"", "2026-02-30", "2026-2-3", "yesterday", "2026-03-01T00:00"} {
		_, _, err := clock.Day(date, time.UTC)
		require.Error(t, err, date)
	}
}
