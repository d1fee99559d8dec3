package proposal

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/mixing"
	"velamen/services/treatment/rules"
)

// Stocked is a product with what the chemical store holds of it.
type Stocked struct {
	Product products.Product
	Store   rules.Store
}

// Filled is an application with one product in every house, at the highest rate of
// its label.
type Filled struct {
	// Application with the product in each of its treatments.
	Application rules.Application
	// Rate is the label's highest, in the first house; zero when the label has no
	// direction for the use.
	Rate quantity.Quantity
	// OtherRates are those of other houses where the label gives another, one phrase
	// each.
	OtherRates []string
	// Amount of product and MixVolume in all houses; zero when not known.
	Amount, MixVolume quantity.Quantity
	// RestrictedEntryInterval is the longest, h; zero when the label fact is missing.
	RestrictedEntryInterval quantity.Quantity
	// Unknown says why the amount is not known; empty when it is.
	Unknown string
}

// Fill puts a product into an application. FRAC advises the full label rate, since
// less than that selects for resistance (from memory), so the highest rate is
// taken. Where no volume of mix is given it is worked out from the label's least
// water. Amounts are rounded down to what a record keeps, never above the rate.
func Fill(application rules.Application, stocked Stocked) Filled {
	return fill(application, usesOf(application), stocked)
}

// usesOf returns what products are used for, by treatment.
func usesOf(application rules.Application) []products.Use {
	uses := make([]products.Use, len(application.Treatments))
	for i, treatment := range application.Treatments {
		uses[i] = application.Use(treatment)
	}
	return uses
}

// fill is Fill with the uses of the treatments, which are the same for all products.
func fill(application rules.Application, uses []products.Use, stocked Stocked) Filled {
	filled := Filled{Application: application}
	filled.Application.Treatments = slices.Clone(application.Treatments)
	var amount, volume quantity.Exact
	for i := range filled.Application.Treatments {
		treatment := &filled.Application.Treatments[i]
		line := rules.Line{Field: lineField(*treatment), Product: stocked.Product, Store: stocked.Store}
		direction, listing := stocked.Product.DirectionFor(uses[i])
		if listing != products.Listed {
			filled.Unknown = "its label does not list the use"
			treatment.Lines = []rules.Line{line}
			continue
		}
		switch {
		case filled.Rate.IsZero():
			filled.Rate = direction.RateMax
		case filled.Rate.String() != direction.RateMax.String():
			filled.OtherRates = append(filled.OtherRates, fmt.Sprintf("%s in house %s", direction.RateMax, treatment.House))
		}
		filled.RestrictedEntryInterval = longer(filled.RestrictedEntryInterval, direction.RestrictedEntryInterval)
		treatment.MixVolume = volumeOf(*treatment, direction)
		need, err := amountOf(stocked.Product, *treatment, direction)
		if err != nil {
			filled.Unknown = err.Error()
		} else {
			line.Amount = need
			amount = sum(amount, need)
		}
		volume = sum(volume, treatment.MixVolume)
		treatment.Lines = []rules.Line{line}
	}
	if filled.Unknown == "" && !amount.IsZero() {
		filled.Amount = amount.Floor(quantity.Places)
	}
	if !volume.IsZero() {
		filled.MixVolume = volume.Floor(quantity.Places)
	}
	return filled
}

// lineField is the path of the only product of a treatment.
func lineField(treatment rules.Treatment) string { return treatment.Field + ".products[0]" }

// longer returns the longer of two intervals; the other where one is missing.
func longer(a, b quantity.Quantity) quantity.Quantity {
	if a.IsZero() {
		return b
	}
	if order, err := a.Compare(b); err == nil && order < 0 {
		return b
	}
	return a
}

// sum adds an amount, in the unit of the first; an amount of another dimension
// leaves it as it is, because one product is measured in one dimension.
func sum(so quantity.Exact, more quantity.Quantity) quantity.Exact {
	if more.IsZero() {
		return so
	}
	if so.IsZero() {
		return more.Exact()
	}
	if added, err := so.Add(more.Exact()); err == nil {
		return added
	}
	return so
}

