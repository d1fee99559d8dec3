// Package clock is where the time comes from, so that tests can decide what
// time it is and nothing else reads the system's clock.
package clock

import (
	"fmt"
	"time"
)

// Clock tells the time.
type Clock interface {
	// Now returns the present moment in UTC, to the microsecond that PostgreSQL
	// keeps.
	Now() time.Time
}

// System is the machine's clock.
type System struct{}

// Now returns the machine's time.
func (System) Now() time.Time { return Stored(time.Now()) }

// Fixed is a clock that stands still, for tests.
type Fixed time.Time

// Now returns the fixed moment.
func (f Fixed) Now() time.Time { return Stored(time.Time(f)) }

// Stored returns a moment as the database keeps it: UTC, whole microseconds.
func Stored(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// Skew is how far ahead of the server a phone's clock may run before a time it
// sends counts as the future. Common practice, no source.
const Skew = 5 * time.Minute

// InFuture reports whether a moment that a person gave lies in the future,
// allowing for Skew.
func InFuture(c Clock, t time.Time) bool { return t.After(c.Now().Add(Skew)) }

// Day returns the moments at which a calendar day (YYYY-MM-DD) begins and the
// next one begins in a time zone. Where the clocks change that is 23 or 25 hours.
func Day(date string, zone *time.Location) (begin, end time.Time, err error) {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return time.Time{}, time.Time{}, fmt.Errorf("%q is not a day (YYYY-MM-DD)", date)
	}
	return Midnight(day.Year(), day.Month(), day.Day(), zone), Midnight(day.Year(), day.Month(), day.Day()+1, zone), nil
}

// Midnight returns the moment, UTC, at which a calendar day begins in a time zone; days
// past the end of a month are those of the next. Where the clocks are put forward at
// midnight the day begins at one, and where they are put back to it, with the first of
// the two hours (America/Santiago and America/Havana do so). time.Date leaves open which
// hour it means there.
func Midnight(year int, month time.Month, day int, zone *time.Location) time.Time {
	date := time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
	begin := time.Date(year, month, day, 0, 0, 0, 0, zone)
	for begin.Format(time.DateOnly) < date {
		begin = begin.Add(time.Minute)
	}
	for begin.Add(-time.Minute).Format(time.DateOnly) == date {
		begin = begin.Add(-time.Minute)
	}
	return begin.UTC()
}
