package treatment

import (
	"fmt"
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
)

// methodOf returns how chemical is applied in a kind of step.
func methodOf(kind Kind) productsv1.Method {
	switch kind {
	case spray:
		return productsv1.Method_METHOD_SPRAY
	case drench:
		return productsv1.Method_METHOD_DRENCH
	case bath:
		return productsv1.Method_METHOD_BATH
	default:
		return productsv1.Method_METHOD_UNSPECIFIED
	}
}

// positive reads a required quantity above zero in one of some units.
func positive(field string, message *typev1.Quantity, units ...quantity.Unit) (quantity.Quantity, error) {
	q, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	if !slices.Contains(units, q.Unit) || !q.Positive() {
		names := make([]string, len(units))
		for i, unit := range units {
			names[i] = string(unit)
		}
		return quantity.Quantity{}, fault.Field(field, "must be above zero, in %s", strings.Join(names, " or "))
	}
	return q, nil
}

// MixLine is one product of a mix in one house.
type MixLine struct {
	// Field is the path of the product in the request.
	Field   string
	Product products.Product
	// Amount of product and volume of the mix that it went into, L.
	Amount, Volume quantity.Quantity
}

// MixUse says what a mix is applied for and how.
type MixUse struct {
	Method productsv1.Method
	Class  diagnosisv1.DisorderClass
	// Candidates are the active ingredients that the step allows; one of them at
	// least must be in the mix.
	Candidates []string
	// UsedBefore are the resistance groups of the same step in the round before.
	UsedBefore []string
}

// MixFacts is what the labels say about a mix that they allow.
type MixFacts struct {
	// RestrictedEntryInterval is the longest of the mix, h (40 CFR 170.407: the
	// longest interval applies).
	RestrictedEntryInterval quantity.Quantity
	// Groups are the resistance groups in the mix; a mixture counts in each.
	Groups []string
	// RestrictedUse is true when a product may be applied by a certified
	// applicator only.
	RestrictedUse bool
}

// CheckMix refuses a mix that a label does not allow, that lacks a label fact,
// that holds none of the step's candidates, or that repeats a resistance group
// of the round before. The label of every product must allow the use; none of
// this can be overridden.
func CheckMix(lines []MixLine, use MixUse) (MixFacts, error) {
	facts := MixFacts{RestrictedEntryInterval: quantity.Must("0", quantity.Hour)}
	candidate := false
	for _, line := range lines {
		direction, err := line.direction(use)
		if err != nil {
			return MixFacts{}, err
		}
		if err := line.checkRate(direction); err != nil {
			return MixFacts{}, err
		}
		longer, err := facts.RestrictedEntryInterval.Compare(direction.RestrictedEntryInterval)
		if err != nil {
			return MixFacts{}, fmt.Errorf("restricted-entry interval of %s: %w", line.Product.ID, err)
		}
		if longer < 0 {
			facts.RestrictedEntryInterval = direction.RestrictedEntryInterval
		}
		facts.RestrictedUse = facts.RestrictedUse || line.Product.RestrictedUse
		for _, content := range line.Product.Contents {
			candidate = candidate || slices.Contains(use.Candidates, content.ActiveIngredient)
			if err := facts.addGroup(line, content.ActiveIngredient, use.UsedBefore); err != nil {
				return MixFacts{}, err
			}
		}
	}
	if !candidate {
		return MixFacts{}, fault.FieldReason(fault.Precondition, fault.ProductNotCandidate, lines[0].Field,
			"no product of the mix holds an active ingredient of this step (%s)", strings.Join(use.Candidates, ", ")).
			With("candidates", strings.Join(use.Candidates, ","))
	}
	return facts, nil
}

// direction returns the label direction that allows the use.
func (l MixLine) direction(use MixUse) (products.Direction, error) {
	direction, ok := l.Product.DirectionFor(use.Method, use.Class)
	if !ok {
		method := strings.ToLower(strings.TrimPrefix(use.Method.String(), "METHOD_"))
		class := strings.ToLower(strings.TrimPrefix(use.Class.String(), "DISORDER_CLASS_"))
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelUseNotListed, l.Field,
			"the label of %s has no direction for a %s against a %s", l.Product.DisplayName, method, class).
			With("product", l.Product.ID).With("method", method).With("disorder_class", class)
	}
	if direction.RestrictedEntryInterval.IsZero() {
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelFactMissing, l.Field,
			"the restricted-entry interval on the label of %s is not entered; enter it first", l.Product.DisplayName).
			With("product", l.Product.ID).With("fact", "restricted_entry_interval")
	}
	return direction, nil
}

// checkRate refuses a mix stronger than the label's highest rate. It compares
// amount with rate × volume, so that no division rounds.
func (l MixLine) checkRate(direction products.Direction) error {
	base := quantity.Gram
	if l.Product.Form == productsv1.ProductForm_PRODUCT_FORM_LIQUID {
		base = quantity.Millilitre
	}
	amount, err := l.Amount.In(base)
	if err != nil {
		return fault.Field(l.Field+".amount", "%s is measured out in %s, not in %s", l.Product.DisplayName, base, l.Amount.Unit)
	}
	most := direction.RateMax.Amount.Mul(l.Volume.Amount)
	if amount.Amount.GreaterThan(most) {
		return fault.FieldReason(fault.Precondition, fault.LabelRateExceeded, l.Field+".amount",
			"%s in %s is stronger than the label of %s allows: at most %s %s (%s)",
			l.Amount, l.Volume, l.Product.DisplayName, most.String(), base, direction.RateMax).
			With("product", l.Product.ID).With("most", most.String()+" "+string(base)).With("rate_max", direction.RateMax.String())
	}
	return nil
}

// addGroup counts an active's resistance group and refuses one that the round
// before used. Multi-site, phosphonate, biological and unclassified groups have
// no cap: FRAC Code List, from memory.
func (f *MixFacts) addGroup(line MixLine, activeID string, usedBefore []string) error {
	active, ok := products.ActiveIngredientByID(activeID)
	if !ok {
		return fault.FieldReason(fault.Precondition, fault.LabelFactMissing, line.Field,
			"the active ingredient %q of %s is not in the catalog", activeID, line.Product.DisplayName).With("product", line.Product.ID)
	}
	if slices.Contains(usedBefore, active.FRACCode) && RotationCounts(active.FRACCode) {
		return fault.FieldReason(fault.Precondition, fault.ResistanceGroupRepeated, line.Field,
			"%s is in resistance group %s, which the round before used; take another group", active.DisplayName, active.FRACCode).
			With("frac_code", active.FRACCode).With("product", line.Product.ID)
	}
	if !slices.Contains(f.Groups, active.FRACCode) {
		f.Groups = append(f.Groups, active.FRACCode)
	}
	return nil
}

// RotationCounts reports whether a resistance group must be rotated.
func RotationCounts(fracCode string) bool {
	return !strings.HasPrefix(fracCode, "M") && !strings.HasPrefix(fracCode, "BM") &&
		fracCode != "P07" && fracCode != "NC"
}

// OpenCandidates returns the candidates of a step that the round before leaves
// open, in their order.
func OpenCandidates(candidates, usedBefore []string) []string {
	return slices.DeleteFunc(slices.Clone(candidates), func(id string) bool {
		active, ok := products.ActiveIngredientByID(id)
		return ok && RotationCounts(active.FRACCode) && slices.Contains(usedBefore, active.FRACCode)
	})
}
