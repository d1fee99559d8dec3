package treatment

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/services/identity"
	"velamen/services/treatment/entry"
	"velamen/services/treatment/rules"
)

// Rules of entry that stand here. Training and age of a handler have the names of package
// rules, and those of an early entry are named by package entry.
const (
	RuleHouseOpen      = "house-open"
	RuleWorkerTraining = "worker-training"
	RuleEquipment      = "protective-equipment"
	RuleRespirator     = "respirator"
)

// Sources of what an entry is held to beside the closures of the house. What is asked of
// people, and from which law, package rules says.
const (
	sourceHandlerWears = "40 CFR 170.507, from memory"
	sourceEarlyWears   = "40 CFR 170.605, from memory"
	sourceHouseOpen    = "40 CFR 170.407, the same as WAC 16-233-116"
)

// earlyKinds are the kinds of package entry.
var earlyKinds = map[treatmentv1.EntryKind]entry.Kind{
	noContactEntry: entry.NoContact, shortTermEntry: entry.ShortTerm, emergencyEntry: entry.Emergency, limitedContactEntry: entry.LimitedContact,
}

// entering is an entry that is held to the rules.
type entering struct {
	houseEntry
	nursery   identity.Nursery
	who       identity.Person
	houseName string
	premises  Premises
	// others are the person's other entries, into any house, that were going on in the
	// day before this one ends or the day after it starts.
	others []houseEntry
	now    time.Time
}

// entryVerdict is what the rules say.
type entryVerdict struct {
	grounds    []*treatmentv1.EntryGround
	conditions []string
	closures   []entry.Closure
}

func (v *entryVerdict) add(rule string, refuses bool, source, format string, args ...any) {
	ground := &treatmentv1.EntryGround{Rule: rule, Refuses: refuses, Message: fmt.Sprintf(format, args...), Source: source}
	same := func(g *treatmentv1.EntryGround) bool {
		return g.GetRule() == rule && g.GetMessage() == ground.GetMessage()
	}
	if !slices.ContainsFunc(v.grounds, same) {
		v.grounds = append(v.grounds, ground)
	}
}

func (v *entryVerdict) refused() []*treatmentv1.EntryGround {
	return slices.DeleteFunc(slices.Clone(v.grounds), func(g *treatmentv1.EntryGround) bool { return !g.GetRefuses() })
}

// judge holds the entry to every rule of its kind.
func (e entering) judge() *entryVerdict {
	v := &entryVerdict{closures: e.closures()}
	switch e.kind {
	case ordinaryEntry:
		e.intoWhatIsOpen(v)
	case handlerEntry:
		e.asHandler(v)
	default:
		e.beforeTheEnd(v)
	}
	return v
}

// until is the end of the time that is judged: now, for somebody who is still inside.
func (e entering) until() time.Time {
	switch {
	case !e.end.IsZero():
		return e.end
	case e.now.After(e.start):
		return e.now
	}
	return e.start
}

// days are the first and the last day of the entry in the nursery's zone.
func (e entering) days() (first, last string) {
	day := func(t time.Time) string { return t.In(e.nursery.Zone).Format(time.DateOnly) }
	return day(e.start), day(e.until())
}

// closures returns everything that closes the house at some moment of the entry, each
// once.
func (e entering) closures() []entry.Closure {
	type cause struct {
		application string
		reason      entry.Reason
	}
	seen := map[cause]bool{}
	var all []entry.Closure
	for _, moment := range e.premises.changes(e.start, e.until()) {
		for _, closure := range e.premises.Standing(e.house, moment).Closures {
			by := cause{closure.Application, closure.Reason}
			if !seen[by] {
				seen[by] = true
				all = append(all, closure)
			}
		}
	}
	return all
}

