package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// weekdayWords are the days of the week as people type and read them, from Monday.
var weekdayWords = []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}

const daysInWeek = 7

// parseWeekdays reads days of the week, as in "mon-fri" or "mon,wed,sat-sun".
func parseWeekdays(typed string) ([]schedulev1.Weekday, error) {
	var days []schedulev1.Weekday
	for part := range strings.SplitSeq(typed, ",") {
		first, last, isRange := strings.Cut(part, "-")
		from := slices.Index(weekdayWords, strings.TrimSpace(first))
		to := from
		if isRange {
			to = slices.Index(weekdayWords, strings.TrimSpace(last))
		}
		if from < 0 || to < 0 {
			return nil, fmt.Errorf("%q: days are %s, as in mon-fri or mon,wed", typed, strings.Join(weekdayWords, ", "))
		}
		for day := from; ; day = (day + 1) % daysInWeek {
			days = append(days, schedulev1.Weekday(day+1))
			if day == to {
				break
			}
		}
	}
	return days, nil
}

// parseClocks reads hours of a day, as in "07:00-12:00".
func parseClocks(typed string) (start, end string, err error) {
	start, end, found := strings.Cut(typed, "-")
	if !found || !isClock(start) || !isClock(end) {
		return "", "", fmt.Errorf("%q: hours must be as in 07:00-12:00", typed)
	}
	return start, end, nil
}

// isClock reports whether a text is a time of day, 24:00 for midnight at its end.
func isClock(typed string) bool {
	_, err := time.Parse("15:04", typed)
	return len(typed) == len("15:04") && (err == nil || typed == "24:00")
}

// parseWeekly reads hours of a week, as in "mon-fri 07:00-12:00".
func parseWeekly(typed string) ([]*schedulev1.WeeklyHours, error) {
	words := strings.Fields(typed)
	if len(words) != 2 {
		return nil, fmt.Errorf("%q: hours of a week must be as in \"mon-fri 07:00-12:00\"", typed)
	}
	days, err := parseWeekdays(words[0])
	if err != nil {
		return nil, err
	}
	start, end, err := parseClocks(words[1])
	if err != nil {
		return nil, err
	}
	hours := make([]*schedulev1.WeeklyHours, len(days))
	for i, day := range days {
		hours[i] = &schedulev1.WeeklyHours{Weekday: day, Start: start, End: end}
	}
	return hours, nil
}

// parseShift reads shifts of a week, as in "mon-fri 13:00-16:00" or "mon-fri
// 13:00-16:00 overtime 18:00".
func parseShift(typed string) ([]*schedulev1.Shift, error) {
	plain, overtime, hasOvertime := strings.Cut(typed, " overtime ")
	overtime = strings.TrimSpace(overtime)
	if hasOvertime && !isClock(overtime) {
		return nil, fmt.Errorf("%q: overtime must end as in \"mon-fri 13:00-16:00 overtime 18:00\"", typed)
	}
	weekly, err := parseWeekly(plain)
	if err != nil {
		return nil, err
	}
	shifts := make([]*schedulev1.Shift, len(weekly))
	for i, hours := range weekly {
		shifts[i] = &schedulev1.Shift{Hours: hours, OvertimeEnd: overtime}
	}
	return shifts, nil
}

// parseAbsence reads days off, as in "2026-12-24", "2026-12-24..2026-12-31" or
// "2026-12-24..2026-12-31=leave".
func parseAbsence(typed string) (*schedulev1.Absence, error) {
	days, reason, _ := strings.Cut(typed, "=")
	first, last, isRange := strings.Cut(strings.TrimSpace(days), "..")
	if !isRange {
		last = first
	}
	from, err := parseDay("--off", first)
	if err != nil {
		return nil, err
	}
	to, err := parseDay("--off", last)
	if err != nil {
		return nil, err
	}
	return &schedulev1.Absence{StartDate: from, EndDate: to, Reason: strings.TrimSpace(reason)}, nil
}

// weekSpan is hours that are the same on several days.
type weekSpan struct {
	start, end, overtime string
	days                 []schedulev1.Weekday
}

// showHours writes hours of a week a line for each span, as in "mon-fri 07:00-12:00".
func showHours(weekly []*schedulev1.WeeklyHours) string {
	shifts := make([]*schedulev1.Shift, len(weekly))
	for i, hours := range weekly {
		shifts[i] = &schedulev1.Shift{Hours: hours}
	}
	return showShifts(shifts)
}

// showShifts is showHours for shifts, with their overtime.
func showShifts(shifts []*schedulev1.Shift) string {
	var spans []weekSpan
	for _, shift := range shifts {
		hours := shift.GetHours()
		at := slices.IndexFunc(spans, func(span weekSpan) bool {
			return span.start == hours.GetStart() && span.end == hours.GetEnd() && span.overtime == shift.GetOvertimeEnd()
		})
		if at < 0 {
			at = len(spans)
			spans = append(spans, weekSpan{start: hours.GetStart(), end: hours.GetEnd(), overtime: shift.GetOvertimeEnd()})
		}
		spans[at].days = append(spans[at].days, hours.GetWeekday())
	}
	for _, span := range spans {
		slices.Sort(span.days)
	}
	slices.SortStableFunc(spans, func(a, b weekSpan) int {
		return cmp.Or(cmp.Compare(a.days[0], b.days[0]), cmp.Compare(a.start, b.start))
	})
	lines := make([]string, len(spans))
	for i, span := range spans {
		lines[i] = fmt.Sprintf("%s %s-%s", showWeekdays(span.days), span.start, span.end)
		if span.overtime != "" {
			lines[i] += " overtime " + span.overtime
		}
	}
	return strings.Join(lines, "\n")
}

// showWeekdays writes days in ascending order, as in "mon-fri,sun".
func showWeekdays(days []schedulev1.Weekday) string {
	var parts []string
	for begin := 0; begin < len(days); {
		end := begin
		for end+1 < len(days) && days[end+1] == days[end]+1 {
			end++
		}
		part := weekdayWord(days[begin])
		if end > begin {
			part += "-" + weekdayWord(days[end])
		}
		parts = append(parts, part)
		begin = end + 1
	}
	return strings.Join(parts, ",")
}

func weekdayWord(day schedulev1.Weekday) string {
	if day < 1 || day > daysInWeek {
		return fmt.Sprint(int32(day))
	}
	return weekdayWords[day-1]
}
