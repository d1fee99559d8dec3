package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
)

// work is chemical being applied, planned or done, as somebody says it.
type work struct {
	nursery string
	// path is where it stands in the request.
	path     string
	method   productsv1.Method
	disorder string
	class    diagnosisv1.DisorderClass
	// lots are the ids of the lots treated.
	lots       []string
	treatments []*treatmentv1.HouseTreatment
	conditions *treatmentv1.Conditions
	// start and end of the work; end is zero while it is only planned.
	start, end time.Time
	performer  identity.Person
	// supervisor is who supervised it; nil for nobody.
	supervisor *identity.Person
	// performerField is the path of who that is; empty where nobody is named.
	performerField string
	// recorder is the id of who says it, of work that was done.
	recorder string
	// isolatedIn is the house of the isolation bench that the lots were last set apart
	// on in the program, as confirmed, and isolatedOn that bench; empty for none. The
	// books follow a moment later.
	isolatedIn, isolatedOn string
	// candidates are the active ingredients that the step allows, nil outside a
	// step; roundBefore the resistance groups that the round before used.
	candidates, roundBefore []string
}

// houseOf returns the house that a lot stands in: that of the books, unless the lots
// were set apart in a house that is treated and the books do not have it there yet.
func (w work) houseOf(lot stock.Lot) string {
	treats := func(house string) bool {
		name := resource.Of("nurseries", w.nursery, "houses", house)
		return slices.ContainsFunc(w.treatments, func(t *treatmentv1.HouseTreatment) bool { return t.GetHouse() == name })
	}
	if w.isolatedIn != "" && !treats(lot.House) && treats(w.isolatedIn) {
		return w.isolatedIn
	}
	return lot.House
}

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

// AreaUnits are the units in which an application gives an area.
func AreaUnits() []quantity.Unit {
	return []quantity.Unit{quantity.SquareMetre, quantity.Hectare, quantity.SquareFoot, quantity.Acre}
}

// MixUnits are the units in which an application gives a volume of mix.
func MixUnits() []quantity.Unit { return []quantity.Unit{quantity.Litre, quantity.Gallon} }

// positive reads a required quantity above zero in one of some units.
func positive(field string, message *typev1.Quantity, units ...quantity.Unit) (quantity.Quantity, error) {
	q, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	if !slices.Contains(units, q.Unit) || !q.Positive() {
		return quantity.Quantity{}, fault.Field(field, "must be above zero, in %s", listed(units))
	}
	return q, nil
}

func listed(units []quantity.Unit) string {
	text := ""
	for i, unit := range units {
		switch {
		case i > 0 && i == len(units)-1:
			text += " or "
		case i > 0:
			text += ", "
		}
		text += string(unit)
	}
	return text
}

// SiteOf says what a house is to a label. Whether one with an unknown covering is
// closed cannot be told.
func SiteOf(house stock.House) productsv1.Site {
	switch house.Covering {
	case stockv1.Covering_COVERING_GLASS, stockv1.Covering_COVERING_RIGID_PLASTIC, stockv1.Covering_COVERING_FILM:
		return productsv1.Site_SITE_GREENHOUSE
	case stockv1.Covering_COVERING_NET:
		return productsv1.Site_SITE_OUTDOOR
	default:
		return productsv1.Site_SITE_UNSPECIFIED
	}
}

// conditionsOf reads the conditions of a confirmation.
func conditionsOf(field string, message *treatmentv1.Conditions) (rules.Conditions, error) {
	temperature, err := quantity.FromContract(message.GetTemperature())
	if err != nil {
		return rules.Conditions{}, fault.Field(field+".temperature", "%s", err)
	}
	humidity, err := quantity.FromContract(message.GetHumidity())
	if err != nil {
		return rules.Conditions{}, fault.Field(field+".humidity", "%s", err)
	}
	conditions := rules.Conditions{Temperature: temperature, Humidity: humidity}
	if message != nil {
		conditions.OpenBloom, conditions.Sunlit, conditions.WetFoliage = message.OpenBloom, message.Sunlit, message.WetFoliage
	}
	return conditions, checkConditions(field, message)
}

// mixFacts is what is recorded of a mix beside its amounts.
type mixFacts struct {
	// restrictedEntryInterval is the longest of the mix, h (40 CFR 170.407: the
	// longest interval applies). It is zero when a label lacks it.
	restrictedEntryInterval quantity.Quantity
	// groups are the resistance groups in the mix; a mixture counts in each.
	groups []string
	// restrictedUse is true when a product may be applied by a certified applicator
	// only.
	restrictedUse bool
}

// factsOf returns the facts of a mix. A product without a direction for the use
// counts as one whose label lacks the interval.
func factsOf(application rules.Application) (mixFacts, error) {
	facts := mixFacts{}
	longest, known := quantity.Must("0", quantity.Hour), true
	for _, treatment := range application.Treatments {
		for _, line := range treatment.Lines {
			direction, _ := line.Product.DirectionFor(application.Use(treatment))
			if direction.RestrictedEntryInterval.IsZero() {
				known = false
			} else if longer, err := longest.Compare(direction.RestrictedEntryInterval); err != nil {
				return facts, fmt.Errorf("restricted-entry interval of %s: %w", line.Product.ID, err)
			} else if longer < 0 {
				longest = direction.RestrictedEntryInterval
			}
			facts.restrictedUse = facts.restrictedUse || line.Product.RestrictedUse
			for _, content := range line.Product.Contents {
				active, ok := products.ActiveIngredientByID(content.ActiveIngredient)
				if ok && !slices.Contains(facts.groups, active.FRACCode) {
					facts.groups = append(facts.groups, active.FRACCode)
				}
			}
		}
	}
	if known {
		facts.restrictedEntryInterval = longest
	}
	return facts, nil
}

// OpenCandidates returns the candidates of a step that the round before leaves
// open, in their order.
func OpenCandidates(candidates, usedBefore []string) []string {
	return slices.DeleteFunc(slices.Clone(candidates), func(id string) bool {
		active, ok := products.ActiveIngredientByID(id)
		return ok && rules.Capped(active.FRACCode) && slices.Contains(usedBefore, active.FRACCode)
	})
}

// lowerWord returns a value of the contract as a sentence uses it.
func lowerWord(value, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(value, prefix), "_", " "))
}
