package treatment

import (
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// Kinds of entry.
const (
	ordinaryEntry       = treatmentv1.EntryKind_ENTRY_KIND_ORDINARY
	handlerEntry        = treatmentv1.EntryKind_ENTRY_KIND_HANDLER
	noContactEntry      = treatmentv1.EntryKind_ENTRY_KIND_NO_CONTACT
	shortTermEntry      = treatmentv1.EntryKind_ENTRY_KIND_SHORT_TERM
	emergencyEntry      = treatmentv1.EntryKind_ENTRY_KIND_EMERGENCY
	limitedContactEntry = treatmentv1.EntryKind_ENTRY_KIND_LIMITED_CONTACT
)

// houseEntry is a row of treatment.house_entry.
type houseEntry struct {
	nursery, house, id string
	// person is the id of who enters.
	person             string
	kind               treatmentv1.EntryKind
	purpose, equipment string
	// start and end, UTC; end is zero while somebody is inside.
	start, end                                time.Time
	contact, handLabour, unforeseen, declared treatmentv1.Said
	// breachNote is why it happened though a rule forbids it; empty for what is allowed.
	breachNote string
	grounds    []*treatmentv1.EntryGround
	recorder   string
	created    time.Time
}

func houseEntryName(nursery, house, id string) string {
	return resource.Of("nurseries", nursery, "houses", house, "entries", id)
}

func (e houseEntry) contract() *treatmentv1.HouseEntry {
	return &treatmentv1.HouseEntry{
		Name: houseEntryName(e.nursery, e.house, e.id), Person: resource.Of("nurseries", e.nursery, "people", e.person),
		Kind: e.kind, Purpose: e.purpose, ProtectiveEquipment: e.equipment, StartTime: timestamp(e.start), EndTime: timestamp(e.end),
		Contact: e.contact, HandLabour: e.handLabour, Unforeseen: e.unforeseen, Declared: e.declared,
		BreachNote: e.breachNote, Grounds: e.grounds, Recorder: resource.Of("nurseries", e.nursery, "people", e.recorder),
		CreateTime: timestamp(e.created),
	}
}

// early reports whether a kind is an entry before the end of an interval.
func early(kind treatmentv1.EntryKind) bool { return kind != ordinaryEntry && kind != handlerEntry }

// farthestStart is how far ahead an entry is asked about or written down: for the day's
// work, and not for one whose facts nobody knows yet. Design value.
const farthestStart = 12 * time.Hour

// houseEntryFrom reads an entry of a request into a house. The person is the caller where
// none is named.
func houseEntryFrom(nursery, house, caller string, asked *treatmentv1.HouseEntry, c clock.Clock) (houseEntry, error) {
	e := houseEntry{
		nursery: nursery, house: house, person: caller, kind: asked.GetKind(), purpose: strings.TrimSpace(asked.GetPurpose()),
		equipment: strings.TrimSpace(asked.GetProtectiveEquipment()), contact: asked.GetContact(), handLabour: asked.GetHandLabour(),
		unforeseen: asked.GetUnforeseen(), declared: asked.GetDeclared(), breachNote: strings.TrimSpace(asked.GetBreachNote()),
	}
	if e.purpose == "" {
		return e, fault.Field("entry.purpose", "must say what for")
	}
	if asked.GetPerson() != "" {
		ids, err := resource.Parse("entry.person", asked.GetPerson(), "nurseries", "people")
		if err != nil {
			return e, err
		}
		e.person = ids[1]
	}
	var err error
	if e.start, err = momentOf("entry.start_time", asked.GetStartTime()); err != nil {
		return e, err
	}
	if latest := c.Now().Add(farthestStart); e.start.After(latest) {
		return e, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "entry.start_time", "%s is more than %d hours ahead: what closes the house then is not known yet",
			e.start.Format(time.RFC3339), farthestStart/time.Hour).With("latest", latest.Format(time.RFC3339))
	}
	if asked.GetEndTime() == nil {
		if early(e.kind) {
			return e, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "entry.end_time", "say when they come out: the time of an early entry is limited")
		}
		return e, nil
	}
	if e.end, err = momentOf("entry.end_time", asked.GetEndTime()); err != nil {
		return e, err
	}
	return e, e.checkEnd("entry.end_time", c)
}

// checkEnd refuses an end that cannot be. Only an early entry is planned to its end.
func (e houseEntry) checkEnd(field string, c clock.Clock) error {
	refuse := func(format string, args ...any) error {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, format, args...).
			With("start_time", e.start.Format(time.RFC3339)).With("end_time", e.end.Format(time.RFC3339))
	}
	switch {
	case e.end.Before(e.start) || (early(e.kind) && !e.end.After(e.start)):
		return refuse("nobody comes out (%s) before they go in (%s)", e.end.Format(time.RFC3339), e.start.Format(time.RFC3339))
	case e.end.Sub(e.start) > longestWork:
		return refuse("nobody is in a house for longer than %d hours at once (%s to %s)", longestWork/time.Hour, e.start.Format(time.RFC3339), e.end.Format(time.RFC3339))
	case !early(e.kind) && clock.InFuture(c, e.end):
		return refuse("%s is in the future: leave it out, and say when they came out", e.end.Format(time.RFC3339))
	}
	return nil
}

// momentOf reads a time of a request.
func momentOf(field string, given *timestamppb.Timestamp) (time.Time, error) {
	if given.CheckValid() != nil {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "is not a time between the years 1 and 9999")
	}
	return clock.Stored(given.AsTime()), nil
}
