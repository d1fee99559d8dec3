package treatment

import (
	"slices"
	"time"

	"velamen/internal/quantity"
	"velamen/services/treatment/rules"
)

// Topics of what the workflows must learn. Their subject is the program's name.
const (
	TopicProgramStarted  = "treatment.program_started"
	TopicProgramAdvanced = "treatment.program_advanced"
)

// ProgramStarted says that a program was entered and needs its workflow.
type ProgramStarted struct {
	// Program is the program's id.
	Program string `json:"program"`
}

// ProgramAdvanced says that something happened to a program.
type ProgramAdvanced struct {
	// Program is the program's id.
	Program string `json:"program"`
	// Event is what happened.
	Event Event `json:"event"`
}

// TopicApplicationConfirmed is the outbox topic of every confirmed application.
// Its subject is the nursery's name, so that the ledger sees a nursery's
// applications in the order in which they were confirmed.
const TopicApplicationConfirmed = "treatment.application_confirmed"

// ApplicationConfirmed carries all that a use record needs, as it was on the day:
// a product or a person that is changed later does not change the record.
type ApplicationConfirmed struct {
	// Application is the application's name.
	Application string `json:"application"`
	// Step is the step's name; empty in a breach.
	Step string `json:"step"`
	// Disorder is the identifier of what it was applied against.
	Disorder string `json:"disorder"`
	// Method is SPRAY, DRENCH or BATH.
	Method string `json:"method"`
	// Start and End of the work, UTC.
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
	// Applicator is the name of who applied it.
	Applicator string `json:"applicator"`
	// ApplicatorDisplayName is how that person stands on records.
	ApplicatorDisplayName string `json:"applicator_display_name"`
	// RestrictedEntryInterval is the longest of the mix, h; zero in a breach with a
	// product whose label lacks it.
	RestrictedEntryInterval quantity.Quantity `json:"restricted_entry_interval"`
	// Houses are the houses treated.
	Houses []HouseApplied `json:"houses"`
	// Breach says why it is no confirmation of a step; empty where it is one.
	Breach string `json:"breach,omitempty"`
	// Overrides are the rules that refused it and that a person went against.
	Overrides []OverrideApplied `json:"overrides,omitempty"`
	// BreachRules are the rules that refused a breach, each once.
	BreachRules []string `json:"breach_rules,omitempty"`
}

// OverrideApplied is a rule that refused an application which a person had
// confirmed all the same.
type OverrideApplied struct {
	Rule string `json:"rule"`
	// Note says why.
	Note string `json:"note"`
	// Person is the name of the owner or manager who answers for it.
	Person string `json:"person"`
}

// HouseApplied is what was applied in one house.
type HouseApplied struct {
	// House is the house's name.
	House string `json:"house"`
	// Area treated, m2, ha, ft2 or acre.
	Area quantity.Quantity `json:"area"`
	// MixVolume applied, L or gal.
	MixVolume quantity.Quantity `json:"mix_volume"`
	// Crops are the botanical names of the plants treated, by name.
	Crops []string `json:"crops"`
	// Products in the mix.
	Products []ProductApplied `json:"products"`
}

// ProductApplied is one product of a mix.
type ProductApplied struct {
	// Product is the product's name.
	Product string `json:"product"`
	// DisplayName and RegistrationNumber are those on the label.
	DisplayName        string `json:"display_name"`
	RegistrationNumber string `json:"registration_number"`
	// RestrictedUse is true when only a certified applicator may apply it.
	RestrictedUse bool `json:"restricted_use"`
	// Amount of product as it was measured out.
	Amount quantity.Quantity `json:"amount"`
	// Actives in that amount.
	Actives []ActiveApplied `json:"actives"`
}

// ActiveApplied is how much of an active ingredient was applied.
type ActiveApplied struct {
	// ActiveIngredient is its identifier.
	ActiveIngredient string `json:"active_ingredient"`
	// FRACCode is its resistance group.
	FRACCode string `json:"frac_code"`
	// Content of the product, g/kg or g/L.
	Content quantity.Quantity `json:"content"`
	// Amount applied, g.
	Amount quantity.Quantity `json:"amount"`
}

func overridesApplied(a *application) []OverrideApplied {
	var applied []OverrideApplied
	for _, override := range a.overrides {
		applied = append(applied, OverrideApplied{Rule: override.GetRule(), Note: override.GetNote(), Person: override.GetPerson()})
	}
	return applied
}

// breachRules returns the rules that refused a breach, each once.
func breachRules(a *application) []string {
	if a.breachNote == "" {
		return nil
	}
	var names []string
	for _, v := range rules.Refusals(a.verdicts) {
		if !slices.Contains(names, v.Rule) {
			names = append(names, v.Rule)
		}
	}
	return names
}