// intoWhatIsOpen holds an ordinary entry to an open house for all of its time.
func (e entering) intoWhatIsOpen(v *entryVerdict) {
	if len(v.closures) == 0 {
		v.add(RuleHouseOpen, false, sourceHouseOpen, "%s is open.", e.houseName)
		return
	}
	for _, closure := range v.closures {
		parts := []string{closure.Why}
		for _, sooner := range closure.Sooner {
			parts = append(parts, sooner.Text)
		}
		v.add(RuleHouseOpen, true, cmp.Or(closure.Source, sourceHouseOpen), "%s", strings.Join(parts, " "))
	}
	if opens := e.premises.Standing(e.house, e.start).Opens; !opens.IsZero() {
		v.add(RuleHouseOpen, false, sourceHouseOpen, "By time alone %s opens on %s.", e.houseName, e.when(opens))
	}
	if possible := e.possible(); len(possible) > 0 {
		v.add(RuleHouseOpen, false, sourceHouseOpen, "%s may enter %s, with the equipment that the label asks for.", e.who.DisplayName, strings.Join(possible, ", or "))
	} else {
		v.add(RuleHouseOpen, false, sourceHouseOpen, "%s may not enter as a handler or early either.", e.who.DisplayName)
	}
}

// otherKinds are the kinds of entry into a closed house, in words.
var otherKinds = []struct {
	kind treatmentv1.EntryKind
	text string
}{
	{handlerEntry, "as a handler"},
	{noContactEntry, "early, touching nothing treated"},
	{shortTermEntry, "early, for a short task without hand labour"},
	{limitedContactEntry, "early, for a task of little contact or irrigation whose need could not be foreseen"},
	{emergencyEntry, "early, in an emergency that an agency has declared"},
}

// possible returns as what the person may enter, if what each kind asks for is true.
func (e entering) possible() []string {
	var texts []string
	for _, other := range otherKinds {
		as := e
		as.kind, as.equipment = other.kind, "as the label says"
		as.contact, as.handLabour, as.unforeseen, as.declared = saidNo, saidNo, saidYes, saidYes
		if as.end.IsZero() {
			as.end = as.until().Add(time.Minute)
		}
		if len(as.judge().refused()) == 0 {
			texts = append(texts, other.text)
		}
	}
	return texts
}

const (
	saidYes = treatmentv1.Said_SAID_YES
	saidNo  = treatmentv1.Said_SAID_NO
)

// asHandler holds who handles pesticides, or works in a closed house as one who does, to
// training, age and equipment.
func (e entering) asHandler(v *entryVerdict) {
	first, last := e.days()
	if rules.TrainedHandler(e.who, first, last) {
		v.add(rules.RuleHandlerTraining, false, rules.SourceHandlerTraining, "%s's training as a handler counts.", e.who.DisplayName)
	} else {
		e.ask(v, rules.RuleHandlerTraining, rules.SourceHandlerTraining, "no training as a handler of %s counts from %s to %s", e.who.DisplayName, first, last)
	}
	switch rules.AgeOf(e.who, first) {
	case rules.UnderAge:
		v.add(rules.RuleHandlerAge, true, rules.SourceHandlerAge, "%s is under %d.", e.who.DisplayName, rules.HandlerAge)
	case rules.OfAge:
		v.add(rules.RuleHandlerAge, false, rules.SourceHandlerAge, "%s is at least %d.", e.who.DisplayName, rules.HandlerAge)
	default:
		// As for who applies it: an age that nobody entered is told.
		v.add(rules.RuleHandlerAge, false, rules.SourceHandlerAge, "That %s is at least %d is not on record.", e.who.DisplayName, rules.HandlerAge)
	}
	e.equipped(v, sourceHandlerWears)
	e.breathes(v)
}

// ask refuses under the law of the United States, and elsewhere only says it: what the law
// there asks for is not entered.
func (e entering) ask(v *entryVerdict, rule, source, format string, args ...any) {
	text := sentenceOf(fmt.Sprintf(format, args...))
	if rules.AsksForTraining(e.nursery.Jurisdiction) {
		v.add(rule, true, source, "%s", text)
		return
	}
	v.add(rule, false, "design value, after "+source, "%s What the law of %q asks for is not entered.", text, e.nursery.Jurisdiction)
}

