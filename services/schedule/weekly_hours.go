package schedule

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
)

// Hours are hours of one weekday, as the clocks on the nursery's walls show them.
type Hours struct {
	Weekday time.Weekday `json:"weekday"`
	// Start and End are HH:MM, the end after the start; an end of 24:00 is midnight.
	Start string `json:"start"`
	End   string `json:"end"`
}

// interval is a time from Start until before End, UTC.
type interval struct {
	Start, End time.Time
}

// hoursIn returns weekly hours between two moments, by start. An hour that clocks skip
// is not there; one that they show twice counts from its first time on: see shown.
func hoursIn(weekly []Hours, zone *time.Location, from, until time.Time) []interval {
	var found []interval
	year, month, day := from.In(zone).Date()
	for i := 0; ; i++ {
		// Noon is on the day that is meant whatever the clocks do.
		noon := time.Date(year, month, day+i, 12, 0, 0, 0, zone)
		if !noon.Add(-18 * time.Hour).Before(until) {
			break
		}
		for _, hours := range weekly {
			if hours.Weekday != noon.Weekday() {
				continue
			}
			span := interval{Start: shown(noon, hours.Start), End: shown(noon, hours.End)}
			if span.Start.Before(from) {
				span.Start = from
			}
			if span.End.After(until) {
				span.End = until
			}
			if span.Start.Before(span.End) {
				found = append(found, span)
			}
		}
	}
	slices.SortFunc(found, func(a, b interval) int { return cmp.Or(a.Start.Compare(b.Start), a.End.Compare(b.End)) })
	return found
}

// shown returns the first moment of a day at which its clocks show a time (HH:MM) or
// a later one, UTC. So a time that they skip is the moment at which they do, one that
// they show twice is the first; hours that follow one another never overlap and leave
// no gap. 24:00 is the begin of the next day.
func shown(day time.Time, at string) time.Time {
	minutes, _ := minuteOfDay(at)
	year, month, date := day.Date()
	wanted := time.Date(year, month, date, 0, minutes, 0, 0, time.UTC)
	// Which side of a change of the clocks Date takes is not said.
	moment := time.Date(year, month, date, 0, minutes, 0, 0, day.Location())
	_, offset := moment.Zone()
	began, ends := moment.ZoneBounds()
	switch reads := moment.Add(time.Duration(offset) * time.Second); {
	case reads.After(wanted):
		return began.UTC()
	case reads.Before(wanted):
		return ends.UTC()
	case began.IsZero():
		return moment.UTC()
	}
	_, before := began.Add(-time.Second).Zone()
	if first := moment.Add(time.Duration(offset-before) * time.Second); first.Before(began) {
		return first.UTC()
	}
	return moment.UTC()
}

// minuteOfDay reads HH:MM.
func minuteOfDay(at string) (int, error) {
	hour, minute, found := strings.Cut(at, ":")
	h, err := strconv.Atoi(hour)
	m, err2 := strconv.Atoi(minute)
	if !found || err != nil || err2 != nil || h < 0 || m < 0 || m > 59 || h > 24 || (h == 24 && m > 0) {
		return 0, fmt.Errorf("%q is not a time of day as in 07:30", at)
	}
	return h*60 + m, nil
}

// hoursFromContract reads hours of the contract and refuses those that end before
// they begin, by field.
func hoursFromContract(field string, message *schedulev1.WeeklyHours) (Hours, error) {
	start, err := minuteOfDay(message.GetStart())
	if err != nil {
		return Hours{}, fault.Field(field+".start", "%s", err)
	}
	end, err := minuteOfDay(message.GetEnd())
	if err != nil {
		return Hours{}, fault.Field(field+".end", "%s", err)
	}
	if end <= start {
		return Hours{}, fault.Field(field+".end", "%s is not after the start at %s; hours past midnight are entered as two", message.GetEnd(), message.GetStart())
	}
	return Hours{
		// ISO counts Monday as 1 and Sunday as 7, Go counts Sunday as 0.
		Weekday: time.Weekday(int(message.GetWeekday()) % 7), Start: message.GetStart(), End: message.GetEnd(),
	}, nil
}

func hoursListFromContract(field string, messages []*schedulev1.WeeklyHours) ([]Hours, error) {
	list := make([]Hours, 0, len(messages))
	for i, message := range messages {
		hours, err := hoursFromContract(fmt.Sprintf("%s[%d]", field, i), message)
		if err != nil {
			return nil, err
		}
		list = append(list, hours)
	}
	return list, nil
}

func (h Hours) contract() *schedulev1.WeeklyHours {
	return &schedulev1.WeeklyHours{Weekday: schedulev1.Weekday((int(h.Weekday)+6)%7 + 1), Start: h.Start, End: h.End}
}

func hoursListContract(list []Hours) []*schedulev1.WeeklyHours {
	messages := make([]*schedulev1.WeeklyHours, len(list))
	for i, hours := range list {
		messages[i] = hours.contract()
	}
	return messages
}

// String writes the hours as people say them, for example "Monday 07:00 to 12:00".
func (h Hours) String() string { return fmt.Sprintf("%s %s to %s", h.Weekday, h.Start, h.End) }

// minutes are the first minute of the day and the first that is not in it.
func (h Hours) minutes() (from, to int) {
	from, _ = minuteOfDay(h.Start)
	to, _ = minuteOfDay(h.End)
	return from, to
}

// overlaps reports whether hours of the same weekday share a minute.
func (h Hours) overlaps(other Hours) bool {
	from, to := h.minutes()
	otherFrom, otherTo := other.minutes()
	return h.Weekday == other.Weekday && from < otherTo && otherFrom < to
}

// coveredBy reports whether each minute of the hours is in one of a list.
func (h Hours) coveredBy(list []Hours) bool {
	from, to := h.minutes()
	for from < to {
		next := from
		for _, other := range list {
			if otherFrom, otherTo := other.minutes(); other.Weekday == h.Weekday && otherFrom <= from && from < otherTo {
				next = max(next, otherTo)
			}
		}
		if next == from {
			return false
		}
		from = next
	}
	return true
}
