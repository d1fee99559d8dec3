package schedule

import (
	"slices"
	"strings"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/clock"
	"velamen/services/identity"
	"velamen/services/schedule/model"
)

// addPeople makes the people who may be given work the people of the problem. Those
// who left and auditors get none.
func (c *compiled) addPeople() {
	for _, applicator := range c.input.People {
		if applicator.Person.Disabled || applicator.Person.Role == identityv1.Role_ROLE_AUDITOR {
			continue
		}
		c.people[applicator.Person.ID] = int32(len(c.crew))
		c.crew = append(c.crew, applicator)
		limit := min(limited(int64(applicator.MaxProtectedMinutes)), 24*60)
		c.problem.People = append(c.problem.People, model.Person{
			Name: applicator.Person.DisplayName, Shifts: c.shiftsOf(applicator),
			MaxProtected: limit, Worn: min(c.worn(applicator.Person.ID), limit),
		})
	}
}

// shiftsOf returns when a person can work: the shifts of the week without days off and
// without what the person is doing now.
func (c *compiled) shiftsOf(applicator Applicator) []model.Shift {
	var shifts []model.Shift
	for _, shift := range applicator.Shifts {
		shifts = append(shifts, c.shiftIn(shift)...)
	}
	slices.SortFunc(shifts, func(a, b model.Shift) int { return int(a.From - b.From) })
	for _, off := range c.daysOff(applicator.Absences) {
		shifts = withoutShift(shifts, off)
	}
	for _, told := range c.busy {
		if told.Person == applicator.Person.ID {
			shifts = withoutShift(shifts, model.Span{From: 0, To: c.minuteUp(told.End)})
		}
	}
	return apart(shifts)
}

// shiftIn returns a weekly shift with its overtime within what is planned.
func (c *compiled) shiftIn(shift Shift) []model.Shift {
	var shifts []model.Shift
	for _, span := range c.spans([]Hours{shift.Hours}, c.problem.Horizon) {
		shifts = append(shifts, model.Shift{Span: span, Overtime: span.To})
	}
	if shift.OvertimeEnd == "" {
		return shifts
	}
	more := shift.Hours
	more.Start, more.End = shift.End, shift.OvertimeEnd
	for _, span := range c.spans([]Hours{more}, c.problem.Horizon) {
		i := slices.IndexFunc(shifts, func(s model.Shift) bool { return s.Overtime == span.From })
		if i < 0 {
			shifts = append(shifts, model.Shift{Span: span, Overtime: span.From})
			continue
		}
		shifts[i].To = span.To
	}
	return shifts
}

// daysOff returns absences as spans: whole days of the nursery.
func (c *compiled) daysOff(absences []Absence) []model.Span {
	var spans []model.Span
	for _, absence := range absences {
		begin, _, err := clock.Day(absence.StartDate, c.zone())
		if err != nil {
			continue
		}
		_, end, err := clock.Day(absence.EndDate, c.zone())
		if err != nil || !end.After(begin) {
			continue
		}
		spans = append(spans, model.Span{From: c.minute(begin), To: c.minuteUp(end)})
	}
	return spans
}

// withoutShift cuts a span out of shifts.
func withoutShift(shifts []model.Shift, off model.Span) []model.Shift {
	var left []model.Shift
	for _, shift := range shifts {
		for _, span := range cut(shift.Span, off) {
			left = append(left, model.Shift{Span: span, Overtime: min(max(shift.Overtime, span.From), span.To)})
		}
	}
	return left
}

// apart shortens shifts that begin before the one before them ends, so that nobody
// works twice in a minute.
func apart(shifts []model.Shift) []model.Shift {
	var kept []model.Shift
	for _, shift := range shifts {
		if n := len(kept); n > 0 && shift.From < kept[n-1].To {
			shift.From = kept[n-1].To
			shift.Overtime = max(shift.Overtime, shift.From)
		}
		if shift.From < shift.To {
			kept = append(kept, shift)
		}
	}
	return kept
}

// asksForTraining reports whether the law of the nursery asks for a handler's
// training with a date. Of other laws none is known to velamen that does: there the
// certificate of a restricted product is what counts, and a date of training is kept
// and not held against anybody.
func (c *compiled) asksForTraining() bool {
	country, _, _ := strings.Cut(c.input.Nursery.Jurisdiction, "-")
	return country == "US"
}

// mayApply returns who may be given a product between two moments: they apply
// chemical at all, hold a certificate through all of it where the product asks for
// one, and are trained through all of it where the law does.
func (c *compiled) mayApply(chemical *Chemical, until model.Minute) []int32 {
	first, last := c.dayOf(0), c.dayOf(max(until-1, 0))
	var people []int32
	for i := range c.crew {
		person := &c.crew[i]
		if !person.Applies || len(c.problem.People[i].Shifts) == 0 || (c.asksForTraining() && !mayHandle(person, first, last)) {
			continue
		}
		if chemical.Restricted && !certifiedOn(*person, last) {
			continue
		}
		people = append(people, int32(i))
	}
	return people
}

// mayHandle reports whether a person was trained as a handler through some days and is
// of full age on the first, 18 (40 CFR 170.309(c), from memory), as far as is on record.
func mayHandle(person *Applicator, first, last string) bool {
	return person.Person.Qualified(identity.HandlerTraining, first, last) && !person.Person.UnderAge(first)
}

func certifiedOn(person Applicator, day string) bool {
	for _, certificate := range person.Person.Certificates {
		if certificate.ExpireDate >= day {
			return true
		}
	}
	return false
}

// mayWork returns everybody who works in the days planned.
func (c *compiled) mayWork() []int32 {
	var people []int32
	for i := range c.crew {
		if len(c.problem.People[i].Shifts) > 0 {
			people = append(people, int32(i))
		}
	}
	return people
}

// nobodyApplies says why nobody may be given a product.
func (c *compiled) nobodyApplies(chemical *Chemical) string {
	applies := slices.ContainsFunc(c.crew, func(a Applicator) bool { return a.Applies })
	working := slices.ContainsFunc(c.mayWork(), func(i int32) bool { return c.crew[i].Applies })
	switch {
	case !applies:
		return "Nobody is entered as somebody who applies chemical: set it in a work pattern."
	case !working:
		return "Nobody who applies chemical works in these days."
	case chemical.Restricted:
		text := chemical.DisplayName + " is for certified applicators, and nobody who applies chemical in these days holds a certificate that is valid until the last of them"
		if c.asksForTraining() {
			text += " and was trained within 12 months"
		}
		return text + "."
	default:
		return "Nobody who applies chemical in these days was trained to handle it within 12 months (40 CFR 170.501)."
	}
}
