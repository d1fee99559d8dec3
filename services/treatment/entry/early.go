package entry

import (
	"errors"
	"fmt"
	"strconv"
	"sync"
	"time"

	"velamen/internal/jurisdiction"
	"velamen/internal/rulefile"
)

// Kind is a kind of entry before the end of a restricted-entry interval.
type Kind string

// The kinds of data/early-entry.yaml.
const (
	// NoContact touches nothing that was treated.
	NoContact Kind = "no-contact"
	// ShortTerm is a short task without hand labour.
	ShortTerm Kind = "short-term"
	// Emergency is in an agricultural emergency that an agency has declared.
	Emergency Kind = "emergency"
	// LimitedContact is a task of little contact, or irrigation.
	LimitedContact Kind = "limited-contact"
)

// AllowsHandLabour reports whether hand labour is allowed under a kind: work in which the
// hands touch the plants for long. A kind that is not entered allows none.
func (k Kind) AllowsHandLabour() bool {
	row, known := earlyEntry().kind(k)
	return known && !row.NoContact && !row.NoHandLabour
}

// EarlyEntry is one worker's entry that somebody asks about.
type EarlyEntry struct {
	Kind  Kind
	House string
	Visit
	// Age of the worker in whole years; 0 when it is not entered.
	Age int
	// Earlier are the worker's other visits to areas under an interval in the 24 h
	// before. EarlierEntered is false while nobody has said which there were.
	Earlier        []Visit
	EarlierEntered bool
	// Contact is whether anything treated is touched, HandLabour whether it is hand
	// labour: work in which the hands touch the plants for long.
	Contact, HandLabour Fact
	// Unforeseen is whether the need could not be foreseen and waiting would cost
	// much, Declared whether an agency has declared the emergency.
	Unforeseen, Declared Fact
}

// Visit is a span in which a worker is in an area, UTC.
type Visit struct{ Start, End time.Time }

// Ground is one rule that an early entry was held to.
type Ground struct {
	// Rule is its name, for example "early-entry-age".
	Rule string
	// Refuses is true when it forbids the entry.
	Refuses bool
	Message string
	// Numbers are what was compared, with units.
	Numbers []Number
	Source  string
}

// Number is a number of a verdict, with its unit.
type Number struct{ Name, Value string }

// Verdict is whether somebody may enter early.
type Verdict struct {
	// Allowed is true when no rule forbids it. It holds only while every condition is
	// kept.
	Allowed bool
	Grounds []Ground
	// Conditions are sentences that must be true of the entry.
	Conditions []string
}

// early collects a verdict.
type early struct {
	entry  EarlyEntry
	kind   kindRow
	set    *earlySet
	ground []Ground
}

// EarlyEntryAt returns whether one worker may enter a house before its interval is
// over. Whatever closes the house beside an interval forbids it: work that goes on,
// air that is not aired, a fact that is missing. Where no rule of early entry is
// entered for the nursery's law, nobody enters early.
func (n Nursery) EarlyEntryAt(applications []Application, airings []Airing, entry EarlyEntry) Verdict {
	set := earlyEntry()
	e := &early{entry: entry, set: set}
	kind, known := set.kind(entry.Kind)
	e.kind = kind
	switch {
	case !contains(jurisdiction.Laws(n.Jurisdiction), federal) || jurisdiction.Check(n.Jurisdiction) != nil:
		e.refuse("early-entry-law", set.Source, "no rule of early entry is entered for the nursery's law %q, so nobody enters early", n.Jurisdiction)
		return e.verdict(n)
	case !known:
		e.refuse("early-entry-kind", set.Source, "%q is no kind of early entry", entry.Kind)
		return e.verdict(n)
	case entry.Start.IsZero() || !entry.End.After(entry.Start):
		e.refuse("early-entry-visit", kind.Source, "the visit must end after it starts")
		return e.verdict(n)
	}
	under := e.closures(n, applications, airings)
	if len(e.ground) == 0 && len(under) == 0 {
		e.pass("early-entry-not-needed", sourceLongest, "nothing closes the house during the visit")
		return Verdict{Allowed: true, Grounds: e.ground}
	}
	e.worker()
	e.work()
	for _, a := range under {
		e.application(n, a)
	}
	e.time(under)
	return e.verdict(n)
}

// closures refuses what closes the house beside an interval, and returns the
// applications under whose interval the visit falls.
func (e *early) closures(n Nursery, applications []Application, airings []Airing) []Application {
	const least = time.Nanosecond
	standing := n.At(applications, airings, e.entry.House, e.entry.Start)
	atEnd := n.At(applications, airings, e.entry.House, e.entry.End.Add(-least))
	for _, closure := range atEnd.Closures {
		if closure.Since.After(e.entry.Start) {
			standing.Closures = append(standing.Closures, closure)
		}
	}
	running := map[string]bool{}
	for _, closure := range standing.Closures {
		running[closure.Application] = running[closure.Application] || (closure.Reason == IntervalRuns && !closure.Until.IsZero())
	}
	for _, closure := range standing.Closures {
		switch {
		case closure.Reason == IntervalRuns && !closure.Until.IsZero():
		case closure.Reason == SignsUp && running[closure.Application]:
		default:
			e.refuse("early-entry-closed", closure.Source, "an exception is from the interval only: %s", closure.Why)
		}
	}
	var under []Application
	for _, a := range applications {
		if running[a.ID] {
			under = append(under, a)
		}
	}
	return under
}

