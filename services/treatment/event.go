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

// TopicClosuresChanged is the outbox topic of whatever else than an application can close
// a house for longer, or open it sooner: airings, measured air and warning signs. Its
// subject is the house's name.
const TopicClosuresChanged = "treatment.closures_changed"

// ClosuresChanged says that something was recorded that closes or opens a house and those
// that adjoin it. What is closed now is read by whoever needs it.
type ClosuresChanged struct {
	// House is the house's name.
	House string `json:"house"`
}

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
	// ApplicatorCertificate is the number of the certificate that let the applicator
	// apply it on that day; empty where they held none.
	ApplicatorCertificate string `json:"applicator_certificate,omitempty"`
	// Supervisor is the certified person who supervised it; nil for nobody.
	Supervisor *SupervisorApplied `json:"supervisor,omitempty"`
}

// SupervisorApplied is who supervised an application.
type SupervisorApplied struct {
	// Person is their name.
	Person string `json:"person"`
	// DisplayName is how they stood on records.
	DisplayName string `json:"display_name"`
	// Certificate is the number of one that was valid on that day; empty for none.
	Certificate string `json:"certificate,omitempty"`
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
	// DisplayName is what the house was called. It and all below is empty where nobody
	// had entered it by then.
	DisplayName string `json:"display_name,omitempty"`
	// Benches in the house on which the lots treated stood while the work went on, as
	// they are called, by house and id.
	Benches []string `json:"benches,omitempty"`
	// SiteNumber, FacilityNumber and LegalLocation are those of the house on use reports.
	SiteNumber     string `json:"site_number,omitempty"`
	FacilityNumber string `json:"facility_number,omitempty"`
	LegalLocation  string `json:"legal_location,omitempty"`
	// Setting is GREENHOUSE or OUTDOOR, by what covered the house.
	Setting string `json:"setting,omitempty"`
	// PlantedArea of the house, m2, ha, ft2 or acre.
	PlantedArea quantity.Quantity `json:"planted_area,omitzero"`
	// Plants or pots treated.
	Plants int64 `json:"plants,omitempty"`
	// CropCodes are the EPPO codes of crops that have one, by crop and code.
	CropCodes []CropCodeApplied `json:"crop_codes,omitempty"`
	// GrowthStage on the BBCH scale, two or three digits.
	GrowthStage string `json:"growth_stage,omitempty"`
	// Form and Droplets of a spray in words, for example "fog" and "medium or larger".
	Form     string `json:"form,omitempty"`
	Droplets string `json:"droplets,omitempty"`
}

// CropCodeApplied is the EPPO code of a plant treated.
type CropCodeApplied struct {
	// Crop is the botanical name.
	Crop     string `json:"crop"`
	EPPOCode string `json:"eppo_code"`
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
	// SafetyDataSheet is the number or date of the sheet and where it is kept.
	SafetyDataSheet string `json:"safety_data_sheet,omitempty"`
	// TimeLimited and StageLimited say whether the authorisation limits the time of day
	// and the growth stage of the use: YES, NO, or nothing where nobody entered it.
	TimeLimited  string `json:"time_limited,omitempty"`
	StageLimited string `json:"stage_limited,omitempty"`
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
