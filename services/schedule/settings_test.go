package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func TestWorkTakesTheShippedTimeUntilTheNurserySaysOtherwise(t *testing.T) {
	settings := defaultSettings()
	shipped, known := settings.rate(treatmentv1.StepKind_STEP_KIND_PRUNE)
	require.True(t, known)
	require.Positive(t, shipped.MinutesPer100Plants)

	measured := WorkRate{Kind: treatmentv1.StepKind_STEP_KIND_PRUNE, FixedMinutes: 3, MinutesPer100Plants: 7}
	settings.WorkRates = []WorkRate{measured}
	own, known := settings.rate(treatmentv1.StepKind_STEP_KIND_PRUNE)
	require.True(t, known)
	require.Equal(t, measured, own)

	for _, kind := range []treatmentv1.StepKind{
		treatmentv1.StepKind_STEP_KIND_SPRAY, treatmentv1.StepKind_STEP_KIND_LAB_TEST, treatmentv1.StepKind_STEP_KIND_RELEASE,
	} {
		_, known = settings.rate(kind)
		require.False(t, known, "%s is no work with a rate of its own", kind)
	}
}

func TestTheDefaultSettingsAreSuchThatANurseryCouldSetThem(t *testing.T) {
	settings := defaultSettings()
	read, err := settingsFromContract(settings.contract("test"))
	require.NoError(t, err)
	require.Equal(t, settings.Weights, read.Weights)
	require.Equal(t, settings.HorizonDays, read.HorizonDays)
	require.Equal(t, settings.PlanInspections, read.PlanInspections)
}

func TestEveryWeightOfTheContractIsKept(t *testing.T) {
	given := &schedulev1.PlanningWeights{
		HourLate: 1, HourWaiting: 2, ClosedHouseHour: 3, LitreLeftOver: 4, Rinse: 5, LitreRinseWater: 6, OvertimeHour: 7, Change: 8,
	}
	require.Equal(t, given, weightsFromContract(given).contract())
}
