package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// longestWork is how long the work of one confirmation can last. A date that was
// mistyped would keep a house closed, or open it too soon. Design value.
const longestWork = 24 * time.Hour

// CheckTimes refuses a confirmation whose times are none, whose work ended before
// it began, lasted longer than a day, or ends in the future.
func CheckTimes(path string, confirmation *treatmentv1.Confirmation, c clock.Clock) error {
	return checkSpan(path+".start_time", path+".end_time", confirmation.GetStartTime(), confirmation.GetEndTime(), c)
}

// checkSpan holds the times of work that was done to that. The fields are their paths.
func checkSpan(startField, endField string, started, ended *timestamppb.Timestamp, c clock.Clock) error {
	if err := checkPlannedSpan(startField, endField, started, ended); err != nil {
		return err
	}
	if end := ended.AsTime(); clock.InFuture(c, end) {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, endField,
			"%s is in the future; confirm work when it is done", end.Format(time.RFC3339))
	}
	return nil
}

// checkPlannedSpan holds the times of work, planned or done, to what does not depend on
// now. The fields are their paths.
func checkPlannedSpan(startField, endField string, started, ended *timestamppb.Timestamp) error {
	if started.CheckValid() != nil {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, startField, "is not a time between the years 1 and 9999")
	}
	if ended.CheckValid() != nil {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, endField, "is not a time between the years 1 and 9999")
	}
	start, end := started.AsTime(), ended.AsTime()
	if end.Before(start) {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, endField,
			"the work cannot end (%s) before it starts (%s)", end.Format(time.RFC3339), start.Format(time.RFC3339))
	}
	if end.Sub(start) > longestWork {
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, endField,
			"the work cannot last longer than %d hours (%s to %s): confirm what was done on one day",
			longestWork/time.Hour, start.Format(time.RFC3339), end.Format(time.RFC3339))
	}
	return nil
}

// CheckProofs refuses a confirmation that lacks a proof that the step asks for,
// or carries what does not belong to its kind.
func CheckProofs(path string, kind Kind, proofs []Proof, c *treatmentv1.Confirmation) error {
	if proof, needed := decidingProof(kind); needed && !slices.Contains(proofs, proof) {
		proofs = append(slices.Clone(proofs), proof)
	}
	for _, proof := range proofs {
		if field, rule := missing(proof, c); field != "" {
			return fault.FieldReason(fault.Invalid, fault.ProofMissing, path+"."+field, "%s", rule).With("proof", proofName(proof))
		}
	}
	if len(c.GetTreatments()) > 0 && !Applies(kind) {
		return fault.Field(path+".treatments", "a step of the kind %s applies no chemical", kindName(kind))
	}
	if kind == isolate && c.GetBench() == "" {
		return fault.FieldReason(fault.Invalid, fault.ProofMissing, path+".bench", "name the isolation bench that the lots stand on")
	}
	counts := c.GetInspection()
	if counts.GetPlantsAffected() > counts.GetPlantsSampled() {
		return fault.Field(path+".inspection.plants_affected", "must not exceed plants_sampled")
	}
	if c.GetSupervisor() != "" && !Applies(kind) {
		return fault.Field(path+".supervisor", "a step of the kind %s applies no chemical, so nobody supervises it", kindName(kind))
	}
	if len(c.GetOverrides()) > 0 && !Applies(kind) && kind != release {
		return fault.Field(path+".overrides", "a step of the kind %s has no rule to override", kindName(kind))
	}
	return checkTreatments(path, methodOf(kind), c.GetTreatments(), c.GetConditions())
}

func missing(proof Proof, c *treatmentv1.Confirmation) (field, rule string) {
	switch {
	case proof == treatmentv1.Proof_PROOF_REMOVED_PARTS_BINNED && !c.GetRemovedPartsBinned():
		return "removed_parts_binned", "say that the removed parts went to the bin, never the compost"
	case proof == treatmentv1.Proof_PROOF_DISINFECTANT && strings.TrimSpace(c.GetDisinfectant()) == "":
		return "disinfectant", "say how tools and surfaces were disinfected, for example 70 % alcohol or flame"
	case proof == treatmentv1.Proof_PROOF_CUT_FACE && c.GetCutFace() == treatmentv1.CutFace_CUT_FACE_UNSPECIFIED:
		return "cut_face", "say whether the cut face was clean or still stained"
	case proof == treatmentv1.Proof_PROOF_INSPECTION_COUNTS && c.GetInspection() == nil:
		return "inspection", "give the plants looked at and the plants with signs"
	case proof == treatmentv1.Proof_PROOF_APPLICATION && len(c.GetTreatments()) == 0:
		return "treatments", "say what was applied, house by house"
	case proof == treatmentv1.Proof_PROOF_PHOTO && len(c.GetPhotos()) == 0:
		return "photos", "name a photo taken in an inspection"
	case proof == treatmentv1.Proof_PROOF_LAB_RESULT && c.GetLabResult() == treatmentv1.LabResult_LAB_RESULT_UNSPECIFIED:
		return "lab_result", "give the laboratory's result"
	}
	return "", ""
}

func proofName(proof Proof) string { return strings.TrimPrefix(proof.String(), "PROOF_") }

func kindName(kind Kind) string {
	return strings.ToLower(strings.TrimPrefix(kind.String(), "STEP_KIND_"))
}

