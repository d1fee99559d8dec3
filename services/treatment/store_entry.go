package treatment

import (
	"context"
	"fmt"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
)

// never is how far ahead of a moment the end of a closure is given that time does not
// end, to readers that need one: longer than anybody plans. Design value.
const never = 366 * 24 * time.Hour

// RestrictedEntry is a house that nobody but a handler may enter, or the lots in it
// that nobody may touch, because of what was applied.
type RestrictedEntry struct {
	// House is the house's id.
	House string
	// Method is how it was applied, Lots are the ids of all lots treated.
	Method productsv1.Method
	Lots   []string
	// Start and End of the work, UTC, and Until when the restricted-entry interval
	// is over.
	Start, End, Until time.Time
}

// ReadRestrictedEntries returns the houses with restricted entry at a moment, by the
// end of what was applied. An interval that is not known does not end: Until is then more
// than a year ahead, until the label's interval is entered.
func ReadRestrictedEntries(ctx context.Context, r postgres.Reader, nursery string, now time.Time) ([]RestrictedEntry, error) {
	found, err := readApplications(ctx, r,
		`nursery = $1 AND (rei_hours IS NULL OR end_time + rei_hours * interval '1 hour' > $2) ORDER BY end_time, id`, nursery, now)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	said, err := readLabels(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	var entries []RestrictedEntry
	for _, a := range found {
		until, err := said.intervalEnd(a, now)
		if err != nil {
			return nil, fmt.Errorf("application %s: %w", a.id, err)
		}
		if !until.After(now) {
			continue
		}
		for _, treated := range a.treatments {
			ids, err := resource.Parse("house", treated.GetHouse(), "nurseries", "houses")
			if err != nil {
				return nil, err
			}
			entries = append(entries, RestrictedEntry{
				House: ids[1], Method: a.method, Lots: a.lots, Start: a.start.UTC(), End: a.end.UTC(), Until: until,
			})
		}
	}
	return entries, nil
}

// intervalEnd returns when the restricted-entry interval of an application is over: the
// one that was recorded, or that of the labels now where one was missing.
func (l labels) intervalEnd(a *application, now time.Time) (time.Time, error) {
	if a.reiHours != "" {
		interval, err := quantity.New(a.reiHours, quantity.Hour)
		return a.end.UTC().Add(HoursOf(interval)), err
	}
	var longest time.Duration
	for _, treated := range a.treatments {
		for _, use := range treated.GetProducts() {
			product, err := l.product(use.GetProduct(), a.method)
			if err != nil {
				return time.Time{}, err
			}
			if product.Interval.IsZero() {
				return now.Add(never), nil
			}
			longest = max(longest, HoursOf(product.Interval))
		}
	}
	return a.end.UTC().Add(longest), nil
}

// HoursOf returns how long a number of hours is, rounded up to a whole second: an
// interval is never shortened.
func HoursOf(interval quantity.Quantity) time.Duration {
	if interval.IsZero() {
		return 0
	}
	hours, err := interval.Exact().In(quantity.Hour)
	if err != nil {
		return 0
	}
	const places = 6
	seconds := hours.Ceil(places).Amount.Shift(places).IntPart() * int64(time.Hour/time.Second)
	return time.Duration((seconds+1_000_000-1)/1_000_000) * time.Second
}
