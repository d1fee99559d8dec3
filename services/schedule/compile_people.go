package schedule

import (
	"slices"
	"strings"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/clock"
	"velamen/services/products"
	"velamen/services/schedule/model"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
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

// mayApply returns who may be given a product between two moments: they apply chemical
// at all, and no rule on people is against it on any of the days: certificate, training,
// age and fitness for a respirator.
func (c *compiled) mayApply(chemical *Chemical, until model.Minute) []int32 {
	handling := c.handling(chemical, until)
	var people []int32
	for i := range c.crew {
		if c.appliesNow(i) && len(rules.AgainstHandler(c.crew[i].Person, handling)) == 0 {
			people = append(people, int32(i))
		}
	}
	return people
}

// handling is a product from the first minute to another, as the rules on people ask.
func (c *compiled) handling(chemical *Chemical, until model.Minute) rules.Handling {
	return rules.Handling{
		Jurisdiction: c.input.Nursery.Jurisdiction, First: c.dayOf(0), Last: c.dayOf(max(until-1, 0)),
		Product: products.Product{DisplayName: chemical.DisplayName, RestrictedUse: chemical.Restricted, Respirator: chemical.Label.Respirator},
	}
}

// appliesNow reports whether a person applies chemical and works in these days.
func (c *compiled) appliesNow(i int) bool {
	return c.crew[i].Applies && len(c.problem.People[i].Shifts) > 0
}

// mayWork returns everybody who works in the days planned and may do so in some houses:
// where the law asks for it, those who are trained, in a house where pesticide was
// applied, or is in these days.
func (c *compiled) mayWork(houses []int32) []int32 {
	trained := rules.AsksForTraining(c.input.Nursery.Jurisdiction) && slices.ContainsFunc(houses, c.isTreated)
	first, last := c.dayOf(0), c.dayOf(max(c.problem.Horizon-1, 0))
	var people []int32
	for i := range c.crew {
		if len(c.problem.People[i].Shifts) > 0 && (!trained || rules.TrainedWorker(c.crew[i].Person, first, last)) {
			people = append(people, int32(i))
		}
	}
	return people
}

// isTreated reports whether pesticide was applied in a house, or may be in the days
// planned: what is applied first is not known yet.
func (c *compiled) isTreated(house int32) bool {
	id := c.input.Houses[house].ID
	return c.input.Houses[house].Treated || slices.ContainsFunc(c.input.Work, func(w Work) bool {
		return w.Chemical != nil && slices.ContainsFunc(w.Lots, func(lot stock.Lot) bool { return lot.House == id })
	})
}

// nobodyWorks says why nobody may do work without chemical.
func (c *compiled) nobodyWorks() string {
	if len(c.mayWork(nil)) == 0 {
		return "Nobody has working hours in these days: set them in work patterns."
	}
	return "Nobody who works in these days has worker or handler training that counts through all of them, and pesticide was or is applied in its house (" + rules.SourceWorkerTraining + ")."
}

// mostUnfit is how many people are named when nobody may be given a product.
const mostUnfit = 3

// nobodyApplies says why nobody may be given a product.
func (c *compiled) nobodyApplies(chemical *Chemical) string {
	if !slices.ContainsFunc(c.crew, func(a Applicator) bool { return a.Applies }) {
		return "Nobody is entered as somebody who applies chemical: set it in a work pattern."
	}
	handling := c.handling(chemical, c.problem.Horizon)
	var unfit []string
	for i := range c.crew {
		if !c.appliesNow(i) || len(unfit) == mostUnfit {
			continue
		}
		if against := rules.AgainstHandler(c.crew[i].Person, handling); len(against) > 0 {
			unfit = append(unfit, against[0].Message)
		}
	}
	if len(unfit) == 0 {
		return "Nobody who applies chemical works in these days."
	}
	return "Nobody who applies chemical in these days may be given " + chemical.DisplayName + ": " + strings.Join(unfit, "; ") + "."
}
