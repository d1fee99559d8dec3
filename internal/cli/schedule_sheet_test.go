package cli

import (
	"testing"

	"github.com/stretchr/testify/require"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

func litres(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "L"} }

func TestALoadOfWhichMostIsThrownAwayIsPointedOut(t *testing.T) {
	require.True(t, mostlyWaste(&schedulev1.TankLoad{Needed: litres("2.4"), LeftOver: litres("87.6")}))
	require.False(t, mostlyWaste(&schedulev1.TankLoad{Needed: litres("32"), LeftOver: litres("3")}))
	require.False(t, mostlyWaste(&schedulev1.TankLoad{Needed: litres("32")}), "nothing is left over")
	require.False(t, mostlyWaste(&schedulev1.TankLoad{LeftOver: litres("3")}), "what a bath needs is not known")
}