// equipped asks what protective equipment is worn. Whether it is enough the label says.
func (e entering) equipped(v *entryVerdict, source string) {
	if e.equipment == "" {
		v.add(RuleEquipment, true, source, "Which protective equipment is worn is not said.")
		return
	}
	v.conditions = append(v.conditions, "The protective equipment is all that the label asks for, clean and in order.")
}

// breathes asks for the clearance and the fit test of a respirator where a label of what
// closes the house asks for one.
func (e entering) breathes(v *entryVerdict) {
	asked := e.respirator(v.closures)
	if asked == entry.No {
		return
	}
	first, last := e.days()
	for _, kind := range rules.RespiratorNeeds() {
		need := identity.KindText(kind)
		switch {
		case e.who.Qualified(kind, first, last):
			v.add(RuleRespirator, false, rules.SourceRespirator, "%s's %s counts.", e.who.DisplayName, need)
		case asked == entry.Yes:
			v.add(RuleRespirator, true, rules.SourceRespirator, "A label asks for a respirator, and no %s of %s counts from %s to %s.", need, e.who.DisplayName, first, last)
		default:
			v.add(RuleRespirator, false, rules.SourceRespirator, "Whether a label asks for a respirator is not entered, and no %s of %s counts from %s to %s.", need, e.who.DisplayName, first, last)
		}
	}
}

// respirator returns whether a label of what closes the house asks for one.
func (e entering) respirator(closures []entry.Closure) entry.Fact {
	answer := entry.No
	for _, a := range e.premises.Applications {
		if !slices.ContainsFunc(closures, func(c entry.Closure) bool { return c.Application == a.ID }) {
			continue
		}
		for _, product := range a.Products {
			switch product.Respirator {
			case entry.Yes:
				return entry.Yes
			case entry.Unknown:
				answer = entry.Unknown
			case entry.No:
			}
		}
	}
	return answer
}

// beforeTheEnd holds an early entry to its kind, the worker's training and the equipment.
func (e entering) beforeTheEnd(v *entryVerdict) {
	asked := e.earlyEntry(e.others)
	verdict := e.premises.Nursery.EarlyEntryAt(e.premises.Applications, e.premises.Airings, asked)
	for _, ground := range verdict.Grounds {
		v.add(ground.Rule, ground.Refuses, ground.Source, "%s", sentenceOf(ground.Message))
	}
	v.conditions = append(v.conditions, verdict.Conditions...)
	if verdict.Allowed && len(v.closures) == 0 {
		return
	}
	for _, closure := range v.closures {
		if closure.Since.After(e.start) && closure.Reason != entry.IntervalRuns {
			v.add("early-entry-closed", true, closure.Source, "%s", sentenceOf("an exception is from the interval only: "+closure.Why))
		}
	}
	e.laterVisits(v)
	first, last := e.days()
	if rules.TrainedWorker(e.who, first, last) {
		v.add(RuleWorkerTraining, false, rules.SourceWorkerTraining, "%s's training counts.", e.who.DisplayName)
	} else {
		v.add(RuleWorkerTraining, true, rules.SourceWorkerTraining, "No training as a worker or handler of %s counts from %s to %s.", e.who.DisplayName, first, last)
	}
	e.equipped(v, sourceEarlyWears)
}

// earlyEntry is the entry as package entry asks for it, with the person's other visits.
func (e entering) earlyEntry(others []houseEntry) entry.EarlyEntry {
	first, _ := e.days()
	asked := entry.EarlyEntry{
		Kind: earlyKinds[e.kind], House: e.house, Visit: entry.Visit{Start: e.start, End: e.end}, Age: ageOn(e.who, first), EarlierEntered: true,
		Contact: factOf(e.contact), HandLabour: factOf(e.handLabour), Unforeseen: factOf(e.unforeseen), Declared: factOf(e.declared),
	}
	for _, other := range others {
		if e.underInterval(other) {
			asked.Earlier = append(asked.Earlier, entry.Visit{Start: other.start, End: other.lastMoment(e.end)})
		}
	}
	return asked
}

