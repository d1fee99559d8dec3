package cli

import (
	"context"
	"fmt"
	"strings"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func (a *app) showProduct(ctx context.Context, product *productsv1.Product) error {
	return a.showWithCaution(ctx, product, func(s *sheet) {
		s.fact("Product", shortName(product.GetName()))
		s.fact("Name", product.GetDisplayName())
		s.fact("Registration", product.GetRegistrationNumber())
		s.fact("Registered in", orNotEntered(product.GetJurisdiction()))
		s.fact("Registered until", product.GetRegistrationExpireDate().GetValue())
		s.fact("Form", word(product.GetForm()))
		s.fact("Formulation", orNotEntered(strings.ToUpper(word(product.GetFormulation()))))
		s.fact("Contains", contents(product))
		s.fact("Toxicity category", strings.ToUpper(word(product.GetToxicityCategory())))
		s.fact("Restricted use", yes(product.GetRestrictedUse()))
		s.fact("Cost", cost(product))
		drawAnswers(s, product)
		s.fact("ETag", product.GetEtag())
		if len(product.GetDirections()) == 0 {
			s.line("")
			s.line("No use of the label is entered: it may not be used.")
		}
		for i, direction := range product.GetDirections() {
			s.line("")
			s.line("Direction %d: %s against %s", i+1, word(direction.GetMethod()), wordsOf(direction.GetDisorderClasses()))
			drawDirection(s, direction)
		}
	})
}

// drawAnswers shows what entry and reports ask of a label beside its directions.
func drawAnswers(s *sheet, p *productsv1.Product) {
	level := ""
	if p.GetInhalationLevel() != nil {
		level = ": enter at or below " + amount(p.GetInhalationLevel())
	}
	s.fact("Respirator", answer(p.GetRespirator()))
	s.fact("Signs and words both", answer(p.GetDoubleNotification()))
	s.fact("Vapour limited", answer(p.GetInhalationLimited())+level)
	s.fact("Organophosphate", answer(p.GetOrganophosphate()))
	s.fact("Time of day limited", answer(p.GetTimeLimited()))
	s.fact("Growth stage limited", answer(p.GetStageLimited()))
	s.fact("First aid", orNotEntered(p.GetFirstAid()))
	s.fact("Safety data sheet", orNotEntered(p.GetSafetyDataSheet()))
}

// answer is what a label says to a question of yes or no.
func answer(a productsv1.LabelAnswer) string {
	if a == productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED {
		return "not entered: taken as the stricter"
	}
	return word(a)
}

// notEntered is what stands where a label fact is missing.
const notEntered = "not entered: may not be used"

// labelSilent is what stands where the label says nothing.
const labelSilent = "label says nothing"

func orNotEntered(text string) string {
	if text == "" {
		return "not entered"
	}
	return text
}

func drawDirection(s *sheet, d *productsv1.LabelDirection) {
	fact := func(label string, which productsv1.LabelFact, value string) {
		for _, silent := range d.GetSilentOn() {
			if value == "" && silent == which {
				value = labelSilent
			}
		}
		if value == "" {
			value = notEntered
		}
		s.fact("  "+label, value)
	}
	s.fact("  Rate", span(d.GetRateMin(), d.GetRateMax()))
	s.fact("  Disorders", strings.Join(d.GetDisorders(), ", "))
	fact("Crops", productsv1.LabelFact_LABEL_FACT_CROPS, strings.Join(d.GetCrops(), ", "))
	fact("Sites", productsv1.LabelFact_LABEL_FACT_SITES, wordsOf(d.GetSites()))
	fact("Water", productsv1.LabelFact_LABEL_FACT_WATER_VOLUME, span(d.GetWaterVolumeMin(), d.GetWaterVolumeMax()))
	fact("Re-entry after", productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL, amount(d.GetRestrictedEntryInterval()))
	fact("Applications apart", productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL, counted(d.GetMinIntervalDays(), "days"))
	fact("Most per crop cycle", productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_CROP_CYCLE,
		counted(d.GetMaxApplicationsPerCropCycle(), "applications"))
	fact("Most per year", productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_YEAR,
		counted(d.GetMaxApplicationsPerYear(), "applications"))
	fact("Most active per year", productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR, activeLimits(d))
	s.fact("  Most in a row", counted(d.GetMaxConsecutiveApplications(), "applications of its group"))
	fact("Sale after", productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL, saleInterval(d))
	fact("Temperature", productsv1.LabelFact_LABEL_FACT_TEMPERATURE, span(d.GetTemperatureMin(), d.GetTemperatureMax()))
	fact("Open bloom", productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM, word(d.GetOpenBloom()))
	fact("Chemigation", productsv1.LabelFact_LABEL_FACT_CHEMIGATION, word(d.GetChemigation()))
	fact("Protection", productsv1.LabelFact_LABEL_FACT_PROTECTIVE_EQUIPMENT, d.GetProtectiveEquipment())
}

// span writes a lowest and a highest amount; either may be missing.
func span(least, most *typev1.Quantity) string {
	switch {
	case least == nil && most == nil:
		return ""
	case least == nil:
		return "at most " + amount(most)
	case most == nil:
		return "at least " + amount(least)
	case least.GetAmount() == most.GetAmount():
		return amount(most)
	default:
		return least.GetAmount() + " to " + amount(most)
	}
}

func counted(number int32, things string) string {
	if number == 0 {
		return ""
	}
	return fmt.Sprintf("%d %s", number, things)
}

func saleInterval(d *productsv1.LabelDirection) string {
	if d.SaleIntervalDays == nil {
		return ""
	}
	return fmt.Sprintf("%d days", d.GetSaleIntervalDays())
}

func activeLimits(d *productsv1.LabelDirection) string {
	texts := make([]string, len(d.GetActiveLimits()))
	for i, limit := range d.GetActiveLimits() {
		texts[i] = limit.GetActiveIngredient() + " " + amount(limit.GetMostPerYear())
	}
	return strings.Join(texts, ", ")
}

func cost(product *productsv1.Product) string {
	if product.GetCost() == nil {
		return ""
	}
	return fmt.Sprintf("%s %s for %s", product.GetCost().GetAmount(), product.GetCost().GetCurrencyCode(), amount(product.GetCostPer()))
}