// markPlaces are the decimal places of a volume of mix that is worked out: 10 mL is
// the finest mark of a hand sprayer (common practice, no source).
const markPlaces = 2

// volumeOf returns the volume of mix that is given, or that of the label's least
// water rounded up to a mark; without a mark where that would be above its most.
// It is zero where neither is known, as in a bath.
func volumeOf(treatment rules.Treatment, direction products.Direction) quantity.Quantity {
	least := direction.WaterVolumeMin
	if least.IsZero() {
		least = direction.WaterVolumeMax
	}
	if !treatment.MixVolume.IsZero() || least.IsZero() {
		return treatment.MixVolume
	}
	basis := mixing.Basis{Area: exact(treatment.Area), Plants: treatment.Plants}
	volume, err := mixing.VolumeFor(least, basis)
	if err != nil {
		return quantity.Quantity{}
	}
	unit := quantity.Litre
	if slices.Contains(usVolumes, volume.Unit()) {
		unit = quantity.Gallon
	}
	read, err := volume.In(unit)
	if err != nil {
		return quantity.Quantity{}
	}
	marked := read.Ceil(markPlaces)
	if direction.WaterVolumeMax.IsZero() {
		return marked
	}
	if most, err := mixing.VolumeFor(direction.WaterVolumeMax, basis); err == nil {
		if order, err := marked.Exact().Compare(most); err == nil && order > 0 {
			return read.Ceil(quantity.Places)
		}
	}
	return marked
}

// usVolumes are the units of labels whose mix is measured in gallons.
var usVolumes = []quantity.Unit{quantity.FluidOunce, quantity.Pint, quantity.Quart, quantity.Gallon}

func exact(q quantity.Quantity) quantity.Exact {
	if q.IsZero() {
		return quantity.Exact{}
	}
	return q.Exact()
}

// amountOf returns the amount of product at the label's highest rate, in a unit that
// the product is measured out in.
func amountOf(product products.Product, treatment rules.Treatment, direction products.Direction) (quantity.Quantity, error) {
	need, err := mixing.AmountFor(direction.RateMax, rules.ToMix(product), mixing.Basis{
		Water: exact(treatment.MixVolume), Area: exact(treatment.Area), Plants: treatment.Plants,
	})
	if err != nil {
		return quantity.Quantity{}, err
	}
	units := products.AmountUnits(product.Form)
	if !slices.Contains(units, need.Unit()) {
		if need, err = need.In(units[0]); err != nil {
			return quantity.Quantity{}, err
		}
	}
	return need.Floor(quantity.Places), nil
}

// inStore returns what the store holds of a product that may be used on a day, in
// the unit of the first container; zero when no container was ever entered.
func inStore(stocked Stocked, start time.Time, zone *time.Location) quantity.Quantity {
	if !stocked.Store.Counted {
		return quantity.Quantity{}
	}
	day := start.In(zone).Format(time.DateOnly)
	var held quantity.Exact
	for _, container := range stocked.Store.Containers {
		usable := container.ExpireDate == "" || container.ExpireDate >= day
		if usable && container.Remaining.Positive() {
			held = sum(held, container.Remaining)
		}
	}
	if held.IsZero() {
		return quantity.Must("0", products.AmountUnits(stocked.Product.Form)[0])
	}
	return held.Floor(quantity.Places)
}

// costOf returns what an amount costs, exactly; nil when it is not known.
func costOf(product products.Product, amount quantity.Quantity) *cost {
	if product.Cost.Currency == "" || product.CostPer.IsZero() || amount.IsZero() {
		return nil
	}
	times, err := amount.Exact().Over(product.CostPer.Exact())
	if err != nil {
		return nil
	}
	return &cost{currency: product.Cost.Currency, amount: times.Mul(times, product.Cost.Amount.Rat())}
}

// Price returns what the product costs, exactly, with the currency; false when it
// is not known.
func (f Filled) Price() (amount *big.Rat, currency string, known bool) {
	if len(f.Application.Treatments) == 0 {
		return nil, "", false
	}
	c := costOf(f.Application.Treatments[0].Lines[0].Product, f.Amount)
	if c == nil {
		return nil, "", false
	}
	return c.amount, c.currency, true
}