// lastMoment is the end of an entry, or a given one for who is still inside.
func (e houseEntry) lastMoment(otherwise time.Time) time.Time {
	if e.end.IsZero() {
		return otherwise
	}
	return e.end
}

// underInterval reports whether a house was under an interval while somebody was in it.
func (e entering) underInterval(other houseEntry) bool {
	there := e
	there.houseEntry = other
	there.end = other.lastMoment(e.end)
	return slices.ContainsFunc(there.closures(), func(c entry.Closure) bool { return c.Reason == entry.IntervalRuns })
}

// laterVisits refuses an entry that is written down late when a visit after it, with this
// one, was longer than its own kind allows in 24 h.
func (e entering) laterVisits(v *entryVerdict) {
	for _, later := range e.others {
		if !early(later.kind) || !later.start.After(e.start) {
			continue
		}
		then := e
		then.houseEntry = later
		among := append(slices.DeleteFunc(slices.Clone(e.others), func(o houseEntry) bool { return o.id == later.id }), e.houseEntry)
		verdict := e.premises.Nursery.EarlyEntryAt(e.premises.Applications, e.premises.Airings, then.earlyEntry(among))
		for _, ground := range verdict.Grounds {
			if ground.Rule == "early-entry-time" && ground.Refuses {
				v.add(ground.Rule, true, ground.Source, "With the visit on %s: %s.", e.when(later.start), ground.Message)
			}
		}
	}
}

// ageOn returns how old a person is at least on a day, YYYY-MM-DD, up to full age; 0 where
// nothing is on record.
func ageOn(person identity.Person, day string) int {
	age := 0
	today, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return 0
	}
	for _, q := range person.Qualifications {
		grown, err := time.Parse(time.DateOnly, q.Date)
		if q.Kind != identity.FullAge || err != nil {
			continue
		}
		years := rules.HandlerAge
		for ; years > 1 && today.Before(grown.AddDate(years-rules.HandlerAge, 0, 0)); years-- {
		}
		age = max(age, years)
	}
	return age
}

func factOf(said treatmentv1.Said) entry.Fact {
	switch said {
	case saidYes:
		return entry.Yes
	case saidNo:
		return entry.No
	}
	return entry.Unknown
}

func (e entering) when(moment time.Time) string {
	return moment.In(e.nursery.Zone).Format("2006-01-02 15:04 MST")
}

// aboutThePerson are the rules that another person might meet.
var aboutThePerson = []string{rules.RuleHandlerTraining, rules.RuleHandlerAge, RuleWorkerTraining, RuleRespirator, "early-entry-age"}

// refusalOf is the fault of an entry that rules forbid: each of them is a violation, the
// closures first.
func (e entering) refusalOf(refused []*treatmentv1.EntryGround) error {
	reason := fault.HouseClosed
	person := func(g *treatmentv1.EntryGround) bool { return slices.Contains(aboutThePerson, g.GetRule()) }
	closes := func(g *treatmentv1.EntryGround) bool { return !person(g) && g.GetRule() != RuleEquipment }
	if !slices.ContainsFunc(refused, closes) {
		reason = fault.PersonUnqualified
		if !slices.ContainsFunc(refused, person) {
			reason = fault.InvalidField
		}
	}
	f := fault.FieldReason(fault.Precondition, reason, fieldOf(refused[0].GetRule()), "%s", refused[0].GetMessage()).
		With("rule", refused[0].GetRule()).With("source", refused[0].GetSource())
	for _, ground := range refused[1:] {
		f.Violations = append(f.Violations, fault.Violation{Field: fieldOf(ground.GetRule()), Rule: ground.GetMessage()})
	}
	return f
}

// fieldOf is the field of the request that a rule is about.
func fieldOf(rule string) string {
	switch {
	case slices.Contains(aboutThePerson, rule):
		return "entry.person"
	case rule == RuleEquipment:
		return "entry.protective_equipment"
	case rule == "early-entry-time":
		return "entry.end_time"
	case strings.HasPrefix(rule, "early-entry"):
		return "entry.kind"
	}
	return "parent"
}
