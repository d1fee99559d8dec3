package rules

import (
	"fmt"
	"math/big"

	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/mixing"
)

// rate holds the amount of product to the label's highest and lowest rate, exactly
// and on whatever basis the label gives it.
func (c *check) rate(l *line) error {
	if l.direction.RateMin.IsZero() || l.direction.RateMax.IsZero() {
		return nil // a missing fact
	}
	t := c.treatment(l)
	name := l.Product.DisplayName
	most, known, err := amountFor(l, t, l.direction.RateMax)
	if err != nil {
		return err
	}
	least, _, err := amountFor(l, t, l.direction.RateMin)
	if err != nil {
		return err
	}
	numbers := []Number{{Name: "highest rate", Value: l.direction.RateMax.String()}, {Name: "lowest rate", Value: l.direction.RateMin.String()}}
	if !known && c.a.Done {
		c.add(c.uncounted(l, RuleLabelRateMax, l.direction.RateMax.String(), numbers))
		return nil
	}
	if !known || l.Amount.IsZero() {
		v := l.label(RuleLabelRateMax, Warn, "how much of %s goes on what is not known yet: from %s to %s, says the label", name, l.direction.RateMin, l.direction.RateMax)
		v.Numbers = numbers
		if known {
			v.Message = fmt.Sprintf("how much of %s is not known yet: at most %s, says the label (%s)", name, atMostText(most), l.direction.RateMax)
			v.Numbers = append(v.Numbers, Number{Name: "most", Value: atMostText(most)})
		}
		c.add(v)
		return nil
	}
	amount, err := c.amountOf(l)
	if err != nil {
		return err
	}
	above, err := amount.Compare(most)
	if err != nil {
		return unitFault(l)
	}
	below, err := amount.Compare(least)
	if err != nil {
		return unitFault(l)
	}
	numbers = append(numbers, Number{Name: "amount", Value: amount.String()}, Number{Name: "most", Value: atMostText(most)}, Number{Name: "least", Value: atLeastText(least)})
	v := l.label(RuleLabelRateMax, Pass, "%s of %s is not above the label's highest rate: at most %s (%s)", amount, name, atMostText(most), l.direction.RateMax)
	if above > 0 {
		v = l.label(RuleLabelRateMax, Refuse, "%s of %s is above the label's highest rate: at most %s (%s)", amount, name, atMostText(most), l.direction.RateMax)
		v.Alternatives = []string{"at most " + atMostText(most)}
	}
	v.Numbers, v.Field = numbers, l.Field+".amount"
	c.add(v)
	low := l.label(RuleLabelRateMin, Pass, "%s of %s is not below the label's lowest rate: at least %s (%s)", amount, name, atLeastText(least), l.direction.RateMin)
	if below < 0 {
		low = l.label(RuleLabelRateMin, Warn, "%s of %s is below the label's lowest rate, and low doses select resistance: at least %s (%s)",
			l.Amount, name, atLeastText(least), l.direction.RateMin)
		low.Alternatives = []string{"at least " + atLeastText(least)}
	}
	low.Numbers, low.Field = numbers, l.Field+".amount"
	c.add(low)
	return nil
}

// uncounted refuses work that was done at a rate per pot or plant when nobody says
// how many there were: the amount cannot be held to the label.
func (c *check) uncounted(l *line, rule, rate string, numbers []Number) Verdict {
	v := l.label(rule, Refuse, "the label of %s says %s: say how many were treated", l.Product.DisplayName, rate)
	v.Field, v.Numbers = c.treatment(l).Field+".plants", numbers
	v.Alternatives = []string{"give the number of plants or pots treated"}
	return v
}

// amountOf returns how much of a product goes into the mix of its treatment. One
// that was entered twice, under another name, is one product: its label's rate is
// for the sum.
func (c *check) amountOf(l *line) (quantity.Exact, error) {
	sum := l.Amount.Exact()
	for _, other := range c.lines {
		if other == l || other.treatment != l.treatment || other.Amount.IsZero() || !l.isProduct(&other.Product) {
			continue
		}
		var err error
		if sum, err = sum.Add(other.Amount.Exact()); err != nil {
			return sum, unitFault(other)
		}
	}
	return sum, nil
}

func unitFault(l *line) error {
	return fault.Field(l.Field+".amount", "%s is not measured out in %s", l.Product.DisplayName, l.Amount.Unit).With("product", l.Product.ID)
}

// atMostText and atLeastText round a limit to what a record keeps, never past it.
func atMostText(limit quantity.Exact) string  { return limit.Floor(quantity.Places).String() }
func atLeastText(limit quantity.Exact) string { return limit.Ceil(quantity.Places).String() }

