package report

import (
	"fmt"
	"slices"
	"time"

	"velamen/internal/clock"
)

// Period is a run of whole local days.
type Period struct {
	from, to   string
	begin, end time.Time
}

// Days returns the period from one local day to another (YYYY-MM-DD), both
// included. It refuses what is no day and a period that ends before it begins.
func Days(from, to string, zone *time.Location) (Period, error) {
	if zone == nil {
		return Period{}, fmt.Errorf("the nursery has no time zone, so no day can be told")
	}
	p := Period{from: from, to: to}
	var err error
	if p.begin, _, err = clock.Day(from, zone); err != nil {
		return Period{}, err
	}
	if _, p.end, err = clock.Day(to, zone); err != nil {
		return Period{}, err
	}
	if !p.begin.Before(p.end) {
		return Period{}, fmt.Errorf("%s is before the first day, %s", to, from)
	}
	return p, nil
}

// Month returns a calendar month in local time.
func Month(year int, month time.Month, zone *time.Location) (Period, error) {
	first := time.Date(year, month, 1, 0, 0, 0, 0, time.UTC)
	return Days(first.Format(time.DateOnly), first.AddDate(0, 1, -1).Format(time.DateOnly), zone)
}

// wholeMonth reports whether the period is one calendar month.
func (p Period) wholeMonth() bool {
	first, err := time.Parse(time.DateOnly, p.from)
	return err == nil && first.Day() == 1 && first.AddDate(0, 1, -1).Format(time.DateOnly) == p.to
}

// Holds reports whether a use belongs to the period: it does when it was finished
// in it. So a use over midnight at the end of a month is in one month, not in two.
// A use without an end counts by its start, and one without either is held by every
// period, so that it is listed as missing and not lost.
func (p Period) Holds(use Use) bool {
	at := use.End
	if at.IsZero() {
		at = use.Start
	}
	return at.IsZero() || (!at.Before(p.begin) && at.Before(p.end))
}

// Select returns the uses that a period holds, in their order.
func (p Period) Select(uses []Use) []Use {
	return slices.DeleteFunc(slices.Clone(uses), func(use Use) bool { return !p.Holds(use) })
}
