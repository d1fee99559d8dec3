package schedule

import (
	"fmt"
	"slices"
	"strings"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/treatment"
)

// Settings say how a nursery plans.
type Settings struct {
	// Weights are what a plan is judged by.
	Weights Weights
	// HorizonDays are the days planned ahead, today's rest included.
	HorizonDays int32
	// PlanTime is when a plan is made by itself each day, HH:MM on the nursery's
	// clocks; empty for never.
	PlanTime string
	// SolveSeconds is the longest time to work a plan out, seconds.
	SolveSeconds int32
	// ReplanOnEvents is true when what happens in the nursery makes a new proposal.
	ReplanOnEvents bool
	// WorkRates are those that differ from the shipped ones.
	WorkRates []WorkRate
	// Walks are those that differ from DefaultWalkMinutes.
	Walks []Walk
	// DefaultWalkMinutes is how long it takes from one house to another, minutes.
	DefaultWalkMinutes int32
	// PlanInspections is true when routine inspections of houses are planned too.
	PlanInspections bool
	// HeatTemperature is the air temperature of a house, Cel, a plain decimal with at most
	// two places, from which work in it counts towards a person's MaxProtectedMinutes;
	// empty where heat is not counted. No default is shipped: which temperature it is, the
	// law of the place says.
	HeatTemperature string
}

// Weights are what a plan is judged by, in points of the nursery's own.
type Weights struct {
	// HourLate is for each hour past its due time, HourWaiting for each hour from when
	// it could begin; both times the risk of the disorder.
	HourLate    int32 `json:"hour_late"`
	HourWaiting int32 `json:"hour_waiting"`
	// ClosedHouseHour is for each hour in working time for which a house is closed.
	ClosedHouseHour int32 `json:"closed_house_hour"`
	// LitreLeftOver is for each litre of mix that is left over.
	LitreLeftOver int32 `json:"litre_left_over"`
	// Rinse is for each rinse, LitreRinseWater for each litre of its water.
	Rinse           int32 `json:"rinse"`
	LitreRinseWater int32 `json:"litre_rinse_water"`
	// OvertimeHour is for each hour of a person's overtime.
	OvertimeHour int32 `json:"overtime_hour"`
	// Change is for each job that is not as people were told.
	Change int32 `json:"change"`
}

// WorkRate is how long work without chemical takes.
type WorkRate struct {
	Kind treatment.Kind `json:"kind"`
	// FixedMinutes is what it takes however few plants there are, minutes.
	FixedMinutes int32 `json:"fixed_minutes"`
	// MinutesPer100Plants is what each 100 plants take on top, minutes.
	MinutesPer100Plants int32 `json:"minutes_per_100_plants"`
}

// Walk is how long it takes from one house to another, in both directions.
type Walk struct {
	// House and OtherHouse are ids.
	House      string `json:"house"`
	OtherHouse string `json:"other_house"`
	// Minutes, 0 or more.
	Minutes int32 `json:"minutes"`
}

// minutes is how long the work takes with a number of plants, rounded up.
func (r WorkRate) minutes(plants int64) int64 {
	return int64(r.FixedMinutes) + (int64(r.MinutesPer100Plants)*plants+99)/100
}

// defaultSettings are those of a nursery that never set its own.
//
// The weights are design values: lateness first, then waiting, so that a house is
// closed and a tank rinsed rather than that a disease gets an hour more. To tell
// somebody anew weighs as much as a disease of middle risk that is late by an hour:
// with less, one broken sprayer moved a dozen jobs that it had nothing to do with. The horizon
// of a week and the 3 minutes from house to house are common practice, no source.
// The 30 seconds are a design value: most plans are no better after them.
func defaultSettings() Settings {
	return Settings{
		Weights: Weights{
			HourLate: 10, HourWaiting: 1, ClosedHouseHour: 2, LitreLeftOver: 3, Rinse: 5, LitreRinseWater: 1,
			OvertimeHour: 8, Change: 60,
		},
		HorizonDays: 7, SolveSeconds: 30, DefaultWalkMinutes: 3, PlanInspections: true,
	}
}

// shippedRates are how long work takes where the nursery has not measured it. Common
// practice, no source.
func shippedRates() []WorkRate {
	return []WorkRate{
		{treatmentv1.StepKind_STEP_KIND_ISOLATE, 10, 20},
		{treatmentv1.StepKind_STEP_KIND_DISINFECT, 15, 5},
		{treatmentv1.StepKind_STEP_KIND_PRUNE, 10, 30},
		{treatmentv1.StepKind_STEP_KIND_CUT_BACK_UNTIL_CLEAN, 10, 60},
		{treatmentv1.StepKind_STEP_KIND_DISCARD, 10, 15},
		{treatmentv1.StepKind_STEP_KIND_REPOT, 10, 120},
		{treatmentv1.StepKind_STEP_KIND_INSPECT, 5, 10},
		{treatmentv1.StepKind_STEP_KIND_ENVIRONMENT, 10, 0},
	}
}

// rate returns how long work of a kind takes; false for work that has no rate, such
// as what a sprayer does.
func (s Settings) rate(kind treatment.Kind) (WorkRate, bool) {
	is := func(rate WorkRate) bool { return rate.Kind == kind }
	if i := slices.IndexFunc(s.WorkRates, is); i >= 0 {
		return s.WorkRates[i], true
	}
	shipped := shippedRates()
	if i := slices.IndexFunc(shipped, is); i >= 0 {
		return shipped[i], true
	}
	return WorkRate{}, false
}

// between reports whether it is the way between two houses, in either direction.
func (w Walk) between(house, other string) bool {
	return w.House == house && w.OtherHouse == other || w.House == other && w.OtherHouse == house
}

