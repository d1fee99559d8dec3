package duty

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"velamen/internal/clock"
)

// Hold is an order to keep records whatever the law allows. It stands until somebody
// lifts it; lifted holds are not handed over.
type Hold struct {
	// Name is what a person finds it by, Reason why it was placed.
	Name, Reason string
	// House is the resource name of the only house whose records it holds; empty for
	// all houses.
	House string
	// FromDay and ToDay are the first and the last local day (YYYY-MM-DD) that it holds;
	// an empty one leaves that side open.
	FromDay, ToDay string
}

// Covers reports whether a hold holds a record. Where the house or the days of the
// record are not known, or the days of the hold make no sense, it does.
func (h Hold) Covers(record Record) bool {
	if h.House != "" && record.House != "" && h.House != record.House {
		return false
	}
	first, last := record.Event.Start, record.Event.End
	if first.IsZero() && last.IsZero() {
		first, last = record.Event.On, record.Event.On
	}
	from, to := h.days(record.Event.Zone)
	if first.IsZero() || last.IsZero() || to != "" && to < from {
		return true
	}
	return dayOf(last, record.Event.Zone) >= from && (to == "" || dayOf(first, record.Event.Zone) <= to)
}

// days are the first and last day, empty where there is none that can be read.
func (h Hold) days(zone *time.Location) (from, to string) {
	if _, _, err := clock.Day(h.FromDay, zone); err == nil {
		from = h.FromDay
	}
	if _, _, err := clock.Day(h.ToDay, zone); err == nil {
		to = h.ToDay
	}
	return from, to
}

// MayPurge reports whether a record may be thrown away at a moment, and why or why
// not, in a sentence. It may not before the longest of all times to keep it has
// passed, under a hold, or where a time is not known.
func MayPurge(record Record, now time.Time, holds []Hold) (allowed bool, reason string) {
	return shipped().mayPurge(record, now, holds)
}

func (l *law) mayPurge(record Record, now time.Time, holds []Hold) (bool, string) {
	retention, err := l.keepUntil(record)
	if err != nil {
		return false, fmt.Sprintf("Keep %s: how long cannot be worked out, because %s.", record.Name, err)
	}
	for _, hold := range holds {
		if hold.Covers(record) {
			return false, fmt.Sprintf("Keep %s: the legal hold %s stands (%s).", record.Name, hold.Name, hold.Reason)
		}
	}
	if !retention.Known() {
		return false, fmt.Sprintf("Keep %s: how long is not known. %s", record.Name, strings.Join(retention.NotKnown, " "))
	}
	longest, _ := retention.Longest()
	if !longest.Limit.Passed(now) {
		return false, fmt.Sprintf("Keep %s until %s, at least. Source: %s.", record.Name, longest.Limit.Text, longest.Source)
	}
	said := slices.Concat(longest.Notes, retention.Notes, []string{Caution})
	return true, fmt.Sprintf("%s was to be kept until %s, and no known law or hold keeps it longer. Source: %s. %s",
		record.Name, longest.Limit.Text, longest.Source, strings.Join(said, " "))
}
