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

// unknownInterval closes what was treated with something whose label lacks the
// restricted-entry interval. It is the longest default for most uses, of category I
// (40 CFR 156.208, from memory).
var unknownInterval = quantity.Must("48", quantity.Hour)

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
// end of what was applied.
func ReadRestrictedEntries(ctx context.Context, r postgres.Reader, nursery string, now time.Time) ([]RestrictedEntry, error) {
	found, err := readApplications(ctx, r,
		`nursery = $1 AND end_time + coalesce(rei_hours, $3::text::numeric) * interval '1 hour' > $2 ORDER BY end_time, id`,
		nursery, now, unknownInterval.Plain())
	if err != nil {
		return nil, postgres.Translate(err)
	}
	var entries []RestrictedEntry
	for _, a := range found {
		interval := unknownInterval
		if a.reiHours != "" {
			if interval, err = quantity.New(a.reiHours, quantity.Hour); err != nil {
				return nil, fmt.Errorf("application %s: %w", a.id, err)
			}
		}
		for _, treated := range a.treatments {
			ids, err := resource.Parse("house", treated.GetHouse(), "nurseries", "houses")
			if err != nil {
				return nil, err
			}
			entries = append(entries, RestrictedEntry{
				House: ids[1], Method: a.method, Lots: a.lots, Start: a.start.UTC(), End: a.end.UTC(), Until: a.end.UTC().Add(HoursOf(interval)),
			})
		}
	}
	return entries, nil
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
