package duty

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// Duty is a kind of thing to be done about a record.
type Duty string

// Duties.
const (
	// WriteRecord is to write the record of an application.
	WriteRecord Duty = "write-record"
	// ConvertRecord is to bring a record into an electronic form.
	ConvertRecord Duty = "convert-record"
	// ReportUse is to report use to an authority.
	ReportUse Duty = "report-use"
	// NegativeReport is to report that there was no use in a month.
	NegativeReport Duty = "negative-report"
	// GiveCopy is to give a copy to whom the work was done for.
	GiveCopy Duty = "give-copy"
	// AnswerRequest is to give a copy or a look to somebody who asked.
	AnswerRequest Duty = "answer-request"
	// TellMedical is to tell those who treat somebody exposed.
	TellMedical Duty = "tell-medical"
	// DisplayInformation is to begin to show the application information.
	DisplayInformation Duty = "display-information"
	// KeepDisplayed is to go on showing it.
	KeepDisplayed Duty = "keep-displayed"
)

var duties = []Duty{
	WriteRecord, ConvertRecord, ReportUse, NegativeReport, GiveCopy, AnswerRequest, TellMedical, DisplayInformation, KeepDisplayed,
}

// Errors of Due.
var (
	// ErrNotKnown is wrapped where no law that was read has such a duty. It does not
	// say that there is none.
	ErrNotKnown = errors.New("not known")
	// ErrNotDue is wrapped where the facts of the event rule the duty out.
	ErrNotDue = errors.New("not due")
	// ErrNotYet is wrapped where a state has put the duty off beyond the event.
	ErrNotYet = errors.New("not yet due")
)

// Deadline is by when one law asks for one thing.
type Deadline struct {
	// ID is the row's identifier, Law the code of its law.
	ID, Law string
	Duty    Duty
	// What is done, Whose it is to do, and To whom; To may be empty.
	What, Whose, To string
	// Limit is the last day or moment. For a duty that HoldsUntil it is the end, for
	// one AtOnce the moment from which nothing may wait.
	Limit      Limit
	AtOnce     bool
	HoldsUntil bool
	// NotYet is true where a state has put the duty off; Limit is zero then.
	NotYet bool
	// Source says where it stands; Verified is false where that is from memory.
	Source   string
	Verified bool
	// Notes are sentences on what was taken for granted or must be asked.
	Notes []string
}

// WeekendNote is said of a deadline that ends on a Saturday or Sunday.
const WeekendNote = "The last day is on a weekend. Whether that moves it was not found; here it does not move."

// Sentence tells a person what is due.
func (d Deadline) Sentence() string {
	to := ""
	if d.To != "" {
		to = " (to " + d.To + ")"
	}
	by := "by " + d.Limit.Text
	switch {
	case d.NotYet:
		by = "not required yet"
	case d.HoldsUntil:
		by = "at least until " + d.Limit.Text
	case d.AtOnce:
		by = "at once, from " + d.Limit.Text
	}
	return fmt.Sprintf("%s: %s%s, %s. Source: %s.", sentenceCase(d.Whose), d.What, to, by, d.Source)
}

func sentenceCase(text string) string {
	_, size := utf8.DecodeRuneInString(text)
	return strings.ToUpper(text[:size]) + text[size:]
}

// Due is the deadline of a duty after an event under the laws of a jurisdiction: the
// soonest of all that bind, and the last for a duty that lasts. The errors wrap
// ErrNotKnown, ErrNotDue, ErrNotYet or ErrMissing; with ErrNotYet the deadline tells
// who put it off.
func Due(duty Duty, jurisdiction string, event Event) (Deadline, error) {
	return shipped().due(duty, jurisdiction, event)
}

// AllDue is every deadline of a duty, in the order in which Due prefers them. It fails
// as Due does, but a duty that is put off is among them and no error.
func AllDue(duty Duty, jurisdiction string, event Event) ([]Deadline, error) {
	return shipped().allDue(duty, jurisdiction, event)
}

func (l *law) due(duty Duty, code string, event Event) (Deadline, error) {
	all, err := l.allDue(duty, code, event)
	if err != nil {
		return Deadline{}, err
	}
	if all[0].NotYet {
		return all[0], fmt.Errorf("%w: %s", ErrNotYet, strings.Join(all[0].Notes, " "))
	}
	return all[0], nil
}

