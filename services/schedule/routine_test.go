package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/stock"
	"velamen/services/treatment"
)

func TestARoutineInspectionThatIsTooLongForAShiftTakesTheWeightiestLots(t *testing.T) {
	// 5 minutes and 10 more for each 100 plants: 2350 plants take 4 hours.
	in := &Input{Settings: defaultSettings()}
	house := treatment.RoutineInspection{House: "h1", Lots: []treatment.LotToInspect{
		{Lot: stock.Lot{ID: "weighty"}, Plants: 2000}, {Lot: stock.Lot{ID: "fits"}, Plants: 350}, {Lot: stock.Lot{ID: "rest"}, Plants: 1},
	}}
	work := in.routine(house, time.Date(2026, 3, 2, 22, 0, 0, 0, time.UTC))
	require.Equal(t, "Inspect h1: the weightiest 2 of 3 lots to look at", work.Title)
	require.Len(t, work.Lots, 2)
	require.EqualValues(t, 2350, work.Plants)

	house.Lots = house.Lots[2:]
	require.Equal(t, "Inspect h1: 1 lot to look at", in.routine(house, time.Time{}).Title)

	house.Lots = []treatment.LotToInspect{{Lot: stock.Lot{ID: "large"}, Plants: 9000}}
	require.Len(t, in.routine(house, time.Time{}).Lots, 1, "one lot is never divided")
}
