// Package schedule knows the sprayers and turns the open steps of all programs
// into jobs for the day.
package schedule

import (
	"slices"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
)

// Sprayer is a sprayer, a drench cart or a bath station.
type Sprayer struct {
	// ID is the last part of its name.
	ID string
	// DisplayName is what people call it.
	DisplayName string
	// TankVolume is the volume of its tank or bath, L.
	TankVolume quantity.Quantity
	// Methods are those that it can be used for.
	Methods []productsv1.Method
	// OutOfService is true while it cannot be used.
	OutOfService bool
}

// Fits reports whether the sprayer can be used now for a method.
func (s Sprayer) Fits(method productsv1.Method) bool {
	return !s.OutOfService && slices.Contains(s.Methods, method)
}

// fromContract reads a sprayer of the contract and refuses one that breaks a
// rule, by field.
func fromContract(id string, message *schedulev1.Sprayer) (Sprayer, error) {
	volume, err := quantity.FromContract(message.GetTankVolume())
	if err != nil {
		return Sprayer{}, fault.Field("tank_volume", "%s", err)
	}
	if volume.Unit != quantity.Litre {
		return Sprayer{}, fault.Field("tank_volume", "must be in L, not in %s", volume.Unit).With("unit", string(volume.Unit))
	}
	if !volume.Positive() {
		return Sprayer{}, fault.Field("tank_volume", "must be above 0 L").With("value", volume.String())
	}
	return Sprayer{
		ID: id, DisplayName: message.GetDisplayName(), TankVolume: volume,
		Methods: message.GetMethods(), OutOfService: message.GetOutOfService(),
	}, nil
}

// contract returns the sprayer as the contract carries it, without its etag and
// time.
func (s Sprayer) contract(nursery string) *schedulev1.Sprayer {
	return &schedulev1.Sprayer{
		Name: sprayerName(nursery, s.ID), DisplayName: s.DisplayName, TankVolume: s.TankVolume.Contract(),
		Methods: s.Methods, OutOfService: s.OutOfService,
	}
}

func sprayerName(nursery, id string) string { return resource.Of("nurseries", nursery, "sprayers", id) }