// worker holds the worker to the least age.
func (e *early) worker() {
	least := e.set.LeastAge
	switch {
	case e.entry.Age == 0:
		e.refuse("early-entry-age", least.Source, "the worker's age is not entered; it must be at least %d years", least.Years)
	case e.entry.Age < least.Years:
		e.refuse("early-entry-age", least.Source, "the worker is %d years old and must be at least %d", e.entry.Age, least.Years)
	default:
		e.pass("early-entry-age", least.Source, "the worker is at least %d years old", least.Years)
	}
	e.number("age", strconv.Itoa(e.entry.Age)+" years")
}

// work holds the work to what the kind allows.
func (e *early) work() {
	e.must(e.kind.NoContact, e.entry.Contact, No, "early-entry-contact", "nothing treated is touched")
	e.must(e.kind.NoHandLabour, e.entry.HandLabour, No, "early-entry-hand-labour", "it is no hand labour")
	e.must(e.kind.Unforeseen, e.entry.Unforeseen, Yes, "early-entry-unforeseen", "the need could not be foreseen and waiting would cost much")
	e.must(e.kind.Declared, e.entry.Declared, Yes, "early-entry-declared", "an agency has declared the emergency")
}

func (e *early) must(asked bool, fact, wanted Fact, rule, text string) {
	switch {
	case !asked:
	case fact == Unknown:
		e.refuse(rule, e.kind.Source, "%s is allowed only when %s, which is not entered", e.kind.Name, text)
	case fact != wanted:
		e.refuse(rule, e.kind.Source, "%s is allowed only when %s", e.kind.Name, text)
	default:
		e.pass(rule, e.kind.Source, "%s", text)
	}
}

// application holds the visit to one application.
func (e *early) application(n Nursery, a Application) {
	if hours := e.kind.NotFirstH; hours > 0 {
		opens := a.End.Add(time.Duration(hours) * time.Hour)
		if e.entry.Start.Before(opens) {
			e.refuse("early-entry-first-hours", e.kind.Source, "nobody enters in the first %d h after application %s: not before %s", hours, a.ID, n.when(opens))
		} else {
			e.pass("early-entry-first-hours", e.kind.Source, "the first %d h after application %s are over", hours, a.ID)
		}
		e.number("after the application", lengthText(e.entry.Start.Sub(a.End)))
	}
	if e.kind.DoubleForbidden && double(a) {
		e.refuse("early-entry-double", e.kind.Source,
			"%s is not allowed after application %s: a label asks for signs and spoken words both, or nobody entered that it does not", e.kind.Name, a.ID)
	}
}

// double reports whether a label of a mix asks for double notification, or may.
func double(a Application) bool {
	return anyProduct(a, func(p Product) Fact { return p.Double }) != No
}

// time holds the worker to the most time in 24 h.
func (e *early) time(under []Application) {
	most := e.kind.MostMinutes
	for _, a := range under {
		if limit := e.kind.DoubleMostMinutes; limit > 0 && double(a) && (most == 0 || limit < most) {
			most = limit
		}
	}
	if most == 0 || len(under) == 0 {
		return
	}
	const rule = "early-entry-time"
	if !e.entry.EarlierEntered {
		e.refuse(rule, e.kind.Source, "which areas under an interval the worker was in during the last 24 h is not entered")
		return
	}
	spent := e.spent()
	limit := time.Duration(most) * time.Minute
	if spent > limit {
		e.refuse(rule, e.kind.Source, "the worker would be in areas under an interval for %s in 24 h; the most for %s is %s", lengthText(spent), e.kind.Name, lengthText(limit))
	} else {
		e.pass(rule, e.kind.Source, "the worker is in areas under an interval for %s in 24 h, at most %s", lengthText(spent), lengthText(limit))
	}
	e.number("time in 24 h", lengthText(spent))
	e.number("most", lengthText(limit))
}

// spent is the time in areas under an interval in the 24 h that end with the visit.
// No other 24 h hold more: moving them earlier takes from the visit, all of which
// counts.
func (e *early) spent() time.Duration {
	from := e.entry.End.Add(-24 * time.Hour)
	spent := e.entry.End.Sub(e.entry.Start)
	for _, visit := range e.entry.Earlier {
		begin, end := visit.Start, visit.End
		if begin.Before(from) {
			begin = from
		}
		if end.After(e.entry.End) {
			end = e.entry.End
		}
		spent += max(0, end.Sub(begin))
	}
	return spent
}