func (l *law) allDue(duty Duty, code string, event Event) ([]Deadline, error) {
	place, err := l.scopeOf(code)
	if err != nil {
		return nil, err
	}
	if err := event.Check(); err != nil {
		return nil, err
	}
	var all []Deadline
	var excluded []string
	found := false
	for _, rule := range l.deadlines.rules {
		if rule.duty != duty || !slices.Contains(place.laws, rule.law) {
			continue
		}
		found = true
		deadline, no, err := l.deadline(rule, place, event)
		switch {
		case err != nil:
			return nil, fmt.Errorf("%s: %w", rule.id, err)
		case no != "":
			excluded = append(excluded, no)
		default:
			all = append(all, deadline)
		}
	}
	if !found {
		return nil, fmt.Errorf("%w: no rule on %s was read for %s: ask the authority", ErrNotKnown, duty, code)
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("%w: %s", ErrNotDue, strings.Join(excluded, " "))
	}
	slices.SortStableFunc(all, prefer)
	return all, nil
}

// prefer puts what is due before what is put off, the sooner first, and of what lasts
// the longer.
func prefer(a, b Deadline) int {
	if a.NotYet != b.NotYet {
		if a.NotYet {
			return 1
		}
		return -1
	}
	if a.HoldsUntil {
		a, b = b, a
	}
	return a.Limit.Moment.Compare(b.Limit.Moment)
}

// deadline applies one row to an event. excluded says why the row does not bind.
func (l *law) deadline(rule deadlineRule, place scope, event Event) (d Deadline, excluded string, err error) {
	no, doubts := rule.when.holds(event)
	if no != "" {
		return Deadline{}, no, nil
	}
	from, err := rule.from.of(event)
	if err != nil {
		return Deadline{}, "", err
	}
	day := dayOf(from, event.Zone)
	if rule.usesFrom != "" && day < rule.usesFrom {
		return Deadline{}, fmt.Sprintf("It binds uses from %s.", rule.usesFrom), nil
	}
	d = rule.blank(place)
	d.Notes = append(d.Notes, doubts...)
	if put, off := l.deadlines.deferred(rule, place, day); off {
		d.NotYet, d.AtOnce, d.Source, d.Verified = true, false, put.source, put.verified
		d.Notes = append(d.Notes, put.says)
		return d, "", nil
	}
	d.Limit = rule.limit(from, event.Zone)
	l.deadlines.extend(&d, from, event)
	if d.Limit.Weekend && d.Limit.Day != "" && !d.HoldsUntil {
		d.Notes = append(d.Notes, WeekendNote)
	}
	return d, "", nil
}

// blank is a row's deadline without its time.
func (rule deadlineRule) blank(place scope) Deadline {
	d := Deadline{
		ID: rule.id, Law: rule.law, Duty: rule.duty, What: rule.what, Whose: rule.whose, To: rule.to,
		AtOnce: rule.atOnce, HoldsUntil: rule.holdsUntil, Source: rule.source, Verified: rule.verified,
	}
	if rule.note != "" {
		d.Notes = append(d.Notes, rule.note)
	}
	d.Notes = append(d.Notes, place.says...)
	return d
}

func (rule deadlineRule) limit(from time.Time, zone *time.Location) Limit {
	read := reading(from, zone)
	switch {
	case rule.dayOfNextMonth != 0:
		return lastDay(read.Year(), read.Month()+1, rule.dayOfNextMonth, zone)
	case rule.days != 0 && rule.from.wholeDays():
		return lastDay(read.Year(), read.Month(), read.Day()+rule.days, zone)
	case rule.days != 0:
		return atMoment(onClock(read.AddDate(0, 0, rule.days), zone), zone)
	default:
		return atMoment(from.Add(time.Duration(rule.hours)*time.Hour), zone)
	}
}

// deferred finds the state that puts a row off for a day of use.
func (set deadlineSet) deferred(rule deadlineRule, place scope, day string) (deferral, bool) {
	for _, put := range set.deferrals {
		if put.deadline == rule.id && slices.Contains(place.laws, put.law) && day < put.usesBefore {
			return put, true
		}
	}
	return deferral{}, false
}

// extend gives the longer time for a use where the nursery said that its state allows
// it. It is never shorter than the rule's own.
func (set deadlineSet) extend(d *Deadline, used time.Time, event Event) {
	if event.LongerConversion != Yes {
		return
	}
	for _, longer := range set.extensions {
		if longer.deadline != d.ID || dayOf(used, event.Zone) >= longer.usesBefore {
			continue
		}
		limit := lastDay(reading(used, event.Zone).Year()+1, longer.month, longer.day, event.Zone)
		if limit.later(d.Limit) {
			d.Limit, d.Source, d.Verified = limit, longer.source, longer.verified
			d.Notes = append(d.Notes, longer.says)
		}
	}
}
