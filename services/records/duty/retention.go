package duty

import (
	"fmt"
	"slices"
)

// Kind is a kind of record.
type Kind string

// Kinds of records.
const (
	// WorkerProtection is the application and hazard information shown to workers.
	WorkerProtection Kind = "worker-protection-information"
	// RestrictedUseRecord is the record of a restricted-use product.
	RestrictedUseRecord Kind = "restricted-use-record"
	// UseRecord is the record of the use of any product.
	UseRecord Kind = "use-record"
	// ReportCopy is a grower's copy of what a business reported.
	ReportCopy Kind = "report-copy"
	// TrainingRecord is the record of the training of a worker or handler.
	TrainingRecord Kind = "worker-training-record"
	// RespiratorRecord is the record of a medical clearance, fit test or training with
	// a respirator.
	RespiratorRecord Kind = "respirator-record"
	// ExposureRecord is the record of exposure or medical surveillance of a person.
	ExposureRecord Kind = "exposure-record"
	// LotTrace is the record of from whom a lot came and to whom it went.
	LotTrace Kind = "lot-trace-record"
	// VoidedPassport is a plant passport that is void.
	VoidedPassport Kind = "voided-plant-passport"
)

var kinds = []Kind{
	WorkerProtection, RestrictedUseRecord, UseRecord, ReportCopy, TrainingRecord, RespiratorRecord, ExposureRecord, LotTrace, VoidedPassport,
}

// Record is what is kept. One entry of a ledger is often of several kinds.
type Record struct {
	// Name is what a person finds it by.
	Name string
	// Kinds are all that the record is.
	Kinds []Kind
	// Jurisdictions are all under which it was made.
	Jurisdictions []string
	// House is the resource name of the house; empty where it is of none or not known.
	House string
	Event Event
}

// ApplicationRecord is the record of an application in a jurisdiction: the use record
// always, and beside it what a law that binds there has kept of an application. It is
// of a restricted-use product unless that was ruled out.
func ApplicationRecord(name, jurisdiction, house string, event Event) (Record, error) {
	return shipped().applicationRecord(name, jurisdiction, house, event)
}

func (l *law) applicationRecord(name, code, house string, event Event) (Record, error) {
	place, err := l.scopeOf(code)
	if err != nil {
		return Record{}, err
	}
	record := Record{Name: name, Kinds: []Kind{UseRecord}, Jurisdictions: []string{code}, House: house, Event: event}
	for _, kind := range []Kind{WorkerProtection, RestrictedUseRecord} {
		if kind == RestrictedUseRecord && event.RestrictedUse == No {
			continue
		}
		if slices.ContainsFunc(l.retention, func(rule retentionRule) bool {
			return rule.record == kind && slices.Contains(place.laws, rule.law)
		}) {
			record.Kinds = append(record.Kinds, kind)
		}
	}
	return record, nil
}

// Kept is how long one law has a record kept.
type Kept struct {
	// ID is the row's identifier, Law the code of its law.
	ID, Law string
	Kind    Kind
	// Limit is until when, at least.
	Limit Limit
	// Source says where it stands; Verified is false where that is from memory.
	Source   string
	Verified bool
	// Notes are sentences on what was taken for granted or must be asked.
	Notes []string
}

// Retention is until when a record is kept.
type Retention struct {
	// Rows are all that bind, the longest first.
	Rows []Kept
	// NotKnown are sentences on why it is not known whether that is all; with any of
	// them the record is kept for ever.
	NotKnown []string
	// Notes are sentences on laws that were not read whole.
	Notes []string
}

// Known reports whether the whole time is known.
func (r Retention) Known() bool { return len(r.NotKnown) == 0 && len(r.Rows) > 0 }

// Longest is the row that has the record kept longest; false where there is none.
func (r Retention) Longest() (Kept, bool) {
	if len(r.Rows) == 0 {
		return Kept{}, false
	}
	return r.Rows[0], true
}

// KeepUntil works out how long a record is kept under all of its jurisdictions and as
// each of its kinds: the longest counts. Every kind must be known in every
// jurisdiction, or the whole is not. The error tells what is wrong with the record.
func KeepUntil(record Record) (Retention, error) { return shipped().keepUntil(record) }

func (l *law) keepUntil(record Record) (Retention, error) {
	if err := record.Event.Check(); err != nil {
		return Retention{}, err
	}
	for _, kind := range record.Kinds {
		if !slices.Contains(kinds, kind) {
			return Retention{}, fmt.Errorf("%q is no kind of record", kind)
		}
	}
	var r Retention
	if len(record.Kinds) == 0 || len(record.Jurisdictions) == 0 {
		r.NotKnown = append(r.NotKnown, "It was not said what kind of record it is and under which law it was made.")
	}
	for _, code := range record.Jurisdictions {
		place, err := l.scopeOf(code)
		if err != nil {
			return Retention{}, err
		}
		if place.settled {
			r.Notes = append(r.Notes, place.says...)
		} else {
			r.NotKnown = append(r.NotKnown, place.says...)
		}
		for _, kind := range record.Kinds {
			r.add(l, kind, place, record.Event)
		}
	}
	slices.SortStableFunc(r.Rows, func(a, b Kept) int { return b.Limit.Moment.Compare(a.Limit.Moment) })
	return r, nil
}

// add puts the rows of one kind in one jurisdiction to the retention.
func (r *Retention) add(l *law, kind Kind, place scope, event Event) {
	found := false
	for _, rule := range l.retention {
		if rule.record != kind || !slices.Contains(place.laws, rule.law) {
			continue
		}
		no, doubts := rule.when.holds(event)
		switch {
		case no != "":
			continue
		case rule.notKnown:
			r.NotKnown = append(r.NotKnown, rule.note)
			found = true
			continue
		}
		found = true
		from, err := rule.from.of(event)
		if err != nil {
			r.NotKnown = append(r.NotKnown, fmt.Sprintf("%s: %s.", rule.id, err))
			continue
		}
		kept := Kept{ID: rule.id, Law: rule.law, Kind: kind, Source: rule.source, Verified: rule.verified, Notes: doubts}
		if rule.note != "" {
			kept.Notes = append(kept.Notes, rule.note)
		}
		read := reading(from, event.Zone)
		if rule.from.wholeDays() {
			kept.Limit = lastDay(read.Year()+rule.years, read.Month(), read.Day(), event.Zone)
		} else {
			kept.Limit = atMoment(onClock(read.AddDate(rule.years, 0, 0), event.Zone), event.Zone)
		}
		r.Rows = append(r.Rows, kept)
	}
	if !found {
		r.NotKnown = append(r.NotKnown, fmt.Sprintf("How long %s keeps a %s was not read: ask the authority.", place.code, kind))
	}
}