func (e *early) verdict(n Nursery) Verdict {
	v := Verdict{Allowed: true, Grounds: e.ground}
	for _, ground := range e.ground {
		v.Allowed = v.Allowed && !ground.Refuses
	}
	if !v.Allowed {
		return v
	}
	for _, condition := range e.set.Conditions {
		v.Conditions = append(v.Conditions, condition.Text)
	}
	if e.kind.Also != "" {
		v.Conditions = append(v.Conditions, e.kind.Also)
	}
	if _, subdivision := jurisdiction.Country(n.Jurisdiction); subdivision {
		v.Conditions = append(v.Conditions, fmt.Sprintf("The rule of %s on early entry, which is not entered here and may allow less, allows it too.", n.Jurisdiction))
	}
	return v
}

func (e *early) refuse(rule, source, format string, args ...any) {
	e.ground = append(e.ground, Ground{Rule: rule, Refuses: true, Source: source, Message: fmt.Sprintf(format, args...)})
}

func (e *early) pass(rule, source, format string, args ...any) {
	e.ground = append(e.ground, Ground{Rule: rule, Source: source, Message: fmt.Sprintf(format, args...)})
}

// number adds a number to the last ground.
func (e *early) number(name, value string) {
	last := &e.ground[len(e.ground)-1]
	last.Numbers = append(last.Numbers, Number{Name: name, Value: value})
}

type earlySet struct {
	head     `yaml:",inline"`
	LeastAge struct {
		Years  int `yaml:"years"`
		origin `yaml:",inline"`
	} `yaml:"least_age"`
	Conditions []conditionRow `yaml:"conditions"`
	Kinds      []kindRow      `yaml:"kinds"`
}

type conditionRow struct {
	Text   string `yaml:"text"`
	origin `yaml:",inline"`
}

type kindRow struct {
	ID                Kind   `yaml:"id"`
	Name              string `yaml:"name"`
	MostMinutes       int    `yaml:"most_minutes"`
	DoubleMostMinutes int    `yaml:"double_most_minutes"`
	NotFirstH         int    `yaml:"not_first_h"`
	DoubleForbidden   bool   `yaml:"double_forbidden"`
	NoContact         bool   `yaml:"no_contact"`
	NoHandLabour      bool   `yaml:"no_hand_labour"`
	Unforeseen        bool   `yaml:"unforeseen"`
	Declared          bool   `yaml:"declared"`
	Also              string `yaml:"also"`
	origin            `yaml:",inline"`
}

var earlyEntry = sync.OnceValue(func() *earlySet { return load("early-entry.yaml", parseEarlyEntry) })

func (s *earlySet) kind(id Kind) (kindRow, bool) {
	for _, kind := range s.Kinds {
		if kind.ID == id {
			return kind, true
		}
	}
	return kindRow{}, false
}

// parseEarlyEntry reads early-entry.yaml. Errors name the file, the row and the field.
func parseEarlyEntry(file []byte) (*earlySet, error) {
	var set earlySet
	err := rulefile.Decode(file, &set)
	if err == nil {
		err = set.check()
	}
	if err != nil {
		return nil, fmt.Errorf("early-entry.yaml: %w", err)
	}
	return &set, nil
}

const (
	mostYears      = 100     // of age; more is a typing error
	minutesOf24h   = 24 * 60 // min; no limit can be longer
	mostFirstHours = 72      // h; more is a typing error
)

func (s *earlySet) check() error {
	if err := s.head.check(); err != nil {
		return err
	}
	if err := errors.Join(s.LeastAge.check(), whole("years", s.LeastAge.Years, 1, mostYears)); err != nil {
		return fmt.Errorf("least_age: %w", err)
	}
	for i, condition := range s.Conditions {
		err := condition.check()
		if err == nil && condition.Text == "" {
			err = errors.New("text: must be given")
		}
		if err != nil {
			return fmt.Errorf("conditions row %d: %w", i+1, err)
		}
	}
	seen := map[Kind]bool{}
	for i, kind := range s.Kinds {
		err := errors.Join(kind.check(), whole("most_minutes", kind.MostMinutes, 0, minutesOf24h),
			whole("double_most_minutes", kind.DoubleMostMinutes, 0, minutesOf24h), whole("not_first_h", kind.NotFirstH, 0, mostFirstHours))
		if err == nil && (seen[kind.ID] || kind.ID == "" || kind.Name == "") {
			err = errors.New("id, name: must be given, and an id once")
		}
		if err == nil && !kind.NoContact && !kind.NoHandLabour && !kind.Declared {
			err = errors.New("no_contact, no_hand_labour, declared: one of them must be true")
		}
		if err != nil {
			return fmt.Errorf("kinds row %d (%q): %w", i+1, kind.ID, err)
		}
		seen[kind.ID] = true
	}
	return nil
}
