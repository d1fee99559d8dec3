package diagnosis

import (
	"time"

	"velamen/internal/clock"
	"velamen/internal/fault"
)

// maxPeriod is how many days of climate are read at once, as in the contract: ten
// years.
const maxPeriod = 3_660

// period is some days of a nursery, both ends included.
type period struct {
	first, last string
	// from is when the first day begins, until when the last one has ended, and
	// known when it has or now.
	from, until, known time.Time
	zone               *time.Location
	days               int
}

// periodOf reads the first and the last day of a request. An empty last day is
// today, an empty first one so many days before the last.
func periodOf(first, last string, daysBefore int, now time.Time, zone *time.Location) (period, error) {
	p := period{first: first, last: last, zone: zone}
	if last == "" {
		p.last = now.In(zone).Format(time.DateOnly)
	}
	lastDay, until, err := clock.Day(p.last, zone)
	if err != nil {
		return period{}, fault.Field("end_date", "%s", err).With("end_date", p.last)
	}
	if first == "" {
		p.first = lastDay.In(zone).AddDate(0, 0, -daysBefore).Format(time.DateOnly)
	}
	from, _, err := clock.Day(p.first, zone)
	if err != nil {
		return period{}, fault.Field("start_date", "%s", err).With("start_date", p.first)
	}
	p.from, p.until, p.known = from, until, until
	if now.Before(until) {
		p.known = now
	}
	// Days that are an hour longer or shorter do not change the rounded number.
	p.days = int(until.Sub(from).Round(24*time.Hour) / (24 * time.Hour))
	switch {
	case from.After(now):
		return period{}, fault.Field("start_date", "%s lies ahead", p.first).With("start_date", p.first)
	case p.days < 1:
		return period{}, fault.Field("start_date", "%s is after the last day, %s", p.first, p.last).With("start_date", p.first).With("end_date", p.last)
	case p.days > maxPeriod:
		return period{}, fault.Field("end_date", "from %s to %s are %d days; at most %d are read at once", p.first, p.last, p.days, maxPeriod).
			With("start_date", p.first).With("end_date", p.last)
	}
	return p, nil
}