// amountFor returns the amount of product that a rate of its label gives for a
// treatment; false when what the rate is per is not known yet.
func amountFor(l *line, t *Treatment, rate quantity.Quantity) (quantity.Exact, bool, error) {
	basis := mixing.Basis{Plants: t.Plants}
	if !t.MixVolume.IsZero() {
		basis.Water = t.MixVolume.Exact()
	}
	if !t.Area.IsZero() {
		basis.Area = t.Area.Exact()
	}
	per, err := quantity.RateOf(rate)
	if err != nil {
		return quantity.Exact{}, false, fault.Field(l.Field, "the rate on the label of %s: %s", l.Product.DisplayName, err).With("product", l.Product.ID)
	}
	known := basis.Water.Sign() > 0
	switch {
	case quantity.Convertible(per.Per.Unit, quantity.SquareMetre):
		known = basis.Area.Sign() > 0
	case per.Per.Unit == quantity.Pot || per.Per.Unit == quantity.Plant:
		known = basis.Plants > 0
	}
	if !known {
		return quantity.Exact{}, false, nil
	}
	amount, err := mixing.AmountFor(rate, ToMix(l.Product), basis)
	if err != nil {
		return quantity.Exact{}, false, fault.Field(l.Field, "the rate on the label of %s: %s", l.Product.DisplayName, err).With("product", l.Product.ID)
	}
	return amount, true, nil
}

// ToMix returns what the mix arithmetic needs to know of a product.
func ToMix(product products.Product) mixing.Product {
	plain := mixing.Product{ID: product.ID, DisplayName: product.DisplayName, Form: product.Form, Formulation: product.Formulation}
	for _, content := range product.Contents {
		plain.Contents = append(plain.Contents, mixing.Content{ActiveIngredient: content.ActiveIngredient, Amount: content.Amount})
	}
	return plain
}

// waterVolume holds the volume of mix to the water that the label asks for.
func (c *check) waterVolume(l *line) error {
	least, most := l.direction.WaterVolumeMin, l.direction.WaterVolumeMax
	if least.IsZero() && most.IsZero() {
		return nil
	}
	t := c.treatment(l)
	name, limits := l.Product.DisplayName, bounds(least, most)
	lowest, known, err := waterFor(l, t, least)
	if err != nil {
		return err
	}
	highest, alsoKnown, err := waterFor(l, t, most)
	if err != nil {
		return err
	}
	numbers := []Number{{Name: "water", Value: limits}}
	if (!known || !alsoKnown) && c.a.Done {
		c.add(c.uncounted(l, RuleLabelWaterVolume, limits, numbers))
		return nil
	}
	if !known || !alsoKnown || t.MixVolume.IsZero() {
		v := l.label(RuleLabelWaterVolume, Warn, "the label of %s asks for water of %s; how much goes on what is not known yet", name, limits)
		v.Numbers = numbers
		c.add(v)
		return nil
	}
	numbers = append(numbers, Number{Name: "volume of mix", Value: t.MixVolume.String()})
	v := l.label(RuleLabelWaterVolume, Pass, "%s of mix is within the water that the label of %s asks for: %s", t.MixVolume, name, limits)
	// A label with one water volume in US units gives a metric house a volume that no
	// record can write, so the limits are those of the places that a record keeps.
	atLeast, atMost := lowest.Floor(quantity.Places), highest.Ceil(quantity.Places)
	if order, err := t.MixVolume.Compare(atLeast); !lowest.IsZero() && (err != nil || order < 0) {
		v = l.label(RuleLabelWaterVolume, Refuse, "%s of mix is less than the label of %s asks for: at least %s (%s)", t.MixVolume, name, atLeast, least)
		v.Alternatives = []string{"at least " + atLeast.String()}
	}
	if order, err := t.MixVolume.Compare(atMost); !highest.IsZero() && (err != nil || order > 0) {
		v = l.label(RuleLabelWaterVolume, Refuse, "%s of mix is more than the label of %s allows: at most %s (%s)", t.MixVolume, name, atMost, most)
		v.Alternatives = []string{"at most " + atMost.String()}
	}
	v.Numbers, v.Field = numbers, t.Field+".mix_volume"
	c.add(v)
	return nil
}

// waterFor returns the volume of mix that a water volume of the label gives; zero
// and true where the label gives none, false when its basis is not known yet.
func waterFor(l *line, t *Treatment, water quantity.Quantity) (quantity.Exact, bool, error) {
	if water.IsZero() {
		return quantity.Exact{}, true, nil
	}
	rate, err := quantity.RateOf(water)
	if err != nil {
		return quantity.Exact{}, false, fault.Field(l.Field, "the water volume on the label of %s: %s", l.Product.DisplayName, err).With("product", l.Product.ID)
	}
	var basis quantity.Exact
	switch {
	case rate.Per.Unit == quantity.Pot || rate.Per.Unit == quantity.Plant:
		if t.Plants <= 0 {
			return quantity.Exact{}, false, nil
		}
		basis = quantity.ExactOf(new(big.Rat).SetInt64(t.Plants), rate.Per.Unit)
	case t.Area.IsZero():
		return quantity.Exact{}, false, nil
	default:
		basis = t.Area.Exact()
	}
	volume, err := rate.For(basis)
	if err == nil {
		volume, err = volume.In(mixUnit(t))
	}
	if err != nil {
		return quantity.Exact{}, false, fault.Field(l.Field, "the water volume on the label of %s: %s", l.Product.DisplayName, err).With("product", l.Product.ID)
	}
	return volume, true, nil
}

// mixUnit is the unit in which a treatment gives its volume of mix.
func mixUnit(t *Treatment) quantity.Unit {
	if t.MixVolume.IsZero() {
		return quantity.Litre
	}
	return t.MixVolume.Unit
}
