// Package schedule knows the sprayers and turns the open steps of all programs
// into jobs for the day.
package schedule

import (
	"slices"

	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
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
	// SmallestLoad is the least mix that it can be filled with, L; the zero value for
	// one graduation.
	SmallestLoad quantity.Quantity
	// Graduation is the step in which it can be filled, L; the zero value for
	// DefaultGraduation.
	Graduation quantity.Quantity
	// OutputPerMinute is the mix that it puts out in a minute of work, L; the zero
	// value when that is not known.
	OutputPerMinute quantity.Quantity
	// PlantsPerHour are dipped, for baths; 0 when that is not known.
	PlantsPerHour int32
	// MixMinutes is how long it takes to measure out, mix and fill one load, minutes.
	MixMinutes int32
	// RinseMinutes and RinseVolume (L) are what one rinse between two mixes takes; the
	// zero value of the volume for none.
	RinseMinutes int32
	RinseVolume  quantity.Quantity
}

// DefaultGraduation is the step in which a sprayer is filled when nobody said. Common
// practice, no source.
var DefaultGraduation = quantity.Must("1", quantity.Litre)

// Fits reports whether the sprayer can be used now for a method.
func (s Sprayer) Fits(method productsv1.Method) bool {
	return !s.OutOfService && slices.Contains(s.Methods, method)
}

// fromContract reads a sprayer of the contract and refuses one that breaks a
// rule, by field.
func fromContract(id string, message *schedulev1.Sprayer) (Sprayer, error) {
	volume, err := litres("tank_volume", message.GetTankVolume())
	if err != nil {
		return Sprayer{}, err
	}
	if !volume.Positive() {
		return Sprayer{}, fault.Field("tank_volume", "must be above 0 L").With("value", volume.String())
	}
	sprayer := Sprayer{
		ID: id, DisplayName: message.GetDisplayName(), TankVolume: volume,
		Methods: message.GetMethods(), OutOfService: message.GetOutOfService(),
		PlantsPerHour: message.GetPlantsPerHour(), MixMinutes: message.GetMixMinutes(), RinseMinutes: message.GetRinseMinutes(),
	}
	for _, amount := range []struct {
		field   string
		message *typev1.Quantity
		into    *quantity.Quantity
	}{
		{"sprayer.smallest_load", message.GetSmallestLoad(), &sprayer.SmallestLoad},
		{"sprayer.graduation", message.GetGraduation(), &sprayer.Graduation},
		{"sprayer.output_per_minute", message.GetOutputPerMinute(), &sprayer.OutputPerMinute},
		{"sprayer.rinse_volume", message.GetRinseVolume(), &sprayer.RinseVolume},
	} {
		if amount.message == nil {
			continue
		}
		if *amount.into, err = litres(amount.field, amount.message); err != nil {
			return Sprayer{}, err
		}
		if amount.into.Amount.LessThan(oneMillilitre) || amount.into.Amount.GreaterThan(mostLitres) {
			return Sprayer{}, fault.Field(amount.field, "%s is not between %s L and %s L; leave it out when it is not known", amount.into, oneMillilitre, mostLitres).
				With("value", amount.into.String())
		}
	}
	return sprayer, sprayer.refuseUnfillable()
}

// Limits of the amounts of a sprayer: what can be measured out at all, and more than
// any tank holds. L.
var (
	oneMillilitre = decimal.New(1, -3)
	mostLitres    = decimal.New(1_000_000, 0)
)

func litres(field string, message *typev1.Quantity) (quantity.Quantity, error) {
	volume, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	if volume.Unit != quantity.Litre {
		return quantity.Quantity{}, fault.Field(field, "must be in L, not in %s", volume.Unit).With("unit", string(volume.Unit))
	}
	return volume, nil
}

// refuseUnfillable refuses a tank that no load of whole graduations fits.
func (s Sprayer) refuseUnfillable() error {
	graduation, smallest := s.Graduation, s.SmallestLoad
	if !graduation.IsZero() && graduation.Amount.GreaterThan(s.TankVolume.Amount) {
		return fault.Field("sprayer.graduation", "the tank of %s is smaller than one graduation of %s", s.TankVolume, graduation).
			With("tank_volume", s.TankVolume.String()).With("graduation", graduation.String())
	}
	if smallest.IsZero() {
		return nil
	}
	if smallest.Amount.GreaterThan(s.TankVolume.Amount) {
		return fault.Field("sprayer.smallest_load", "the tank of %s is smaller than the smallest load of %s", s.TankVolume, smallest).
			With("tank_volume", s.TankVolume.String()).With("smallest_load", smallest.String())
	}
	if graduation.IsZero() {
		graduation = DefaultGraduation
	}
	least := smallest.Amount.DivRound(graduation.Amount, quantity.Places).Ceil().Mul(graduation.Amount)
	if least.GreaterThan(s.TankVolume.Amount) {
		return fault.Field("sprayer.smallest_load", "the tank of %s cannot be filled with whole graduations of %s and at least %s", s.TankVolume, graduation, smallest).
			With("tank_volume", s.TankVolume.String()).With("graduation", graduation.String()).With("smallest_load", smallest.String())
	}
	return nil
}

// contract returns the sprayer as the contract carries it, without its etag and
// time.
func (s Sprayer) contract(nursery string) *schedulev1.Sprayer {
	return &schedulev1.Sprayer{
		Name: sprayerName(nursery, s.ID), DisplayName: s.DisplayName, TankVolume: s.TankVolume.Contract(),
		Methods: s.Methods, OutOfService: s.OutOfService,
		SmallestLoad: s.SmallestLoad.Contract(), Graduation: s.Graduation.Contract(), OutputPerMinute: s.OutputPerMinute.Contract(),
		PlantsPerHour: s.PlantsPerHour, MixMinutes: s.MixMinutes, RinseMinutes: s.RinseMinutes, RinseVolume: s.RinseVolume.Contract(),
	}
}

func sprayerName(nursery, id string) string { return resource.Of("nurseries", nursery, "sprayers", id) }
