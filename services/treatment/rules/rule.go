package rules

// The identifiers of the rules that are not rows of spacing.yaml or weather.yaml.
// docs/rules says what each holds an application to.
const (
	RuleLabelUse            = "label-use"
	RuleLabelFactMissing    = "label-fact-missing"
	RuleLabelRateMax        = "label-rate-max"
	RuleLabelRateMin        = "label-rate-min"
	RuleLabelWaterVolume    = "label-water-volume"
	RuleLabelMinInterval    = "label-min-interval"
	RuleLabelMaxPerCycle    = "label-max-per-crop-cycle"
	RuleLabelMaxPerYear     = "label-max-per-year"
	RuleLabelActivePerYear  = "label-max-active-per-year"
	RuleLabelConsecutive    = "label-max-consecutive"
	RuleLabelTemperature    = "label-temperature"
	RuleLabelOpenBloom      = "label-open-bloom"
	RuleLabelChemigation    = "label-chemigation"
	RuleLabelRestrictedTime = "label-restricted-entry"
	RuleLabelInhalation     = "label-inhalation"
	RuleLabelEquipment      = "label-protective-equipment"
	RuleLabelSaleInterval   = "label-sale-interval"
	RuleRegistrationExpired = "registration-expired"
	RuleRegistrationPlace   = "registration-jurisdiction"
	RuleActiveApproval      = "active-approval"
	RuleCertifiedApplicator = "certified-applicator"
	RuleHandlerTraining     = "handler-training"
	RuleHandlerAge          = "handler-age"
	RuleRespiratorFitness   = "respirator-fitness"
	RuleEquipmentIssued     = "equipment-issued"
	RuleContainerUnknown    = "container-unknown"
	RuleContainerExpired    = "container-expired"
	RuleContainerLeft       = "container-left"
	RuleContainerCounted    = "container-counted"
	RuleLotsInHouse         = "lots-in-house"
	RuleAreaOfHouse         = "area-of-house"
	RulePlantsOfLots        = "plants-of-lots"
	RuleOfficialMasking     = "official-hold-masking"
	RuleStepCandidate       = "step-candidate"
	RuleWorksOnClass        = "works-on-class"
	RuleRotationRoundBefore = "rotation-round-before"
	RuleRotationConsecutive = "rotation-consecutive"
	RuleRotationAlone       = "rotation-alone"
	RuleRotationPartner     = "rotation-partner"
	RuleRotationRest        = "rotation-rest"
	RuleRotationReturn      = "rotation-return"
	RuleRotationCount       = "rotation-count"
	RuleRotationShare       = "rotation-share"
	RuleRotationSoloShare   = "rotation-solo-share"
	RuleRotationMost        = "rotation-most"
)

// sourceLabel is where the rules of a label come from.
const sourceLabel = "the product's label"

// Rules returns the identifiers of all rules.
func Rules() []string {
	ids := []string{
		RuleLabelUse,
		RuleLabelFactMissing,
		RuleLabelRateMax,
		RuleLabelRateMin,
		RuleLabelWaterVolume,
		RuleLabelMinInterval,
		RuleLabelMaxPerCycle,
		RuleLabelMaxPerYear,
		RuleLabelActivePerYear,
		RuleLabelConsecutive,
		RuleLabelTemperature,
		RuleLabelOpenBloom,
		RuleLabelChemigation,
		RuleLabelRestrictedTime,
		RuleLabelInhalation,
		RuleLabelEquipment,
		RuleLabelSaleInterval,
		RuleRegistrationExpired,
		RuleRegistrationPlace,
		RuleActiveApproval,
		RuleCertifiedApplicator,
		RuleHandlerTraining,
		RuleHandlerAge,
		RuleRespiratorFitness,
		RuleEquipmentIssued,
		RuleContainerUnknown,
		RuleContainerExpired,
		RuleContainerLeft,
		RuleContainerCounted,
		RuleLotsInHouse,
		RuleAreaOfHouse,
		RulePlantsOfLots,
		RuleOfficialMasking,
		RuleStepCandidate,
		RuleWorksOnClass,
		RuleRotationRoundBefore,
		RuleRotationConsecutive,
		RuleRotationAlone,
		RuleRotationPartner,
		RuleRotationRest,
		RuleRotationReturn,
		RuleRotationCount,
		RuleRotationShare,
		RuleRotationSoloShare,
		RuleRotationMost,
	}
	ids = append(ids, SpacingRules()...)
	for _, row := range weather() {
		ids = append(ids, row.id)
	}
	return ids
}

// SpacingRules returns the identifiers of the rules on what must not meet.
func SpacingRules() []string {
	var ids []string
	for _, p := range spacing().pairs {
		ids = append(ids, p.id)
	}
	return ids
}
