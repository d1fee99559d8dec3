package schedule

import (
	"fmt"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// Forms of a moment in sentences, in the nursery's time zone.
const (
	dayAndTime = "2006-01-02 15:04"
	timeOfDay  = "15:04"
)

// urgency says as a sentence how urgent a step is that has an open, a due and an
// overdue time. Days are those of the zone; hours are hours, also where the
// clocks change.
func urgency(step *treatmentv1.Step, now time.Time, zone *time.Location) string {
	open, due, overdue := step.GetOpenTime().AsTime().In(zone), step.GetDueTime().AsTime().In(zone), step.GetOverdueTime().AsTime().In(zone)
	now = now.In(zone)
	switch days := daysBetween(now, due); {
	case now.Before(open):
		return fmt.Sprintf("Opens in %s, at %s; due by %s.", ahead(open.Sub(now)), open.Format(dayAndTime), due.Format(dayAndTime))
	case !now.Before(overdue):
		return fmt.Sprintf("Overdue by %s: the latest was %s.", behind(overdue, now), overdue.Format(dayAndTime))
	case days > 1:
		return fmt.Sprintf("Due in %d days, by %s.", days, due.Format(dayAndTime))
	case days == 1:
		return fmt.Sprintf("Due tomorrow by %s.", due.Format(timeOfDay))
	case now.Before(due):
		return fmt.Sprintf("Due today by %s.", due.Format(timeOfDay))
	case days == 0:
		return fmt.Sprintf("Was due today by %s; overdue from %s.", due.Format(timeOfDay), overdue.Format(dayAndTime))
	default:
		return fmt.Sprintf("Was due by %s; overdue from %s.", due.Format(dayAndTime), overdue.Format(dayAndTime))
	}
}

// ahead rounds up: a step that opens in 90 minutes is not open in an hour.
func ahead(wait time.Duration) string {
	hours := int((wait + time.Hour - 1) / time.Hour)
	if hours > 48 {
		return counted((hours+23)/24, "day")
	}
	return counted(hours, "hour")
}

// behind rounds down to hours on the first day, and then counts days of the
// zone.
func behind(overdue, now time.Time) string {
	late := now.Sub(overdue)
	if late < time.Hour {
		return "less than an hour"
	}
	if late < 24*time.Hour {
		return counted(int(late/time.Hour), "hour")
	}
	return counted(daysBetween(overdue, now), "day")
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// daysBetween counts the midnights from one moment to another, below zero when
// the other is on an earlier day. Both must be in the same zone.
func daysBetween(from, to time.Time) int {
	day := func(t time.Time) time.Time { return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC) }
	return int(day(to).Sub(day(from)) / (24 * time.Hour))
}
