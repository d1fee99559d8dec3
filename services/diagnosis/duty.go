package diagnosis

import (
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/services/diagnosis/regulation"
)

// RegulatedPest is a pest that the law of some jurisdictions names on some hosts.
type RegulatedPest = regulation.Pest

// RegulatedPestsFor returns the regulated pests behind a disorder on a plant, by its
// botanical name or its genus, in a jurisdiction (an ISO 3166-1 or 3166-2 code). A
// plant that is not known may be a host.
func RegulatedPestsFor(disorder, plant, jurisdiction string) []RegulatedPest {
	return regulation.For(disorder, plant, jurisdiction)
}

// dutyRow is a duty as it is kept. What has not come yet is nil or empty.
type dutyRow struct {
	nursery, id  string
	pest         string
	disorder     string
	diagnosis    string // id, empty for a suspicion
	demand       string
	authority    string
	source       string
	noMasking    bool
	suspectTime  time.Time
	notifyByTime time.Time
	raiser       string
	createTime   time.Time
	notifyTime   *time.Time
	notifier     string
	reference    string
	endTime      *time.Time
	ender        string
	endGrounds   string
	lots         []string // ids
	inspections  []string // ids
	// confirmed is true when a diagnosis rests on it.
	confirmed bool
}

// newDuty is what the law asks for because a pest is suspected since a moment.
func newDuty(nursery, id string, pest RegulatedPest, suspected time.Time) dutyRow {
	return dutyRow{
		nursery: nursery, id: id, pest: pest.ID, disorder: pest.Disorder, demand: pest.Duty, authority: pest.Authority,
		source: pest.Source, noMasking: pest.NoMasking, suspectTime: suspected, notifyByTime: pest.NotifyBy(suspected),
	}
}

// state is where a duty stands.
func (d dutyRow) state() diagnosisv1.DutyState {
	switch {
	case d.endTime != nil:
		return diagnosisv1.DutyState_DUTY_STATE_ENDED
	case d.notifyTime != nil:
		return diagnosisv1.DutyState_DUTY_STATE_NOTIFIED
	default:
		return diagnosisv1.DutyState_DUTY_STATE_OPEN
	}
}

// overdue reports whether the authority was told late, or is late to be told now.
// Where a duty ended without telling, nothing is late any more after its end.
func (d dutyRow) overdue(now time.Time) bool {
	told := now
	switch {
	case d.notifyTime != nil:
		told = *d.notifyTime
	case d.endTime != nil:
		told = *d.endTime
	}
	return regulation.Late(d.suspectTime, d.notifyByTime, told)
}

func (d dutyRow) contract(now time.Time) *diagnosisv1.Duty {
	duty := &diagnosisv1.Duty{
		Name: dutyName(d.nursery, d.id), Pest: d.pest, State: d.state(), Demand: d.demand, Authority: d.authority, Source: d.source,
		SuspectTime: timestamppb.New(d.suspectTime), NotifyByTime: timestamppb.New(d.notifyByTime), Overdue: d.overdue(now),
		NotifyTime: timestampOf(d.notifyTime), Notifier: optionalPerson(d.nursery, d.notifier), Reference: d.reference,
		EndTime: timestampOf(d.endTime), Ender: optionalPerson(d.nursery, d.ender), EndGrounds: d.endGrounds,
		Raiser: personName(d.nursery, d.raiser), CreateTime: timestamppb.New(d.createTime),
	}
	if d.diagnosis != "" {
		duty.Diagnosis = diagnosisName(d.nursery, d.diagnosis)
	}
	for _, lot := range d.lots {
		duty.Lots = append(duty.Lots, lotName(d.nursery, lot))
	}
	for _, inspection := range d.inspections {
		duty.Inspections = append(duty.Inspections, inspectionName(d.nursery, inspection))
	}
	return duty
}

// notify enters that the authority was told. It is entered once.
func (d *dutyRow) notify(at time.Time, reference, notifier string) error {
	name := dutyName(d.nursery, d.id)
	if d.endTime != nil {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "%s has ended", name).With("name", name)
	}
	if d.notifyTime != nil {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "the authority was told of %s on %s already",
			name, d.notifyTime.Format(time.RFC3339)).With("name", name).With("notify_time", d.notifyTime.Format(time.RFC3339))
	}
	if err := notBefore("notify_time", at, d.suspectTime, "suspicion began"); err != nil {
		return err
	}
	d.notifyTime, d.reference, d.notifier = &at, reference, notifier
	return nil
}

// end enters that the duty has ended. One that a diagnosis confirmed ends only after
// the authority was told: what a person found is no wrong suspicion.
func (d *dutyRow) end(at time.Time, grounds, ender string) error {
	name := dutyName(d.nursery, d.id)
	if d.endTime != nil {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "%s ended on %s already", name, d.endTime.Format(time.RFC3339)).
			With("name", name).With("end_time", d.endTime.Format(time.RFC3339))
	}
	if d.confirmed && d.notifyTime == nil {
		return fault.FieldReason(fault.Precondition, fault.InvalidField, "name",
			"a person confirmed what %s is about, so the authority must be told before it can end", name).With("name", name)
	}
	after, what := d.suspectTime, "suspicion began"
	if d.notifyTime != nil {
		after, what = *d.notifyTime, "the authority was told"
	}
	if err := notBefore("end_time", at, after, what); err != nil {
		return err
	}
	d.endTime, d.endGrounds, d.ender = &at, grounds, ender
	return nil
}

// pestOf returns a regulated pest that the law of a jurisdiction names.
func pestOf(field, id, jurisdiction string) (RegulatedPest, error) {
	pest, known := regulation.ByID(id)
	if !known || !pest.BindsIn(jurisdiction) {
		return RegulatedPest{}, fault.Field(field, "%q is no regulated pest in %s; ListRegulatedPests has them", id, jurisdiction).
			With("pest", id).With("jurisdiction", jurisdiction)
	}
	return pest, nil
}

// withinText says until when an authority must know, for a sentence.
func withinText(within time.Duration) string {
	if within == 0 {
		return "at once"
	}
	return "within " + strconv.Itoa(int(within/time.Hour)) + " hours"
}
