package demo

import (
	"fmt"
	"time"
)

// closing is the hour at which the working day of the demo ends.
const closing = 17

// moment is a time of the invented history: a clock time on a day, counted back
// from the last working day that was over when the nursery was set up.
type moment struct {
	Day int    `yaml:"day"`
	At  string `yaml:"at"`
}

// calendar turns moments into times.
type calendar struct {
	zone *time.Location
	// last is the last working day that was over, so that nothing in the history
	// lies in the future, whatever the hour of the seeding.
	last time.Time
	// today is the day of the seeding.
	today time.Time
}

func newCalendar(seeded time.Time, zone *time.Location) calendar {
	local := seeded.In(zone)
	today := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, zone)
	last := today
	if local.Hour() < closing {
		last = today.AddDate(0, 0, -1)
	}
	return calendar{zone: zone, last: last, today: today}
}

// at returns when a moment was.
func (c calendar) at(m moment) (time.Time, error) {
	clock, err := time.Parse("15:04", m.At)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is not a clock time", m.At)
	}
	day := c.last.AddDate(0, 0, -m.Day)
	return time.Date(day.Year(), day.Month(), day.Day(), clock.Hour(), clock.Minute(), 0, 0, c.zone).UTC(), nil
}

// date returns the day that lies some days after the seeding.
func (c calendar) date(days int) string { return c.today.AddDate(0, 0, days).Format(time.DateOnly) }
