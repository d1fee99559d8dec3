package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/rpc/rpctest"
)

func litre(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "L"} }

// measured is a knapsack of 15.5 L with all that a plan wants to know of it.
func measured() *schedulev1.Sprayer {
	sprayer := knapsack()
	sprayer.SmallestLoad, sprayer.Graduation, sprayer.OutputPerMinute = litre("2"), litre("0.5"), litre("1.25")
	sprayer.PlantsPerHour, sprayer.MixMinutes, sprayer.RinseMinutes, sprayer.RinseVolume = 300, 12, 5, litre("3")
	return sprayer
}

func TestWhatAPlanWantsToKnowOfASprayerIsKept(t *testing.T) {
	client, manager := setUp(t)
	made, err := client.CreateSprayer(manager, create("k1", measured()))
	require.NoError(t, err)
	want := measured()
	want.Name, want.Etag, want.CreateTime = made.GetName(), made.GetEtag(), made.GetCreateTime()
	require.True(t, proto.Equal(want, made), made)
	read, err := client.GetSprayer(manager, &schedulev1.GetSprayerRequest{Name: made.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(want, read), read)
}

func TestASprayerThatCannotBeFilledIsRefused(t *testing.T) {
	client, manager := setUp(t)
	for _, test := range []struct {
		name, field, rule string
		change            func(*schedulev1.Sprayer)
	}{
		{"a tank smaller than the smallest load", "sprayer.smallest_load", "smaller than the smallest load",
			func(s *schedulev1.Sprayer) { s.SmallestLoad = litre("16") }},
		{"a tank smaller than one graduation", "sprayer.graduation", "smaller than one graduation",
			func(s *schedulev1.Sprayer) { s.Graduation = litre("16") }},
		{"no whole graduation between the smallest load and the tank", "sprayer.smallest_load", "whole graduations",
			func(s *schedulev1.Sprayer) { s.SmallestLoad, s.Graduation = litre("11"), litre("10") }},
		{"no litre between the smallest load and the tank", "sprayer.smallest_load", "whole graduations",
			func(s *schedulev1.Sprayer) { s.SmallestLoad, s.Graduation = litre("15.2"), nil }},
		{"a graduation by weight", "sprayer.graduation", "must be in L",
			func(s *schedulev1.Sprayer) { s.Graduation.Unit = "kg" }},
		{"an output of nothing", "sprayer.output_per_minute", "not between",
			func(s *schedulev1.Sprayer) { s.OutputPerMinute = litre("0") }},
		{"a rinse below zero", "sprayer.rinse_volume", "not between",
			func(s *schedulev1.Sprayer) { s.RinseVolume = litre("-1") }},
		{"a negative time", "sprayer.mix_minutes", "", func(s *schedulev1.Sprayer) { s.MixMinutes = -1 }},
	} {
		t.Run(test.name, func(t *testing.T) {
			sprayer := measured()
			test.change(sprayer)
			_, err := client.CreateSprayer(manager, create("refused", sprayer))
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.rule)
		})
	}
}
