package duty

import (
	"fmt"
	"time"
)

// Limit is the end of a time that a law gives: a last whole day, or a moment.
type Limit struct {
	// Day is the last day (YYYY-MM-DD) in the nursery's zone; empty where the law counts
	// to a moment.
	Day string
	// Moment is, in UTC, when the last day ends, or the moment itself. The zero value is
	// no limit.
	Moment time.Time
	// Text is the limit as the nursery reads it: a day, or a day and time of its clock.
	Text string
	// Weekend is true where the last day is a Saturday or Sunday.
	Weekend bool
}

// Passed reports whether a moment lies after the limit. What is done on the last day
// or at the very moment is not late.
func (l Limit) Passed(t time.Time) bool {
	if l.Day != "" {
		return !t.Before(l.Moment)
	}
	return t.After(l.Moment)
}

// later reports whether one limit ends after another.
func (l Limit) later(other Limit) bool { return l.Moment.After(other.Moment) }

// lastDay is the limit that ends with a day; days out of a month roll over.
func lastDay(year int, month time.Month, day int, zone *time.Location) Limit {
	date := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	text := date.Format(time.DateOnly)
	weekday := date.Weekday()
	return Limit{
		Day: text, Moment: onClock(date.AddDate(0, 0, 1), zone), Text: text,
		Weekend: weekday == time.Saturday || weekday == time.Sunday,
	}
}

// atMoment is the limit at a moment.
func atMoment(t time.Time, zone *time.Location) Limit {
	local := t.In(zone)
	return Limit{
		Moment: t.UTC(), Text: local.Format("2006-01-02 15:04 -07:00"),
		Weekend: local.Weekday() == time.Saturday || local.Weekday() == time.Sunday,
	}
}

// reading is what a nursery's clock and calendar show at a moment, written as if it
// were UTC, so that days and years can be added without a change of the clocks.
func reading(t time.Time, zone *time.Location) time.Time {
	local := t.In(zone)
	return time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), time.UTC)
}

// onClock is the moment at which a nursery's clock shows a reading. When it shows it
// twice it is the later one, and when it leaves it out the one reckoned by the old
// time: what must last is not cut short by an hour.
func onClock(read time.Time, zone *time.Location) time.Time {
	offset := func(t time.Time) time.Duration {
		_, seconds := t.In(zone).Zone()
		return time.Duration(seconds) * time.Second
	}
	// Clocks change at most once in two days.
	before := read.Add(-offset(read.AddDate(0, 0, -1)))
	after := read.Add(-offset(read.AddDate(0, 0, 1)))
	early, late := before, after
	if late.Before(early) {
		early, late = late, early
	}
	if !reading(late, zone).Equal(read) && reading(early, zone).Equal(read) {
		return early
	}
	return late
}

// dayOf is the local day of a moment, YYYY-MM-DD.
func dayOf(t time.Time, zone *time.Location) string { return t.In(zone).Format(time.DateOnly) }

// monthOf is the local month of a moment, YYYY-MM.
func monthOf(t time.Time, zone *time.Location) string { return t.In(zone).Format(monthForm) }

const monthForm = "2006-01"

// start is what a time counts from.
type start string

const (
	applicationStartDay start = "application-start-day"
	applicationEndDay   start = "application-end-day"
	applicationEnd      start = "application-end"
	restrictedEntryEnd  start = "restricted-entry-end"
	request             start = "request"
	requestDay          start = "request-day"
	recordDay           start = "record-day"
	wholeMonth          start = "month"
)

// wholeDays reports whether a count begins with a day, not a moment.
func (s start) wholeDays() bool {
	switch s {
	case applicationStartDay, applicationEndDay, requestDay, recordDay, wholeMonth:
		return true
	default:
		return false
	}
}

// of is the moment from which, or from whose day or month, an event counts.
func (s start) of(e Event) (time.Time, error) {
	var moment time.Time
	var name string
	switch s {
	case applicationStartDay, wholeMonth:
		moment, name = e.Start, "when the application began"
	case applicationEndDay, applicationEnd:
		moment, name = e.End, "when the application ended"
	case restrictedEntryEnd:
		if e.RestrictedEntry == nil {
			return time.Time{}, missing("the restricted-entry interval, or that the label sets none")
		}
		// An interval is absolute time: a change of the clocks does not shorten it.
		if moment, name = e.End, "when the application ended"; !moment.IsZero() {
			moment = moment.Add(*e.RestrictedEntry)
		}
	case request, requestDay:
		moment, name = e.Asked, "when somebody asked"
	case recordDay:
		moment, name = e.On, "the day of what the record tells"
	default:
		return time.Time{}, fmt.Errorf("%q is nothing to count from", s)
	}
	if moment.IsZero() {
		return time.Time{}, missing(name)
	}
	return moment, nil
}
