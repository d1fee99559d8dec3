package products

import (
	"fmt"
	"slices"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/products/defaultinterval"
)

// Finding is something about a product that will refuse or hinder its use.
type Finding struct {
	// Field is its path in the product; empty for the whole product.
	Field string
	// Rule is one of the Rule constants.
	Rule string
	// Message says what is wrong and what to do.
	Message string
	// Refuses is true when no application passes before it is mended.
	Refuses bool
	// Source is where the rule comes from.
	Source string
}

// The rules of a check.
const (
	RuleNoDirections        = "no-directions"
	RuleLabelFactMissing    = "label-fact-missing"
	RuleRegistrationExpired = "registration-expired"
	RuleRegistrationExpires = "registration-expires"
	RuleJurisdictionMissing = "jurisdiction-missing"
	RuleJurisdictionOther   = "jurisdiction-other"
	RuleNotApproved         = "not-approved"
	RuleApprovalEnds        = "approval-ends"
	RuleFormulationMissing  = "formulation-missing"
	RuleLabelAnswerMissing  = "label-answer-missing"
)

// Sources of the rules that velamen sets itself.
const (
	sourceLabel     = "the product's label"
	sourcePrinciple = "what a label may forbid is not guessed"
	sourceMixing    = "mixing order by type of formulation; common practice, no source"
)

// warnDays is how many days before its end a registration or approval is warned
// of: time to order something else. Common practice, no source.
const warnDays = 30

// Check returns what is missing from a product's label or runs out, for a nursery
// under a jurisdiction, on the day of a moment in the nursery's zone. Findings of
// the product come first, then those of its directions.
func Check(product Product, jurisdiction string, now time.Time) []Finding {
	findings := slices.Concat(
		checkJurisdiction(product, jurisdiction), checkRegistration(product, now), checkApprovals(product, jurisdiction, now))
	if product.Formulation == productsv1.Formulation_FORMULATION_UNSPECIFIED {
		findings = append(findings, Finding{
			Field: "formulation", Rule: RuleFormulationMissing, Source: sourceMixing,
			Message: "the type of formulation is not entered, so the mixing order of a tank mix is not known; enter the two letters that stand on the label, for example WP or SC",
		})
	}
	findings = append(findings, checkAnswers(product, jurisdiction)...)
	if len(product.Directions) == 0 {
		return append(findings, Finding{
			Field: "directions", Rule: RuleNoDirections, Refuses: true, Source: sourcePrinciple,
			Message: "no use of the label is entered, so none is allowed; enter its directions",
		})
	}
	for i, direction := range product.Directions {
		for _, fact := range direction.Missing() {
			findings = append(findings, missingFact(product, jurisdiction, i, fact))
		}
	}
	return findings
}

func checkJurisdiction(product Product, jurisdiction string) []Finding {
	accepted := LawsOf(jurisdiction)
	switch {
	case product.Jurisdiction == "":
		return []Finding{{
			Field: "jurisdiction", Rule: RuleJurisdictionMissing, Refuses: true, Source: sourcePrinciple,
			Message: "under which law it is registered is not entered; enter the country of the registration number",
		}}
	case !slices.Contains(accepted, product.Jurisdiction):
		return []Finding{{
			Field: "jurisdiction", Rule: RuleJurisdictionOther, Refuses: true, Source: "a registration is of one country or union",
			Message: fmt.Sprintf("it is registered under the law of %s and the nursery is under that of %s; use a product that is registered there",
				product.Jurisdiction, strings.Join(accepted, ", ")),
		}}
	default:
		return nil
	}
}

func checkRegistration(product Product, now time.Time) []Finding {
	const field = "registration_expire_date"
	last := product.RegistrationExpireDate
	switch {
	case last == "":
		return nil
	case last < dayOf(now):
		return []Finding{{
			Field: field, Rule: RuleRegistrationExpired, Refuses: true, Source: sourceLabel,
			Message: fmt.Sprintf("the registration ended on %s; enter the day to which it was renewed, or dispose of the product", last),
		}}
	case last <= dayOf(now.AddDate(0, 0, warnDays)):
		return []Finding{{
			Field: field, Rule: RuleRegistrationExpires, Source: sourceLabel,
			Message: fmt.Sprintf("the registration ends on %s; find out whether it is renewed", last),
		}}
	default:
		return nil
	}
}

