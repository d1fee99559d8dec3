package identity

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
)

// Kinds of qualification that rules ask for.
const (
	WorkerTraining   = identityv1.QualificationKind_QUALIFICATION_KIND_WORKER_TRAINING
	HandlerTraining  = identityv1.QualificationKind_QUALIFICATION_KIND_HANDLER_TRAINING
	MedicalClearance = identityv1.QualificationKind_QUALIFICATION_KIND_MEDICAL_CLEARANCE
	FitTest          = identityv1.QualificationKind_QUALIFICATION_KIND_FIT_TEST
	EquipmentIssue   = identityv1.QualificationKind_QUALIFICATION_KIND_EQUIPMENT_ISSUE
	FullAge          = identityv1.QualificationKind_QUALIFICATION_KIND_FULL_AGE
)

// Qualification is something that a person was given and that work asks for.
type Qualification struct {
	Kind identityv1.QualificationKind
	// Date is when it was given, and EndDate the last day on which it counts, empty for
	// no end; YYYY-MM-DD in the nursery's zone.
	Date, EndDate string
	// Description is what exactly, Provider who gave it.
	Description, Provider string
}

// years is how long a qualification counts at most. Training of workers and handlers:
// 12 months (40 CFR 170.401 and 170.501, from memory); a fit test: a year (40 CFR
// 170.507, from memory). Elsewhere than in the United States these are design values.
// Medical clearance counts as long as the physician says, which is entered.
var years = map[identityv1.QualificationKind]int{WorkerTraining: 1, HandlerTraining: 1, FitTest: 1}

// lasting returns the last day on which what was given on a day counts, by its kind;
// empty for no end.
func lasting(kind identityv1.QualificationKind, given time.Time) string {
	if years[kind] == 0 {
		return ""
	}
	return given.AddDate(years[kind], 0, -1).Format(time.DateOnly)
}

// Counts reports whether the qualification counts on a day, YYYY-MM-DD.
func (q Qualification) Counts(day string) bool {
	return q.Date <= day && (q.EndDate == "" || day <= q.EndDate)
}

// Qualified reports whether a person has a qualification of a kind on every day from one
// to another, YYYY-MM-DD: one that counts on both, or several that follow one another.
func (p Person) Qualified(kind identityv1.QualificationKind, first, last string) bool {
	for day := first; ; {
		reach, endless := "", false
		for _, q := range p.Qualifications {
			if q.Kind == kind && q.Counts(day) {
				reach, endless = max(reach, q.EndDate), endless || q.EndDate == ""
			}
		}
		switch {
		case endless || reach >= last && reach != "":
			return true
		case reach == "":
			return false
		}
		day = nextDay(reach)
	}
}

// Lapse returns the last day, up to some day, on which a person had a qualification of a
// kind that has ended by then, both YYYY-MM-DD; empty when none has.
func (p Person) Lapse(kind identityv1.QualificationKind, day string) string {
	ended := ""
	for _, q := range p.Qualifications {
		if q.Kind == kind && q.EndDate != "" && q.EndDate < day {
			ended = max(ended, q.EndDate)
		}
	}
	return ended
}

// UnderAge reports whether it is on record that a person is not yet 18 on a day,
// YYYY-MM-DD. Nothing on record is not under age.
func (p Person) UnderAge(day string) bool {
	known := false
	for _, q := range p.Qualifications {
		if q.Kind == FullAge && q.Counts(day) {
			return false
		}
		known = known || q.Kind == FullAge
	}
	return known
}

// nextDay returns the day after a day, both YYYY-MM-DD.
func nextDay(day string) string {
	date, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return "9999-12-31" // no stored day is none
	}
	return date.AddDate(0, 0, 1).Format(time.DateOnly)
}

