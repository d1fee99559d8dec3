package treatment

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/treatment/entry"
)

// Kinds of notice.
const (
	signsUp        = treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_UP
	signsDown      = treatmentv1.NoticeKind_NOTICE_KIND_SIGNS_DOWN
	spoken         = treatmentv1.NoticeKind_NOTICE_KIND_SPOKEN
	displayed      = treatmentv1.NoticeKind_NOTICE_KIND_DISPLAYED
	displayRemoved = treatmentv1.NoticeKind_NOTICE_KIND_DISPLAY_REMOVED
	supplied       = treatmentv1.NoticeKind_NOTICE_KIND_SUPPLIES
)

const (
	// afterDisplay is for how long a notice is told of that may be taken from the display:
	// nothing is due then, and whoever did not write it down needs no reminder for ever.
	// Design value.
	afterDisplay = 30 * 24 * time.Hour
	// longestNoticed is how far back an application lies, from the end of its interval, of
	// which a notice can still be told: 30 days of display, with a change of the clocks,
	// and afterDisplay.
	longestNoticed = 31*24*time.Hour + afterDisplay
	// earliestNotice is how long before an application its words, display and supplies can
	// have been given. Design value: the day before, as the law has it for signs.
	earliestNotice = 24 * time.Hour
)

// notice is one thing due because of one application in one house.
type notice struct {
	application, house string
	kind               treatmentv1.NoticeKind
	// notBefore, due and until, UTC; zero for at once, not known and not known.
	notBefore, due, until time.Time
	either                bool
	// begun is what put up what this one takes away; zero for the others.
	begun noticeDone
	// instead is true when another notice was done in the place of this one.
	instead bool
	message string
	done    noticeDone
	// stands is true for one to tell of though it is done or nothing is due any more.
	stands bool
	// earliest is the first moment at which it can have been done, and why not before.
	earliest time.Time
	because  string
}

// noticeDone is a row of treatment.notice_done; its time is zero while it is not done.
type noticeDone struct {
	application, house string
	kind               treatmentv1.NoticeKind
	time               time.Time
	person, note       string
}

// noticeKey names a notice.
type noticeKey struct {
	application, house string
	kind               treatmentv1.NoticeKind
}

// noticesOf returns the notices of a nursery that can still matter at a moment, by what is
// due first.
func noticesOf(p Premises, done map[noticeKey]noticeDone, now time.Time) []notice {
	var all []notice
	for _, a := range noticedApplications(p.Applications) {
		given := func(kind treatmentv1.NoticeKind) noticeDone { return done[noticeKey{a.ID, a.House, kind}] }
		all = append(all, noticing{p.Nursery, a, given, now}.notices()...)
	}
	slices.SortStableFunc(all, func(a, b notice) int {
		return cmp.Or(compareDue(a, b), strings.Compare(a.application, b.application), strings.Compare(a.house, b.house), cmp.Compare(a.kind, b.kind))
	})
	return all
}

// compareDue puts first what is due first, and last what is never due or nobody knows when.
func compareDue(a, b notice) int {
	if a.due.IsZero() != b.due.IsZero() {
		if a.due.IsZero() {
			return 1
		}
		return -1
	}
	return a.due.Compare(b.due)
}

// noticedApplications returns one application for each house that it treated: of several
// mixes in one house the notices are those of all their products.
func noticedApplications(applications []entry.Application) []entry.Application {
	var all []entry.Application
	for _, a := range applications {
		i := slices.IndexFunc(all, func(b entry.Application) bool { return a.ID == b.ID && a.House == b.House })
		if i < 0 {
			a.Products = slices.Clone(a.Products)
			all = append(all, a)
			continue
		}
		all[i].Products = append(all[i].Products, a.Products...)
		all[i].Where = ""
	}
	return all
}

// noticing is one application in one house whose notices are told.
type noticing struct {
	nursery     entry.Nursery
	application entry.Application
	done        func(treatmentv1.NoticeKind) noticeDone
	now         time.Time
}