func checkApprovals(product Product, jurisdiction string, now time.Time) []Finding {
	var findings []Finding
	for i, content := range product.Contents {
		ended, approved := ApprovalFor(content.ActiveIngredient, jurisdiction, dayOf(now))
		finding := Finding{Field: fmt.Sprintf("contents[%d].active_ingredient", i), Source: ended.Act + "; " + ended.Source}
		switch {
		case !approved:
			finding.Rule, finding.Refuses = RuleNotApproved, true
			finding.Message = fmt.Sprintf("%s is not approved in %s any more%s; use another active ingredient",
				content.ActiveIngredient, ended.Jurisdiction, lastUse(ended))
		case ended.LastUseDate != "" && ended.LastUseDate <= dayOf(now.AddDate(0, 0, warnDays)):
			finding.Rule = RuleApprovalEnds
			finding.Message = fmt.Sprintf("%s may be used in %s until %s at the latest; plan with another active ingredient",
				content.ActiveIngredient, ended.Jurisdiction, ended.LastUseDate)
		default:
			continue
		}
		findings = append(findings, finding)
	}
	return findings
}

func lastUse(ended Approval) string {
	if ended.LastUseDate == "" {
		return ""
	}
	return " (last day of use " + ended.LastUseDate + ")"
}

// factFields are the fields of a direction in which a fact is entered.
var factFields = map[productsv1.LabelFact]string{
	productsv1.LabelFact_LABEL_FACT_CROPS:                           "crops",
	productsv1.LabelFact_LABEL_FACT_SITES:                           "sites",
	productsv1.LabelFact_LABEL_FACT_WATER_VOLUME:                    "water_volume_min",
	productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL:                    "min_interval_days",
	productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_CROP_CYCLE: "max_applications_per_crop_cycle",
	productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_YEAR:       "max_applications_per_year",
	productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR:             "active_limits",
	productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL:       "restricted_entry_interval",
	productsv1.LabelFact_LABEL_FACT_PROTECTIVE_EQUIPMENT:            "protective_equipment",
	productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL:                   "sale_interval_days",
	productsv1.LabelFact_LABEL_FACT_TEMPERATURE:                     "temperature_min",
	productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM:                      "open_bloom",
	productsv1.LabelFact_LABEL_FACT_CHEMIGATION:                     "chemigation",
}

// FactField returns the field of a direction in which a label fact is entered.
func FactField(fact productsv1.LabelFact) string { return factFields[fact] }

func missingFact(product Product, jurisdiction string, direction int, fact productsv1.LabelFact) Finding {
	finding := Finding{
		Field: fmt.Sprintf("directions[%d].%s", direction, FactField(fact)), Rule: RuleLabelFactMissing, Refuses: true, Source: sourcePrinciple,
		Message: fmt.Sprintf("%s: not entered; enter what the label says, or name %s in silent_on when it says nothing",
			word(factText(fact)), strings.ToLower(factText(fact))),
	}
	if fact != productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL {
		return finding
	}
	finding.Message = "the restricted-entry interval is not entered; enter what the label says"
	if advice := entryAdvice(product, jurisdiction); advice != "" {
		finding.Message += ". " + advice
		finding.Source = defaultinterval.Source()
	}
	return finding
}

// entryAdvice names the interval that US law sets for a product whose label gives
// none, to a person who looks for it; empty under another law.
func entryAdvice(product Product, jurisdiction string) string {
	law := product.Jurisdiction
	if law == "" {
		law = jurisdiction
	}
	if !slices.Contains(LawsOf(law), defaultinterval.Law) {
		return ""
	}
	interval, known := defaultinterval.Of(defaultinterval.Category(toxicityText(product.ToxicityCategory)))
	if !known {
		return "Where a label gives none, US law sets one by the toxicity category, which is not entered either: " +
			defaultinterval.List() + ". It is not filled in"
	}
	return fmt.Sprintf("Where a label gives none, US law sets %d h for toxicity category %s. It is not filled in",
		interval.Hours, interval.Category)
}