// settingsFromContract reads settings of the contract and refuses those that break a rule, by
// field. Whether the houses exist is not looked at.
func settingsFromContract(message *schedulev1.PlanningSettings) (Settings, error) {
	settings := Settings{
		Weights: weightsFromContract(message.GetWeights()), HorizonDays: message.GetHorizonDays(), PlanTime: message.GetPlanTime(),
		SolveSeconds: message.GetSolveSeconds(), ReplanOnEvents: message.GetReplanOnEvents(),
		DefaultWalkMinutes: message.GetDefaultWalkMinutes(), PlanInspections: message.GetPlanInspections(),
		HeatTemperature: message.GetHeatTemperature(),
	}
	var err error
	if settings.WorkRates, err = workRatesFromContract(message.GetWorkRates()); err != nil {
		return Settings{}, err
	}
	settings.Walks, err = walksFromContract(message.GetWalks())
	return settings, err
}

func weightsFromContract(message *schedulev1.PlanningWeights) Weights {
	return Weights{
		HourLate: message.GetHourLate(), HourWaiting: message.GetHourWaiting(), ClosedHouseHour: message.GetClosedHouseHour(),
		LitreLeftOver: message.GetLitreLeftOver(), Rinse: message.GetRinse(), LitreRinseWater: message.GetLitreRinseWater(),
		OvertimeHour: message.GetOvertimeHour(), Change: message.GetChange(),
	}
}

const kindPrefix = "STEP_KIND_"

func workRatesFromContract(messages []*schedulev1.WorkRate) ([]WorkRate, error) {
	var known []string
	for _, rate := range shippedRates() {
		known = append(known, strings.TrimPrefix(rate.Kind.String(), kindPrefix))
	}
	rates := make([]WorkRate, len(messages))
	for i, message := range messages {
		field := fmt.Sprintf("planning_settings.work_rates[%d].kind", i)
		if !slices.Contains(known, message.GetKind()) {
			return nil, fault.Field(field, "%q has no rate of its own: it is one of %s; baths, sprays and drenches take their time from the sprayer",
				message.GetKind(), strings.Join(known, ", ")).With("kind", message.GetKind())
		}
		rate := WorkRate{
			Kind:         treatment.Kind(treatmentv1.StepKind_value[kindPrefix+message.GetKind()]),
			FixedMinutes: message.GetFixedMinutes(), MinutesPer100Plants: message.GetMinutesPer_100Plants(),
		}
		if slices.ContainsFunc(rates[:i], func(before WorkRate) bool { return before.Kind == rate.Kind }) {
			return nil, fault.Field(field, "%s stands here twice", message.GetKind()).With("kind", message.GetKind())
		}
		rates[i] = rate
	}
	return rates, nil
}

func walksFromContract(messages []*schedulev1.Walk) ([]Walk, error) {
	walks := make([]Walk, len(messages))
	for i, message := range messages {
		field := fmt.Sprintf("planning_settings.walks[%d]", i)
		house, err := lastID(field+".house", message.GetHouse(), "houses")
		if err != nil {
			return nil, err
		}
		other, err := lastID(field+".other_house", message.GetOtherHouse(), "houses")
		if err != nil {
			return nil, err
		}
		if house == other {
			return nil, fault.Field(field+".other_house", "is the same house; within a house nobody walks").With("house", message.GetHouse())
		}
		if slices.ContainsFunc(walks[:i], func(before Walk) bool { return before.between(house, other) }) {
			return nil, fault.Field(field, "the way from %s to %s stands here twice; it counts in both directions", message.GetHouse(), message.GetOtherHouse()).
				With("house", message.GetHouse()).With("other_house", message.GetOtherHouse())
		}
		walks[i] = Walk{House: house, OtherHouse: other, Minutes: message.GetMinutes()}
	}
	return walks, nil
}

// contract returns the settings as the contract carries them, without their etag.
func (s Settings) contract(nursery string) *schedulev1.PlanningSettings {
	message := &schedulev1.PlanningSettings{
		Name: settingsName(nursery), Weights: s.Weights.contract(), HorizonDays: s.HorizonDays, PlanTime: s.PlanTime,
		SolveSeconds: s.SolveSeconds, ReplanOnEvents: s.ReplanOnEvents, DefaultWalkMinutes: s.DefaultWalkMinutes,
		PlanInspections: s.PlanInspections, HeatTemperature: s.HeatTemperature,
	}
	for _, rate := range s.WorkRates {
		message.WorkRates = append(message.WorkRates, &schedulev1.WorkRate{
			Kind: strings.TrimPrefix(rate.Kind.String(), kindPrefix), FixedMinutes: rate.FixedMinutes, MinutesPer_100Plants: rate.MinutesPer100Plants,
		})
	}
	for _, walk := range s.Walks {
		message.Walks = append(message.Walks, &schedulev1.Walk{
			House:      resource.Of("nurseries", nursery, "houses", walk.House),
			OtherHouse: resource.Of("nurseries", nursery, "houses", walk.OtherHouse), Minutes: walk.Minutes,
		})
	}
	return message
}

func (w Weights) contract() *schedulev1.PlanningWeights {
	return &schedulev1.PlanningWeights{
		HourLate: w.HourLate, HourWaiting: w.HourWaiting, ClosedHouseHour: w.ClosedHouseHour, LitreLeftOver: w.LitreLeftOver,
		Rinse: w.Rinse, LitreRinseWater: w.LitreRinseWater, OvertimeHour: w.OvertimeHour, Change: w.Change,
	}
}

func settingsName(nursery string) string {
	return resource.Of("nurseries", nursery) + "/planningSettings"
}