func (n noticing) notices() []notice {
	// Nobody says that nobody enters, so more is asked for.
	due := n.nursery.NoticesDue(n.application, entry.Unknown)
	ends, _ := n.nursery.IntervalOf(n.application).EndFrom(n.application.End)
	over := func(until time.Time) bool { return !until.IsZero() && !n.now.Before(until) }
	var all []notice
	for _, told := range slices.Concat(n.signs(due, ends), n.words(due), n.display(due), n.supplies(due)) {
		told.application, told.house, told.done = n.application.ID, n.application.House, n.done(told.kind)
		// What was missed is told while anything of the application is; signs that stand,
		// until they are down.
		if told.stands || !over(last(due)) {
			all = append(all, told)
		}
	}
	return all
}

// last is when nothing of an application is due any more; zero while that is not known.
func last(due entry.Notices) time.Time {
	if due.DisplayUntil.IsZero() || due.SuppliesUntil.IsZero() {
		return time.Time{}
	}
	latest := due.DisplayUntil
	for _, until := range []time.Time{due.SuppliesUntil, due.SignsDownBy} {
		if until.After(latest) {
			latest = until
		}
	}
	return latest
}

// signs are the warning signs, up and down.
func (n noticing) signs(due entry.Notices, ends time.Time) []notice {
	up := n.done(signsUp)
	if !due.Signs && !due.Either && up.time.IsZero() {
		return nil
	}
	all := []notice{{
		kind: signsUp, notBefore: due.SignsFrom, due: due.SignsBy, until: ends, either: due.Either,
		instead:  due.Either && !n.done(spoken).time.IsZero(),
		message:  join("Put up warning signs at the entrances.", due.Words, due.Why...),
		earliest: due.SignsFrom, because: "signs go up at most 24 h before the application",
	}}
	if up.time.IsZero() {
		return all
	}
	down := notice{
		kind: signsDown, begun: up, notBefore: ends, due: due.SignsDownBy, earliest: ends, stands: n.done(signsDown).time.IsZero(),
		message: "Take the warning signs down or cover them; until then nobody enters.",
		because: "the restricted-entry interval lasts until then",
	}
	if ends.IsZero() {
		down.message += " Not before the restricted-entry interval is over, whose end is not known."
	}
	return append(all, down)
}

// words are what is said to people.
func (n noticing) words(due entry.Notices) []notice {
	if !due.Spoken && !due.Either {
		return nil
	}
	return []notice{{
		kind: spoken, due: due.SpokenBy, either: due.Either, instead: due.Either && !n.done(signsUp).time.IsZero(),
		earliest: n.begin(), because: dayBefore,
		message: join("Tell everybody who works there; who comes later, at the start of work.", due.Words, due.Why...),
	}}
}

// display is what is shown at the central display, and taken from it.
func (n noticing) display(due entry.Notices) []notice {
	all := []notice{{
		kind: displayed, due: due.DisplayBy, until: due.DisplayUntil, earliest: n.begin(), because: dayBefore,
		message: "Show what was applied, where, when, and the safety data sheets, at the central display.",
	}}
	if n.done(displayed).time.IsZero() {
		return all
	}
	down := notice{
		kind: displayRemoved, begun: n.done(displayed), notBefore: due.DisplayUntil, earliest: due.DisplayUntil, because: "it is displayed until then",
		message: "It may be taken from the central display. The record is kept longer.",
		stands:  n.done(displayRemoved).time.IsZero() && !due.DisplayUntil.IsZero() && n.now.Before(due.DisplayUntil.Add(afterDisplay)),
	}
	return append(all, down)
}

// supplies are what people wash with.
func (n noticing) supplies(due entry.Notices) []notice {
	return []notice{{
		kind: supplied, due: n.application.End, until: due.SuppliesUntil, earliest: n.begin(), because: dayBefore,
		message: "Water, soap and single-use towels stand ready for everybody who works in what was treated.",
	}}
}

// dayBefore is why a notice is not given earlier than begin.
const dayBefore = "that is a day before the application"

// begin is the first moment at which words, display and supplies can have been given.
func (n noticing) begin() time.Time { return n.application.Start.Add(-earliestNotice) }