// qualificationFrom reads a qualification of a request. today is the nursery's own.
func qualificationFrom(asked *identityv1.Qualification, today string) (Qualification, error) {
	q := Qualification{
		Kind: asked.GetKind(), Date: asked.GetDate().GetValue(), EndDate: asked.GetEndDate().GetValue(),
		Description: strings.TrimSpace(asked.GetDescription()), Provider: strings.TrimSpace(asked.GetProvider()),
	}
	given, err := time.Parse(time.DateOnly, q.Date)
	switch {
	case err != nil || given.Year() < earliestYear:
		return q, fault.Field("qualification.date", "%q is not a day of the calendar from the year %d on (YYYY-MM-DD)", q.Date, earliestYear).With("date", q.Date)
	case q.Date > today && q.Kind != FullAge:
		return q, fault.Field("qualification.date", "%s is to come: enter it when it was given", q.Date).With("today", today)
	case q.Description == "":
		return q, fault.Field("qualification.description", "must say what exactly")
	case q.Provider == "":
		return q, fault.Field("qualification.provider", "must say who gave it")
	}
	longest := lasting(q.Kind, given)
	if q.EndDate == "" {
		q.EndDate = longest
		return q, nil
	}
	end, err := time.Parse(time.DateOnly, q.EndDate)
	switch {
	case err != nil || end.Before(given):
		return q, fault.Field("qualification.end_date", "%q is not a day of the calendar from %s on", q.EndDate, q.Date).With("end_date", q.EndDate)
	case q.Kind == FullAge:
		return q, fault.Field("qualification.end_date", "full age has no end")
	case longest != "" && q.EndDate > longest:
		return q, fault.Field("qualification.end_date", "%s is too late: a %s counts for a year, to %s", q.EndDate, KindText(q.Kind), longest).With("latest", longest)
	}
	return q, nil
}

// earliestYear is the first year of a day that is taken: one before it was mistyped.
// Design value.
const earliestYear = 1950

// KindText writes a kind as people say it.
func KindText(kind identityv1.QualificationKind) string {
	return strings.ToLower(strings.ReplaceAll(storedKind(kind), "_", " "))
}

const kindPrefix = "QUALIFICATION_KIND_"

// storedKind is how a kind stands in the database.
func storedKind(kind identityv1.QualificationKind) string {
	return strings.TrimPrefix(kind.String(), kindPrefix)
}

func kindOf(stored string) identityv1.QualificationKind {
	return identityv1.QualificationKind(identityv1.QualificationKind_value[kindPrefix+stored])
}

// qualificationRow is a qualification as it is kept.
type qualificationRow struct {
	Qualification
	nursery, person, id string
	recorder            string
	createTime          time.Time
	// voidReason, voider and voidTime are zero while it stands.
	voidReason, voider string
	voidTime           time.Time
}

func qualificationName(nursery, person, id string) string {
	return resource.Of("nurseries", nursery, "people", person, "qualifications", id)
}

func (row qualificationRow) contract() *identityv1.Qualification {
	message := &identityv1.Qualification{
		Name: qualificationName(row.nursery, row.person, row.id), Kind: row.Kind, Date: &typev1.Date{Value: row.Date},
		Description: row.Description, Provider: row.Provider, Recorder: personName(row.nursery, row.recorder),
		CreateTime: timestamppb.New(row.createTime), VoidReason: row.voidReason,
	}
	if row.EndDate != "" {
		message.EndDate = &typev1.Date{Value: row.EndDate}
	}
	if !row.voidTime.IsZero() {
		message.Voider, message.VoidTime = personName(row.nursery, row.voider), timestamppb.New(row.voidTime)
	}
	return message
}

// expiry is the end of something that a person's work asks for.
type expiry struct {
	person  Person
	what    string
	endDate string
}

// expiries returns what of people who work here ends by a day, by that day and then by
// person. Of several of one kind only the one that lasts longest counts, and of
// certificates each by its category.
func expiries(people []Person, by string) []expiry {
	var all []expiry
	for _, person := range people {
		if person.Disabled {
			continue
		}
		for _, e := range lastOf(person) {
			if e.endDate != "" && e.endDate <= by {
				all = append(all, e)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b expiry) int {
		return cmp.Or(strings.Compare(a.endDate, b.endDate), strings.Compare(a.person.ID, b.person.ID), strings.Compare(a.what, b.what))
	})
	return all
}

// lastOf returns the one of each kind that lasts longest; an empty end never comes.
func lastOf(person Person) []expiry {
	var last []expiry
	longest := map[string]int{}
	add := func(key string, e expiry) {
		i, known := longest[key]
		if !known {
			longest[key] = len(last)
			last = append(last, e)
			return
		}
		if last[i].endDate != "" && (e.endDate == "" || e.endDate > last[i].endDate) {
			last[i] = e
		}
	}
	for _, certificate := range person.Certificates {
		add("certificate "+certificate.Category, expiry{person, "certificate " + certificate.Number, certificate.ExpireDate})
	}
	for _, q := range person.Qualifications {
		add(storedKind(q.Kind), expiry{person, KindText(q.Kind), q.EndDate})
	}
	return last
}
