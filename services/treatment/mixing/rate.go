package mixing

import (
	"errors"
	"fmt"
	"math/big"

	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

// Product is what the arithmetic needs to know of a product.
type Product struct {
	// ID is what the caller knows it by, DisplayName its name on the label.
	ID, DisplayName string
	// Form says whether it is weighed or measured by volume.
	Form productsv1.ProductForm
	// Formulation decides the mixing order; unspecified when it is not entered.
	Formulation productsv1.Formulation
	// Contents are the active ingredients in it.
	Contents []Content
}

// Content is how much of an active ingredient a product holds: a mass per mass
// (solid, g/kg) or a mass per volume (liquid, g/L).
type Content struct {
	ActiveIngredient string
	Amount           quantity.Quantity
}

// Basis is what a rate is applied to. What is not known is zero.
type Basis struct {
	// Water is the volume of finished mix.
	Water quantity.Exact
	// Area is the area treated.
	Area quantity.Exact
	// Plants are the plants or pots treated.
	Plants int64
}

// AmountFor returns the amount of product that a rate asks for, exactly: in the
// unit of the rate, or in g or mL for ppm and %. It returns an error that says
// what is wrong when the rate is not above zero, does not go with the product (a
// mass of a liquid, a volume or a share of a solid, ppm of several active
// ingredients) or is per something that the basis does not have.
func AmountFor(rate quantity.Quantity, p Product, basis Basis) (quantity.Exact, error) {
	return amountFor(rate.Exact(), p, basis)
}

func amountFor(rate quantity.Exact, p Product, basis Basis) (quantity.Exact, error) {
	if rate.Sign() <= 0 {
		return quantity.Exact{}, fmt.Errorf("the rate of %s must be above zero", p.DisplayName)
	}
	switch rate.Unit() {
	case quantity.Percent:
		return shareOf(rate, p, basis)
	case quantity.PartsPerMillion:
		return activeShareOf(rate, p, basis)
	}
	per, err := rateUnit(rate.Unit())
	if err != nil {
		return quantity.Exact{}, err
	}
	if err := p.checkMeasuredIn(per.Amount.Unit); err != nil {
		return quantity.Exact{}, err
	}
	whole, err := basis.measuredBy(per.Per.Unit)
	if err != nil {
		return quantity.Exact{}, err
	}
	one, err := per.For(whole)
	if err != nil {
		return quantity.Exact{}, err
	}
	return one.Times(rate.Amount()), nil
}

// rateUnit returns one of a unit such as fl oz/100 gal, taken apart.
func rateUnit(unit quantity.Unit) (quantity.Rate, error) {
	return quantity.RateOf(quantity.Quantity{Amount: decimal.NewFromInt(1), Unit: unit})
}

// shareOf returns the volume of product for a share of the mix in %.
func shareOf(rate quantity.Exact, p Product, basis Basis) (quantity.Exact, error) {
	if p.Form != productsv1.ProductForm_PRODUCT_FORM_LIQUID {
		return quantity.Exact{}, fmt.Errorf("%% is volume in volume, but %s is weighed; give its rate as a mass, such as g/L", p.DisplayName)
	}
	water, err := basis.water(quantity.Millilitre)
	if err != nil {
		return quantity.Exact{}, err
	}
	return water.Times(new(big.Rat).Quo(rate.Amount(), big.NewRat(100, 1))), nil
}

// activeShareOf returns the product for mg of its active ingredient per L.
func activeShareOf(rate quantity.Exact, p Product, basis Basis) (quantity.Exact, error) {
	litres, err := basis.water(quantity.Litre)
	if err != nil {
		return quantity.Exact{}, err
	}
	active := new(big.Rat).Mul(litres.Amount(), rate.Amount())
	return ProductWith(quantity.ExactOf(active, quantity.Milligram), p)
}

// ProductWith returns the amount of product, in g or mL, that holds a mass of its
// active ingredient. It returns an error when the product has several, none, or
// a content that is not above zero, since the mass then says nothing.
func ProductWith(active quantity.Exact, p Product) (quantity.Exact, error) {
	content, unit, err := p.content()
	if err != nil {
		return quantity.Exact{}, err
	}
	grams, err := active.In(quantity.Gram)
	if err != nil {
		return quantity.Exact{}, err
	}
	// A content in g/kg is thousandths of the product's mass in g, one in g/L of
	// its volume in mL.
	thousandths := new(big.Rat).Quo(big.NewRat(1000, 1), content.Amount())
	return quantity.ExactOf(thousandths.Mul(thousandths, grams.Amount()), unit), nil
}

// content returns the content of the only active ingredient in g/kg or g/L, and
// the unit that the product is measured out in.
func (p Product) content() (quantity.Exact, quantity.Unit, error) {
	per, unit := quantity.GramPerKilogram, quantity.Gram
	switch p.Form {
	case productsv1.ProductForm_PRODUCT_FORM_SOLID:
	case productsv1.ProductForm_PRODUCT_FORM_LIQUID:
		per, unit = quantity.GramPerLitre, quantity.Millilitre
	default:
		return quantity.Exact{}, "", p.formMissing()
	}
	switch len(p.Contents) {
	case 0:
		return quantity.Exact{}, "", fmt.Errorf("%s has no active ingredient entered, so that a rate of active ingredient says nothing", p.DisplayName)
	case 1:
	default:
		return quantity.Exact{}, "", fmt.Errorf("%s holds %d active ingredients, so that ppm does not say of which; give its rate as product, such as g/L", p.DisplayName, len(p.Contents))
	}
	content, err := p.Contents[0].Amount.Exact().In(per)
	if err != nil {
		return quantity.Exact{}, "", fmt.Errorf("the content of %s must be given in %s", p.DisplayName, per)
	}
	if content.Sign() <= 0 {
		return quantity.Exact{}, "", fmt.Errorf("the content of %s must be above zero", p.DisplayName)
	}
	return content, unit, nil
}

// checkMeasuredIn refuses a mass of a liquid and a volume of a solid.
func (p Product) checkMeasuredIn(unit quantity.Unit) error {
	mass := quantity.Convertible(unit, quantity.Gram)
	volume := quantity.Convertible(unit, quantity.Millilitre)
	switch {
	case !mass && !volume:
		return fmt.Errorf("%s is no amount of a product", unit)
	case p.Form == productsv1.ProductForm_PRODUCT_FORM_SOLID && volume:
		return fmt.Errorf("%s is weighed, so that its rate is a mass, not %s", p.DisplayName, unit)
	case p.Form == productsv1.ProductForm_PRODUCT_FORM_LIQUID && unit == quantity.Ounce:
		return fmt.Errorf("%s is measured by volume, and oz is a weight; write fl oz for fluid ounces", p.DisplayName)
	case p.Form == productsv1.ProductForm_PRODUCT_FORM_LIQUID && mass:
		return fmt.Errorf("%s is measured by volume, so that its rate is a volume, not %s", p.DisplayName, unit)
	case p.Form == productsv1.ProductForm_PRODUCT_FORM_UNSPECIFIED:
		return p.formMissing()
	}
	return nil
}

func (p Product) formMissing() error {
	return fmt.Errorf("whether %s is weighed or measured by volume is not entered", p.DisplayName)
}

// measuredBy returns the part of the basis that a unit below the stroke is of.
func (b Basis) measuredBy(unit quantity.Unit) (quantity.Exact, error) {
	switch {
	case quantity.Convertible(unit, quantity.Litre):
		return b.water(unit)
	case quantity.Convertible(unit, quantity.SquareMetre):
		if b.Area.Sign() <= 0 {
			return quantity.Exact{}, fmt.Errorf("a rate per %s needs the area to treat", unit)
		}
		return b.Area, nil
	case unit == quantity.Pot || unit == quantity.Plant:
		if b.Plants <= 0 {
			return quantity.Exact{}, fmt.Errorf("a rate per %s needs the number of plants", unit)
		}
		return quantity.ExactOf(new(big.Rat).SetInt64(b.Plants), unit), nil
	}
	return quantity.Exact{}, fmt.Errorf("a rate per %s is none that velamen can work with: it must be per volume, area, pot or plant", unit)
}

// water returns the volume of mix in a unit.
func (b Basis) water(unit quantity.Unit) (quantity.Exact, error) {
	if b.Water.Sign() <= 0 {
		return quantity.Exact{}, errors.New("a rate in the water needs the volume of mix")
	}
	return b.Water.In(unit)
}

// VolumeFor returns the volume of mix for a water rate, exactly, in the unit of
// the rate. It returns an error when the rate is no volume per area, pot or plant,
// or the basis lacks what it is per.
func VolumeFor(waterRate quantity.Quantity, basis Basis) (quantity.Exact, error) {
	rate, err := quantity.RateOf(waterRate)
	if err != nil || !quantity.Convertible(rate.Amount.Unit, quantity.Litre) || quantity.Convertible(rate.Per.Unit, quantity.Litre) {
		return quantity.Exact{}, fmt.Errorf("%s is no volume of water per area, pot or plant, such as L/ha or mL/pot", waterRate.Unit)
	}
	if !waterRate.Positive() {
		return quantity.Exact{}, errors.New("the water rate must be above zero")
	}
	whole, err := basis.measuredBy(rate.Per.Unit)
	if err != nil {
		return quantity.Exact{}, err
	}
	return rate.For(whole)
}

// Convert gives a rate in another unit, exactly: kg/ha in g/L, fl oz/100 gal in
// %, g/L in ppm and back. A rate in the water and one per area, pot or plant go
// into each other by the water rate (a volume per area, pot or plant), which may be
// zero where it is not needed. It returns the errors of AmountFor.
func Convert(rate quantity.Exact, to quantity.Unit, p Product, waterRate quantity.Quantity) (quantity.Exact, error) {
	basis := onePer(rate.Unit())
	if !waterRate.IsZero() {
		var err error
		if basis, err = basisOf(waterRate); err != nil {
			return quantity.Exact{}, err
		}
	}
	have, err := amountFor(rate, p, basis)
	if err != nil {
		return quantity.Exact{}, err
	}
	one, err := amountFor(quantity.ExactOf(big.NewRat(1, 1), to), p, basis)
	if err != nil {
		return quantity.Exact{}, err
	}
	times, err := have.Over(one)
	if err != nil {
		return quantity.Exact{}, err
	}
	return quantity.ExactOf(times, to), nil
}

// basisOf returns the amount of water of a water rate and what it is for.
func basisOf(waterRate quantity.Quantity) (Basis, error) {
	rate, err := quantity.RateOf(waterRate)
	if err != nil {
		return Basis{}, err
	}
	basis := Basis{Area: rate.Per.Exact()}
	if rate.Per.Unit == quantity.Pot || rate.Per.Unit == quantity.Plant {
		basis = Basis{Plants: rate.Per.Amount.IntPart()}
	}
	basis.Water, err = VolumeFor(waterRate, basis)
	return basis, err
}

// onePer returns one of what a rate is per. A rate per something else is then
// refused for the lack of it.
func onePer(unit quantity.Unit) Basis {
	one := big.NewRat(1, 1)
	per, err := rateUnit(unit)
	switch {
	case err != nil || per.Per.IsZero() || quantity.Convertible(per.Per.Unit, quantity.Litre):
		return Basis{Water: quantity.ExactOf(one, quantity.Litre)}
	case quantity.Convertible(per.Per.Unit, quantity.SquareMetre):
		return Basis{Area: quantity.ExactOf(one, quantity.SquareMetre)}
	default:
		return Basis{Plants: 1}
	}
}
