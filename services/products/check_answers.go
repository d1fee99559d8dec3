package products

import (
	"fmt"
	"slices"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/products/defaultinterval"
)

// Sources of what is asked of a label beside its directions.
const (
	sourceEntry        = "40 CFR 170.405(b)(4) table 2, from memory"
	sourceNotice       = "40 CFR 170.409, from memory"
	sourceAiring       = "40 CFR 170.405(b)(3), from memory"
	sourceEmergency    = "40 CFR 170.309(f), from memory"
	sourceDisplay      = "40 CFR 170.311(b), from memory"
	sourceUnionRecords = "Implementing Regulation (EU) 2023/564, Annex, from memory"
)

// unionLaw is the code of the law whose records ask for the hour and the growth stage.
const unionLaw = "EU"

// checkAnswers finds what entry to a treated area, displays and use reports ask of a
// label and what is not entered. None of it refuses an application: the stricter
// answer is taken, or a report has a gap.
func checkAnswers(product Product, jurisdiction string) []Finding {
	laws := LawsOf(jurisdiction)
	unanswered := func(answer productsv1.LabelAnswer) bool {
		return answer == productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED
	}
	var findings []Finding
	for _, fact := range []struct {
		field            string
		missing          bool
		message, sources string
	}{
		{"respirator", unanswered(product.Respirator),
			"whether the label asks for a respirator is not entered, so the wider area stays closed after an application", sourceEntry},
		{"double_notification", unanswered(product.DoubleNotification),
			"whether the label asks for signs and spoken words both is not entered, so both are due", sourceNotice},
		{"inhalation_limited", unanswered(product.InhalationLimited),
			"whether the label limits the vapour in the air is not entered, so airing alone opens no house that has to be aired", sourceAiring},
		{"inhalation_level", product.InhalationLimited == productsv1.LabelAnswer_LABEL_ANSWER_YES && product.InhalationLevel.IsZero(),
			"the label limits the vapour in the air and the level is not entered, so no measurement opens a house that has to be aired", sourceAiring},
		{"organophosphate", unanswered(product.Organophosphate) && slices.Contains(laws, defaultinterval.Law),
			"whether it holds an organophosphate that inhibits cholinesterase is not entered, so the longer default is named where the interval is missing",
			defaultinterval.DryOutdoors().Source},
		{"first_aid", product.FirstAid == "",
			"the first aid of the label is not entered, so it is missing from the sheet for a physician", sourceEmergency},
		{"safety_data_sheet", product.SafetyDataSheet == "",
			"which safety data sheet it has is not entered, so it is missing from displays and records", sourceDisplay},
		{"time_limited", unanswered(product.TimeLimited) && slices.Contains(laws, unionLaw),
			"whether the authorisation limits the time of day is not entered, so records ask for the hour of the use", sourceUnionRecords},
		{"stage_limited", unanswered(product.StageLimited) && slices.Contains(laws, unionLaw),
			"whether the authorisation limits the growth stage is not entered, so records ask for the stage of the plants", sourceUnionRecords},
	} {
		if fact.missing {
			findings = append(findings, Finding{
				Field: fact.field, Rule: RuleLabelAnswerMissing, Source: fact.sources,
				Message: fmt.Sprintf("%s; enter what the label says", fact.message),
			})
		}
	}
	return findings
}
