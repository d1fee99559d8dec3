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
	purges     []Purge
}

// Purge is that entries were removed from the ledger after the time to keep them.
type Purge struct {
	// Name is the resource name of the signed tombstone.
	Name string
	// First and Last are the numbers of the first and the last entry.
	First, Last int64
	// Time is when.
	Time time.Time
}

// After returns the period with the purges in which uses of it may have gone: its report
// says that it does not hold all that was applied.
func (p Period) After(purges []Purge) Period {
	p.purges = slices.Clone(purges)
	return p
}

// purgedGaps names each purge as something that a report lacks.
func (p Period) purgedGaps(kind Kind) []Gap {
	var gaps []Gap
	for _, purge := range p.purges {
		gaps = append(gaps, Gap{
			Field: "purged", Title: "Uses that were purged", Problem: IsMissing,
			Reason: fmt.Sprintf("Entries %d to %d of the ledger were purged at %s; uses of this period may be among them, and nothing here says what they were.",
				purge.First, purge.Last, purge.Time.UTC().Format(time.RFC3339)),
			Section: kind.Section, Source: "the signed tombstone of the purge", Fix: purge.Name, FixField: "nothing: what was purged is gone",
		})
	}
	return gaps
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

// leaves reports whether a use began in the period and was finished after it.
func (p Period) leaves(use Use) bool {
	return !p.Holds(use) && !use.Start.Before(p.begin) && use.Start.Before(p.end)
}

// Select returns the uses that a period holds, in their order.
func (p Period) Select(uses []Use) []Use {
	return slices.DeleteFunc(slices.Clone(uses), func(use Use) bool { return !p.Holds(use) })
}