// checkTreatments holds the amounts of an application to their units and above
// zero, each product to one line in each house, and what is said of a spray to sprays.
func checkTreatments(path string, method productsv1.Method, treatments []*treatmentv1.HouseTreatment, conditions *treatmentv1.Conditions) error {
	for i, treated := range treatments {
		at := fmt.Sprintf("%s.treatments[%d]", path, i)
		if _, err := positive(at+".area", treated.GetArea(), AreaUnits()...); err != nil {
			return err
		}
		if _, err := positive(at+".mix_volume", treated.GetMixVolume(), MixUnits()...); err != nil {
			return err
		}
		if treated.GetLeftover() != nil {
			left, err := quantity.FromContract(treated.GetLeftover())
			if err != nil || !slices.Contains(MixUnits(), left.Unit) || left.Amount.IsNegative() {
				return fault.Field(at+".leftover", "must be zero or more %s", listed(MixUnits()))
			}
		}
		if err := checkHanging(at, method, treated); err != nil {
			return err
		}
		if j, twice := productTwice(treated); twice {
			return fault.Field(fmt.Sprintf("%s.products[%d].product", at, j), "it stands in this mix already; give the sum once").
				With("product", treated.GetProducts()[j].GetProduct())
		}
		for j, earlier := range treatments[:i] {
			if earlier.GetHouse() == treated.GetHouse() && sameProducts(earlier, treated) {
				return fault.Field(at+".house", "treatments[%d] says the same house and products; give their sum once", j)
			}
		}
	}
	return checkConditions(path+".conditions", conditions)
}

// checkHanging holds how it hung in the air to what can be: form and droplets are those
// of a spray, and a height is a length.
func checkHanging(at string, method productsv1.Method, treated *treatmentv1.HouseTreatment) error {
	sprayed := method == productsv1.Method_METHOD_SPRAY
	switch {
	case !sprayed && treated.GetForm() != treatmentv1.ApplicationForm_APPLICATION_FORM_UNSPECIFIED:
		return fault.Field(at+".form", "only a spray has it")
	case !sprayed && treated.GetDroplets() != treatmentv1.DropletClass_DROPLET_CLASS_UNSPECIFIED:
		return fault.Field(at+".droplets", "only a spray has them")
	case treated.GetHeight() == nil:
		return nil
	}
	height, err := positive(at+".height", treated.GetHeight(), quantity.Centimetre, quantity.Metre, quantity.Inch, quantity.Foot)
	if err != nil {
		return err
	}
	if higher, err := height.Compare(highest); err != nil || higher > 0 {
		return fault.Field(at+".height", "must not be above %s", highest)
	}
	return nil
}

// highest is how high above the medium a nozzle in a house can be: more was typed in
// another unit. Design value.
var highest = quantity.Must("30", quantity.Metre)

// productTwice returns which product of a mix stands in it already. Each line is
// held to the label alone, and the ledger enters a product once.
func productTwice(treated *treatmentv1.HouseTreatment) (int, bool) {
	seen := map[string]bool{}
	for j, use := range treated.GetProducts() {
		if seen[use.GetProduct()] {
			return j, true
		}
		seen[use.GetProduct()] = true
	}
	return 0, false
}

func sameProducts(a, b *treatmentv1.HouseTreatment) bool {
	return slices.ContainsFunc(a.GetProducts(), func(x *treatmentv1.ProductUse) bool {
		return slices.ContainsFunc(b.GetProducts(), func(y *treatmentv1.ProductUse) bool { return x.GetProduct() == y.GetProduct() })
	})
}

func checkConditions(path string, conditions *treatmentv1.Conditions) error {
	for _, measured := range []struct {
		field       string
		message     *typev1.Quantity
		least, most quantity.Quantity
	}{
		{path + ".temperature", conditions.GetTemperature(), coldest, hottest},
		{path + ".humidity", conditions.GetHumidity(), driest, wettest},
	} {
		if measured.message == nil {
			continue
		}
		q, err := quantity.FromContract(measured.message)
		if err != nil {
			return fault.Field(measured.field, "%s", err)
		}
		if q.Unit != measured.least.Unit || q.Amount.LessThan(measured.least.Amount) || q.Amount.GreaterThan(measured.most.Amount) {
			return fault.Field(measured.field, "must be from %s to %s", measured.least, measured.most).With("value", q.String())
		}
	}
	return nil
}

// What a thermometer and a hygrometer in a house can show: anything else was typed
// in another unit or slipped. Common practice, no source.
var (
	coldest, hottest = quantity.Must("-30", quantity.Celsius), quantity.Must("60", quantity.Celsius)
	driest, wettest  = quantity.Must("0", quantity.Percent), quantity.Must("100", quantity.Percent)
)

// OutcomeOf returns what a confirmation's check showed.
func OutcomeOf(kind Kind, c *treatmentv1.Confirmation) Outcome {
	var failed bool
	switch kind {
	case inspect, release:
		failed = c.GetInspection().GetPlantsAffected() > 0
	case cutBack:
		failed = c.GetCutFace() == treatmentv1.CutFace_CUT_FACE_STAINED
	case labTest:
		failed = c.GetLabResult() == treatmentv1.LabResult_LAB_RESULT_POSITIVE
	default:
		return OutcomeDone
	}
	if failed {
		return OutcomeFailed
	}
	return OutcomeClean
}