// join writes sentences one after another, leaving out empty ones.
func join(first, second string, rest ...string) string {
	all := slices.DeleteFunc(append([]string{first, second}, rest...), func(text string) bool { return text == "" })
	return strings.Join(all, " ")
}

// toDo reports whether a notice is still to be given.
func (t notice) toDo() bool { return t.done.time.IsZero() && !t.instead }

// overdue reports whether a notice is not done and its time has passed.
func (t notice) overdue(now time.Time) bool {
	return t.toDo() && !t.due.IsZero() && now.After(t.due)
}

const noticeKindPrefix = "NOTICE_KIND_"

// storedNoticeKind is how a kind stands in the database.
func storedNoticeKind(kind treatmentv1.NoticeKind) string {
	return strings.TrimPrefix(kind.String(), noticeKindPrefix)
}

// kindWords is a kind in a name, for example signs-up.
func kindWords(kind treatmentv1.NoticeKind) string {
	return strings.ToLower(strings.ReplaceAll(storedNoticeKind(kind), "_", "-"))
}

const (
	longestID = 64 // characters of the last part of a name, as package resource has it
	hashed    = 16 // characters that stand for a longer one
)

// id is the last part of a notice's name. One that would be too long is cut, and ends in
// a hash of the whole.
func (t notice) id() string {
	id := t.application + "-" + t.house + "-" + kindWords(t.kind)
	if len(id) <= longestID {
		return id
	}
	sum := sha256.Sum256([]byte(id))
	return id[:longestID-hashed-1] + "-" + hex.EncodeToString(sum[:])[:hashed]
}

func noticeName(nursery, id string) string { return resource.Of("nurseries", nursery, "notices", id) }

func (t notice) contract(nursery string, now time.Time) *treatmentv1.Notice {
	message := &treatmentv1.Notice{
		Name: noticeName(nursery, t.id()), Application: resource.Of("nurseries", nursery, "applications", t.application),
		House: resource.Of("nurseries", nursery, "houses", t.house), Kind: t.kind,
		NotBeforeTime: timestamp(t.notBefore), DueTime: timestamp(t.due), UntilTime: timestamp(t.until), Either: t.either,
		DoneTime: timestamp(t.done.time), Overdue: t.overdue(now), Message: t.message, Note: t.done.note,
	}
	if t.done.person != "" {
		message.Person = resource.Of("nurseries", nursery, "people", t.done.person)
	}
	return message
}

// findNotice returns the notice of a name. Names are made of names with hyphens; where two
// notices have the same, neither is taken for the other.
func findNotice(all []notice, nursery, id string) (notice, error) {
	var found []notice
	for _, t := range all {
		if t.id() == id {
			found = append(found, t)
		}
	}
	switch len(found) {
	case 0:
		return notice{}, fault.Missing("notice", noticeName(nursery, id))
	case 1:
		return found[0], nil
	}
	return notice{}, fault.Field("name", "more than one notice has this name").With("name", noticeName(nursery, id))
}

// checkDone refuses to keep that a notice was done at a moment when it cannot have been.
func (t notice) checkDone(at time.Time, zone *time.Location) error {
	when := func(moment time.Time) string { return moment.In(zone).Format("2006-01-02 15:04 MST") }
	refuse := func(format string, args ...any) *fault.Fault {
		return fault.FieldReason(fault.Precondition, fault.InvalidTimes, "done_time", format, args...)
	}
	if !t.done.time.IsZero() {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "it was done before, on %s", when(t.done.time)).
			With("done_time", t.done.time.Format(time.RFC3339))
	}
	if !t.begun.time.IsZero() && at.Before(t.begun.time) {
		return refuse("%s was on %s, and comes first", kindWords(t.begun.kind), when(t.begun.time))
	}
	if t.earliest.IsZero() {
		return refuse("not before the restricted-entry interval is over, whose end is not known")
	}
	if at.Before(t.earliest) {
		return refuse("not before %s: %s", when(t.earliest), t.because).With("earliest", t.earliest.Format(time.RFC3339))
	}
	return nil
}
