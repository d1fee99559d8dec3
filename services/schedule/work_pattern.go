package schedule

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// WorkPattern says when a person works and what the plan may ask of them. The zero
// value is a person who is given no work.
type WorkPattern struct {
	// Shifts of a week, apart.
	Shifts []Shift
	// Absences are days off.
	Absences []Absence
	// Applies is true when the person may be given chemical to apply.
	Applies bool
	// MaxProtectedMinutes is the most a day in protective equipment or heat, both together;
	// 0 for no limit.
	MaxProtectedMinutes int
}

// Shift is hours of work with the end of their overtime.
type Shift struct {
	Hours
	// OvertimeEnd is HH:MM; empty without overtime.
	OvertimeEnd string `json:"overtime_end"`
}

// Absence is whole days without work, YYYY-MM-DD.
type Absence struct {
	StartDate string `json:"start_date"`
	EndDate   string `json:"end_date"`
	Reason    string `json:"reason"`
}

// withOvertime are the hours of a shift until the end of its overtime.
func (s Shift) withOvertime() Hours {
	hours := s.Hours
	hours.End = cmp.Or(s.OvertimeEnd, s.End)
	return hours
}

// workPatternFromContract reads a work pattern and refuses one that breaks a rule, by
// field.
func workPatternFromContract(message *schedulev1.WorkPattern) (WorkPattern, error) {
	pattern := WorkPattern{Applies: message.GetApplies(), MaxProtectedMinutes: int(message.GetMaxProtectedMinutes())}
	for i, entered := range message.GetShifts() {
		shift, err := shiftFromContract(fmt.Sprintf("work_pattern.shifts[%d]", i), entered)
		if err != nil {
			return WorkPattern{}, err
		}
		for _, other := range pattern.Shifts {
			if shift.withOvertime().overlaps(other.withOvertime()) {
				return WorkPattern{}, fault.Field(fmt.Sprintf("work_pattern.shifts[%d]", i), "%s overlaps %s; nobody works two shifts at once", shift.withOvertime(), other.withOvertime())
			}
		}
		pattern.Shifts = append(pattern.Shifts, shift)
	}
	for i, entered := range message.GetAbsences() {
		absence, err := absenceFromContract(fmt.Sprintf("work_pattern.absences[%d]", i), entered)
		if err != nil {
			return WorkPattern{}, err
		}
		pattern.Absences = append(pattern.Absences, absence)
	}
	return pattern, nil
}

func shiftFromContract(field string, entered *schedulev1.Shift) (Shift, error) {
	hours, err := hoursFromContract(field+".hours", entered.GetHours())
	if err != nil {
		return Shift{}, err
	}
	shift := Shift{Hours: hours, OvertimeEnd: entered.GetOvertimeEnd()}
	if shift.OvertimeEnd == "" {
		return shift, nil
	}
	end, err := minuteOfDay(shift.OvertimeEnd)
	if err != nil {
		return Shift{}, fault.Field(field+".overtime_end", "%s", err)
	}
	if _, to := hours.minutes(); end <= to {
		return Shift{}, fault.Field(field+".overtime_end", "%s is not after the end of the shift at %s; leave it empty for no overtime", shift.OvertimeEnd, hours.End)
	}
	return shift, nil
}

func absenceFromContract(field string, entered *schedulev1.Absence) (Absence, error) {
	absence := Absence{StartDate: entered.GetStartDate().GetValue(), EndDate: entered.GetEndDate().GetValue(), Reason: entered.GetReason()}
	start, _, err := clock.Day(absence.StartDate, time.UTC)
	if err != nil {
		return Absence{}, fault.Field(field+".start_date", "%s", err)
	}
	end, _, err := clock.Day(absence.EndDate, time.UTC)
	if err != nil {
		return Absence{}, fault.Field(field+".end_date", "%s", err)
	}
	if end.Before(start) {
		return Absence{}, fault.Field(field+".end_date", "%s is before the first day, %s", absence.EndDate, absence.StartDate)
	}
	return absence, nil
}

// contract returns the work pattern as the contract carries it, without its etag.
func (w WorkPattern) contract(nursery, person string) *schedulev1.WorkPattern {
	message := &schedulev1.WorkPattern{
		Name: workPatternName(nursery, person), Applies: w.Applies, MaxProtectedMinutes: int32(w.MaxProtectedMinutes),
	}
	for _, shift := range w.Shifts {
		message.Shifts = append(message.Shifts, &schedulev1.Shift{Hours: shift.contract(), OvertimeEnd: shift.OvertimeEnd})
	}
	for _, absence := range w.Absences {
		message.Absences = append(message.Absences, &schedulev1.Absence{
			StartDate: &typev1.Date{Value: absence.StartDate}, EndDate: &typev1.Date{Value: absence.EndDate}, Reason: absence.Reason,
		})
	}
	return message
}

// newAbsences returns the absences that were not there before: each may take work
// from a plan.
func newAbsences(before, after WorkPattern) []Absence {
	return slices.DeleteFunc(slices.Clone(after.Absences), func(a Absence) bool { return slices.Contains(before.Absences, a) })
}

func workPatternName(nursery, person string) string {
	return resource.Of("nurseries", nursery, "workPatterns", person)
}
