package duty

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// NurseryFacts are what the calendar must know of a nursery.
type NurseryFacts struct {
	// Jurisdiction is the code of its law, Zone its time zone.
	Jurisdiction string
	Zone         *time.Location
	// MonthlySummary, ElectronicAtOnce and LongerConversion are as in Event, for
	// applications that do not say.
	MonthlySummary, ElectronicAtOnce, LongerConversion Answer
}

// Application is one application of a month.
type Application struct {
	// Name is what a person finds it by.
	Name string
	// Event is what happened; its zone is the nursery's.
	Event Event
}

// Done is that somebody did what a deadline asks for.
type Done struct {
	// Deadline is the ID of the row.
	Deadline string
	// Application is the name of the application; empty for a report of the month.
	Application string
	At          time.Time
}

// State is how it stands with what is due.
type State string

// States.
const (
	// Open is due and not late.
	Open State = "open"
	// Overdue is late and not done.
	Overdue State = "overdue"
	// InTime was done in time. Of what is due at once it says only that it was done,
	// since the law gives no number.
	InTime State = "done"
	// DoneLate was done too late.
	DoneLate State = "done late"
	// Lasting must still last.
	Lasting State = "lasting"
	// Over has lasted long enough.
	Over State = "over"
	// EndedEarly was ended before it was over.
	EndedEarly State = "ended early"
	// Nil is a report without anything to report.
	Nil State = "nil"
	// NotYet is what a state has put off, or a month that is not over.
	NotYet State = "not yet"
)

// Item is one line of a calendar.
type Item struct {
	Deadline
	// Applications are those it is about: one, all of the month for a report, or none.
	Applications []string
	// Month is true for a report of the month, which is done for all of it at once.
	Month bool
	State State
	// DoneAt is when it was done; zero when it was not.
	DoneAt time.Time
}

// Calendar is what a month's work asks for.
type Calendar struct {
	// Month is YYYY-MM in the nursery's zone.
	Month string
	// Items are in the order in which they are due; what has no date comes last.
	Items []Item
	// Gaps are sentences on what could not be worked out, and on laws that were not read.
	Gaps    []string
	Caution string
}

// MonthOf lists what the work of a nursery's month (YYYY-MM) asks for, when each is
// due and how it stands at a moment. Applications that did not begin in the month are
// left alone. What is due only when somebody asks is not in it.
func MonthOf(nursery NurseryFacts, month string, applications []Application, done []Done, now time.Time) (Calendar, error) {
	return shipped().monthOf(nursery, month, applications, done, now)
}

// calendarDraft is a calendar as it is put together.
type calendarDraft struct {
	Calendar
	law     *law
	place   scope
	nursery NurseryFacts
	// first is when the month begins and end when the next one does.
	first, end time.Time
	done       []Done
	now        time.Time
}

func (l *law) monthOf(nursery NurseryFacts, month string, applications []Application, done []Done, now time.Time) (Calendar, error) {
	if nursery.Zone == nil {
		return Calendar{}, missing("the nursery's time zone")
	}
	first, err := time.Parse(monthForm, month)
	if err != nil || first.Year() < firstYear || first.Year() > lastYear {
		return Calendar{}, fmt.Errorf("%q is not a month (YYYY-MM)", month)
	}
	place, err := l.scopeOf(nursery.Jurisdiction)
	if err != nil {
		return Calendar{}, err
	}
	draft := calendarDraft{
		Calendar: Calendar{Month: month, Gaps: slices.Clone(place.says), Caution: Caution},
		law:      l, place: place, nursery: nursery, done: done, now: now,
		first: onClock(first, nursery.Zone), end: onClock(first.AddDate(0, 1, 0), nursery.Zone),
	}
	inMonth := draft.choose(applications)
	bound := false
	for _, rule := range l.deadlines.rules {
		if !slices.Contains(place.laws, rule.law) {
			continue
		}
		bound = true
		switch rule.from {
		case request, requestDay:
		case wholeMonth:
			if err := draft.addMonth(rule, inMonth); err != nil {
				return Calendar{}, err
			}
		default:
			draft.addEach(rule, inMonth)
		}
	}
	if !bound {
		draft.Gaps = append(draft.Gaps, fmt.Sprintf("No deadline was read for %s: ask the authority.", nursery.Jurisdiction))
	}
	slices.SortStableFunc(draft.Items, inOrder)
	return draft.Calendar, nil
}

// inOrder puts the sooner first, and what has no date last.
func inOrder(a, b Item) int {
	if a.Limit.Moment.IsZero() != b.Limit.Moment.IsZero() {
		if a.Limit.Moment.IsZero() {
			return 1
		}
		return -1
	}
	return cmp.Or(a.Limit.Moment.Compare(b.Limit.Moment), cmp.Compare(a.ID, b.ID), slices.Compare(a.Applications, b.Applications))
}

// choose returns the applications of the month with what the nursery says of all, and
// names those whose month cannot be told.
func (c *calendarDraft) choose(applications []Application) []Application {
	var chosen []Application
	for _, a := range applications {
		a.Event = c.nursery.fill(a.Event)
		if err := a.Event.Check(); err != nil {
			c.Gaps = append(c.Gaps, fmt.Sprintf("Application %s: %s.", a.Name, err))
			continue
		}
		if a.Event.Start.IsZero() {
			c.Gaps = append(c.Gaps, fmt.Sprintf("Application %s: when it began is not known, so its month is not either.", a.Name))
			continue
		}
		if monthOf(a.Event.Start, c.nursery.Zone) == c.Month {
			chosen = append(chosen, a)
		}
	}
	return chosen
}

