package diagnosis

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
)

// target is what an inspection looks at: a lot, or a bench in a house.
type target struct {
	lot, house, bench string
}

// parseTarget reads the name of a lot or of a bench.
func parseTarget(field, name string) (target, error) {
	if ids, err := resource.Parse(field, name, "nurseries", "lots"); err == nil {
		return target{lot: ids[1]}, nil
	}
	if ids, err := resource.Parse(field, name, "nurseries", "houses", "benches"); err == nil {
		return target{house: ids[1], bench: ids[2]}, nil
	}
	return target{}, fault.Field(field, "%q names neither a lot nor a bench", name).With("name", name)
}

func (t target) name(nursery string) string {
	if t.lot != "" {
		return resource.Of("nurseries", nursery, "lots", t.lot)
	}
	return resource.Of("nurseries", nursery, "houses", t.house, "benches", t.bench)
}

// checkObservations refuses signs that are not in the vocabulary, organs that a
// sign is not looked for on, and a sign that is said twice of one organ.
func checkObservations(field string, observations []*diagnosisv1.Observation) error {
	type finding struct {
		organ diagnosisv1.Organ
		sign  string
	}
	said := map[finding]int{}
	for i, observation := range observations {
		at := fmt.Sprintf("%s[%d]", field, i)
		sign, known := knowledge.Shipped().Sign(observation.GetSign())
		if !known {
			return fault.Field(at+".sign", "%q is not a known sign; ListSigns has them", observation.GetSign()).
				With("sign", observation.GetSign())
		}
		if !slices.Contains(sign.Organs, observation.GetOrgan()) {
			return fault.Field(at+".organ", "the sign %q is looked for on %s", sign.ID, organNames(sign.Organs)).
				With("sign", sign.ID).With("organs", organNames(sign.Organs))
		}
		this := finding{observation.GetOrgan(), sign.ID}
		if first, again := said[this]; again {
			return fault.Field(at, "says the same sign of the same organ as %s[%d]", field, first).
				With("sign", sign.ID).With("organ", organNames([]diagnosisv1.Organ{this.organ}))
		}
		said[this] = i
	}
	return nil
}

// findingsOf are observations as they are weighed.
func findingsOf(observations []*diagnosisv1.Observation) []inference.Finding {
	findings := make([]inference.Finding, len(observations))
	for i, o := range observations {
		findings[i] = inference.Finding{
			Organ: o.GetOrgan(), Sign: o.GetSign(), Observed: o.GetPresence() == diagnosisv1.Presence_PRESENCE_OBSERVED,
		}
	}
	return findings
}

// checkConsistent refuses signs of organs that the plant does not have, and two
// signs that cannot both be true of one organ.
func checkConsistent(field string, plant knowledge.Plant, observations []*diagnosisv1.Observation) error {
	err := inference.Check(knowledge.Shipped(), inference.Case{Plant: plant, Findings: findingsOf(observations)})
	var wrong *inference.Contradiction
	if !errors.As(err, &wrong) {
		return err
	}
	first := observations[wrong.First]
	if wrong.Second < 0 {
		return fault.FieldReason(fault.Invalid, fault.SignsContradict, fmt.Sprintf("%s[%d].organ", field, wrong.First), "%s", wrong.Rule).
			With("sign", first.GetSign()).With("organ", organNames([]diagnosisv1.Organ{first.GetOrgan()})).With("genus", plant.Genus)
	}
	second := observations[wrong.Second]
	return fault.FieldReason(fault.Invalid, fault.SignsContradict, fmt.Sprintf("%s[%d]", field, wrong.Second),
		"%q and %q cannot both be true of one %s; when two plants differ, split the inspection",
		first.GetSign(), second.GetSign(), organNames([]diagnosisv1.Organ{second.GetOrgan()})).
		With("sign", first.GetSign()).With("other_sign", second.GetSign()).With("organ", organNames([]diagnosisv1.Organ{second.GetOrgan()}))
}

func organNames(organs []diagnosisv1.Organ) string {
	names := make([]string, len(organs))
	for i, organ := range organs {
		names[i] = strings.ToLower(strings.ReplaceAll(storedOrgan(organ), "_", " "))
	}
	return strings.Join(names, ", ")
}

// happened reads when a person says that something happened: now when they do
// not say, and never in the future.
func happened(c clock.Clock, field string, said *timestamppb.Timestamp) (time.Time, error) {
	if said == nil {
		return c.Now(), nil
	}
	if err := said.CheckValid(); err != nil {
		return time.Time{}, fault.Field(field, "is not a time").Because(err)
	}
	moment := clock.Stored(said.AsTime())
	if clock.InFuture(c, moment) {
		text := moment.Format(time.RFC3339)
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "%s lies in the future", text).With("time", text)
	}
	return moment, nil
}

// signsOfSickness are groups of signs that only a sick plant shows; those of other
// groups, such as what happened before, say nothing of a plant's health by themselves.
var signsOfSickness = []string{"spot", "colour", "rot", "surface", "growth", "fruiting", "wilt", "cut-face"}

// checkAffected refuses a count of no sick plants beside a sign that only a sick
// plant shows.
func checkAffected(inspection *diagnosisv1.Inspection) error {
	if inspection.GetPlantsAffected() > 0 {
		return nil
	}
	for _, o := range inspection.GetObservations() {
		sign, _ := knowledge.Shipped().Sign(o.GetSign())
		if o.GetPresence() == diagnosisv1.Presence_PRESENCE_OBSERVED && slices.Contains(signsOfSickness, sign.Group) {
			return fault.Field("inspection.plants_affected", "must be above 0: %q was found, so at least one plant has signs", sign.ID).
				With("sign", sign.ID)
		}
	}
	return nil
}

// notBeforeSeen refuses a time before an inspection that it rests on.
func notBeforeSeen(field string, moment time.Time, looked []inspectionRow) error {
	for _, inspection := range looked {
		if err := notBefore(field, moment, inspection.inspectTime, "the plants were inspected"); err != nil {
			return err
		}
	}
	return nil
}