// fill says for an event what the nursery says of all.
func (n NurseryFacts) fill(e Event) Event {
	e.Zone = n.Zone
	e.MonthlySummary = cmp.Or(e.MonthlySummary, n.MonthlySummary)
	e.ElectronicAtOnce = cmp.Or(e.ElectronicAtOnce, n.ElectronicAtOnce)
	e.LongerConversion = cmp.Or(e.LongerConversion, n.LongerConversion)
	return e
}

// addEach adds one line for each application that a row binds.
func (c *calendarDraft) addEach(rule deadlineRule, applications []Application) {
	for _, a := range applications {
		deadline, excluded, err := c.law.deadline(rule, c.place, a.Event)
		switch {
		case err != nil:
			c.Gaps = append(c.Gaps, fmt.Sprintf("Application %s, %s: %s.", a.Name, rule.id, err))
		case excluded == "":
			notBefore := a.Event.Start
			if rule.duty == DisplayInformation || rule.duty == KeepDisplayed {
				notBefore = time.Time{} // what will be applied may be shown before
			}
			c.Items = append(c.Items, c.stand(Item{Deadline: deadline, Applications: []string{a.Name}}, a.Name, notBefore))
		}
	}
}

// addMonth adds the one line of a report of the month. A negative report is due where
// no application is sure to be reported; a report without applications is nil.
func (c *calendarDraft) addMonth(rule deadlineRule, applications []Application) error {
	reported := reportedBy(rule, applications)
	// The month itself stands for the event: the facts of the nursery decide.
	event := c.nursery.fill(Event{Start: c.first, DoneBy: rule.when.doneBy})
	excluded, _ := rule.when.holds(event)
	switch {
	case rule.nilMonth && (excluded != "" || reported.sure):
		return nil
	case excluded != "" && len(reported.names) == 0:
		return nil
	case excluded != "":
		// The nursery files none for itself, an application does.
		event = rule.when.meet(event)
	}
	deadline, excluded, err := c.law.deadline(rule, c.place, event)
	if err != nil {
		return fmt.Errorf("%s: %w", rule.id, err)
	}
	if excluded != "" {
		return nil // the month lies before the uses that the row binds
	}
	deadline.Notes = append(deadline.Notes, reported.doubts...)
	item := Item{Deadline: deadline, Month: true}
	if !rule.nilMonth {
		item.Applications = reported.names
	}
	c.Items = append(c.Items, c.settleMonth(c.stand(item, "", c.end), rule.nilMonth))
	return nil
}

// report is what goes into a report of the month.
type report struct {
	names []string
	// sure is true where one of them is reported whatever was not said.
	sure   bool
	doubts []string
}

func reportedBy(rule deadlineRule, applications []Application) report {
	var r report
	for _, a := range applications {
		excluded, unsaid := rule.when.holds(a.Event)
		if excluded != "" {
			continue
		}
		r.names = append(r.names, a.Name)
		r.sure = r.sure || len(unsaid) == 0
		for _, doubt := range unsaid {
			r.doubts = append(r.doubts, a.Name+": "+doubt)
		}
	}
	return r
}

// settleMonth says of a report that names no work whether work may still come.
func (c *calendarDraft) settleMonth(item Item, negative bool) Item {
	if len(item.Applications) > 0 || !item.DoneAt.IsZero() {
		return item
	}
	switch {
	case c.now.Before(c.end):
		item.State = NotYet
		item.Notes = append(item.Notes, "The month is not over.")
	case !negative:
		item.State = Nil
		item.Notes = append(item.Notes, "There is nothing to report. A rule that asks for a negative report stands on a line of its own.")
	}
	return item
}

// stand says how it stands with an item: the first time that it was done counts. A
// report of a month that was not over yet is none, since work could still follow, nor
// is a record of work that had not begun.
func (c *calendarDraft) stand(item Item, application string, notBefore time.Time) Item {
	for _, d := range c.done {
		if d.Deadline != item.ID || d.Application != application || d.At.IsZero() || d.At.Before(notBefore) {
			continue
		}
		if item.DoneAt.IsZero() || d.At.Before(item.DoneAt) {
			item.DoneAt = d.At.UTC()
		}
	}
	switch {
	case item.NotYet:
		item.State = NotYet
	case item.HoldsUntil:
		item.State = item.lasting(c.now)
	default:
		item.State = item.due(c.now)
	}
	return item
}

// lasting is the state of what must last. What was ended at the last moment was not
// ended early.
func (i Item) lasting(now time.Time) State {
	switch {
	case !i.DoneAt.IsZero() && i.DoneAt.Before(i.Limit.Moment):
		return EndedEarly
	case i.Limit.Passed(now):
		return Over
	default:
		return Lasting
	}
}

// due is the state of what must be done.
func (i Item) due(now time.Time) State {
	switch {
	case i.DoneAt.IsZero() && i.Limit.Passed(now):
		return Overdue
	case i.DoneAt.IsZero():
		return Open
	case !i.AtOnce && i.Limit.Passed(i.DoneAt):
		return DoneLate
	default:
		return InTime
	}
}
