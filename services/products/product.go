// Package products knows active ingredients, products and what their labels
// direct. What it holds is a copy: the printed label and local law decide.
package products

import (
	"fmt"
	"math/big"
	"slices"

	"github.com/shopspring/decimal"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

// Product is what stands in the chemical store.
type Product struct {
	// ID is the last part of its name.
	ID string
	// DisplayName and RegistrationNumber are those on the label.
	DisplayName        string
	RegistrationNumber string
	// Form says whether it is weighed or measured by volume.
	Form productsv1.ProductForm
	// Contents are its active ingredients.
	Contents []Content
	// Directions are the uses that its label allows.
	Directions []Direction
	// RestrictedUse is true when only a certified applicator may apply it.
	RestrictedUse bool
	// Formulation is its type; needed for the mixing order.
	Formulation productsv1.Formulation
	// Jurisdiction is the law under which it is registered: "EU", an ISO 3166-1 or
	// 3166-2 code; empty when not entered.
	Jurisdiction string
	// RegistrationExpireDate is the last day of the registration, YYYY-MM-DD; empty
	// when it has none.
	RegistrationExpireDate string
	// ToxicityCategory is that on the label, where it gives one.
	ToxicityCategory productsv1.ToxicityCategory
	// Cost is what CostPer of it costs; zero when not entered.
	Cost Money
	// CostPer is the amount that the cost is for.
	CostPer quantity.Quantity
	// Respirator is whether the label asks for one to apply it.
	Respirator productsv1.LabelAnswer
	// DoubleNotification is whether the label asks for warning signs and spoken words
	// both.
	DoubleNotification productsv1.LabelAnswer
	// InhalationLimited is whether the label gives a level to which its vapour in the
	// air must fall before anybody enters.
	InhalationLimited productsv1.LabelAnswer
	// InhalationLevel is that level, ppm; zero when it is not entered and unless
	// InhalationLimited is yes.
	InhalationLevel quantity.Quantity
	// Organophosphate is whether an active ingredient is one that inhibits
	// cholinesterase.
	Organophosphate productsv1.LabelAnswer
	// FirstAid is what the label says word for word, and SafetyDataSheet which sheet it
	// has and where it is kept; empty when not entered.
	FirstAid, SafetyDataSheet string
	// TimeLimited and StageLimited are whether the authorisation limits the time of day
	// and the growth stage of the use.
	TimeLimited, StageLimited productsv1.LabelAnswer
}

// Money is an exact amount of a currency; the zero value is none.
type Money struct {
	// Amount is at most 4 places.
	Amount decimal.Decimal
	// Currency is the ISO 4217 code.
	Currency string
}

// Content is how much of an active ingredient a product holds.
type Content struct {
	// ActiveIngredient is its identifier in the catalog.
	ActiveIngredient string
	// Amount in g/kg (solid) or g/L (liquid).
	Amount quantity.Quantity
}

// Direction is one use that the label allows. A fact that is not entered is zero;
// whether the label is silent on it or it is missing says SilentOn.
type Direction struct {
	// Method is how it is applied.
	Method productsv1.Method
	// Classes are the classes of disorder it is allowed against.
	Classes []diagnosisv1.DisorderClass
	// Disorders are the disorders of those classes it is allowed against; empty
	// when the label names classes only.
	Disorders []string
	// Crops are crop groups, genera and species that it is allowed on.
	Crops []string
	// Sites are where it is allowed.
	Sites []productsv1.Site
	// RateMin and RateMax of product, in one unit: per volume of water, per area,
	// per pot or plant, ppm of active ingredient, or % by volume.
	RateMin, RateMax quantity.Quantity
	// WaterVolumeMin and WaterVolumeMax, in one unit: a volume per area, pot or
	// plant.
	WaterVolumeMin, WaterVolumeMax quantity.Quantity
	// RestrictedEntryInterval in h; zero when the label fact is missing.
	RestrictedEntryInterval quantity.Quantity
	// MinIntervalDays between applications.
	MinIntervalDays int32
	// MaxPerCropCycle and MaxPerYear are the most applications.
	MaxPerCropCycle, MaxPerYear int32
	// ActiveLimits are the most of an active ingredient on an area in a year.
	ActiveLimits []ActiveLimit
	// MaxConsecutive is the label's own number of applications of a resistance
	// group one after another; 0 leaves it to FRAC's rules.
	MaxConsecutive int32
	// SaleIntervalDays from the application until sale or harvest; nil when not
	// entered.
	SaleIntervalDays *int32
	// TemperatureMin and TemperatureMax of the air, Cel.
	TemperatureMin, TemperatureMax quantity.Quantity
	// OpenBloom says whether it may go on plants in open bloom.
	OpenBloom productsv1.Permission
	// Chemigation says whether it may go out through the irrigation.
	Chemigation productsv1.Permission
	// ProtectiveEquipment as the label says.
	ProtectiveEquipment string
	// SilentOn are the facts that the label was read for and says nothing about.
	SilentOn []productsv1.LabelFact
}

// ActiveLimit is the most of an active ingredient that a label allows on an area
// in a year.
type ActiveLimit struct {
	// ActiveIngredient is its identifier in the catalog.
	ActiveIngredient string
	// MostPerYear is a mass per area, for example kg/ha or lb/acre.
	MostPerYear quantity.Quantity
}

// Missing returns the facts that are neither entered nor said to be absent from
// the label, in the order of the contract. An application is refused while one is
// missing: what a label may forbid is not guessed.
func (d Direction) Missing() []productsv1.LabelFact {
	entered := d.entered()
	var missing []productsv1.LabelFact
	for fact := productsv1.LabelFact_LABEL_FACT_CROPS; fact <= productsv1.LabelFact_LABEL_FACT_CHEMIGATION; fact++ {
		if !entered[fact] && !slices.Contains(d.SilentOn, fact) {
			missing = append(missing, fact)
		}
	}
	return missing
}

func (d Direction) entered() map[productsv1.LabelFact]bool {
	return map[productsv1.LabelFact]bool{
		productsv1.LabelFact_LABEL_FACT_CROPS:                           len(d.Crops) > 0,
		productsv1.LabelFact_LABEL_FACT_SITES:                           len(d.Sites) > 0,
		productsv1.LabelFact_LABEL_FACT_WATER_VOLUME:                    !d.WaterVolumeMin.IsZero() || !d.WaterVolumeMax.IsZero(),
		productsv1.LabelFact_LABEL_FACT_MIN_INTERVAL:                    d.MinIntervalDays > 0,
		productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_CROP_CYCLE: d.MaxPerCropCycle > 0,
		productsv1.LabelFact_LABEL_FACT_MAX_APPLICATIONS_PER_YEAR:       d.MaxPerYear > 0,
		productsv1.LabelFact_LABEL_FACT_MAX_ACTIVE_PER_YEAR:             len(d.ActiveLimits) > 0,
		productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL:       !d.RestrictedEntryInterval.IsZero(),
		productsv1.LabelFact_LABEL_FACT_PROTECTIVE_EQUIPMENT:            d.ProtectiveEquipment != "",
		productsv1.LabelFact_LABEL_FACT_SALE_INTERVAL:                   d.SaleIntervalDays != nil,
		productsv1.LabelFact_LABEL_FACT_TEMPERATURE:                     !d.TemperatureMin.IsZero() || !d.TemperatureMax.IsZero(),
		productsv1.LabelFact_LABEL_FACT_OPEN_BLOOM:                      d.OpenBloom != productsv1.Permission_PERMISSION_UNSPECIFIED,
		productsv1.LabelFact_LABEL_FACT_CHEMIGATION:                     d.Chemigation != productsv1.Permission_PERMISSION_UNSPECIFIED,
	}
}

// Use is what a product would be used for.
type Use struct {
	// Method is how it is applied.
	Method productsv1.Method
	// Class and Disorder are what it is applied against.
	Class    diagnosisv1.DisorderClass
	Disorder string
	// Site is where the plants stand; unspecified when not known.
	Site productsv1.Site
	// Crops are the botanical names of the plants.
	Crops []string
}

// Listing says how far a label goes along with a use.
type Listing int

// The listings, from nothing to everything.
const (
	MethodNotListed Listing = iota
	DisorderNotListed
	SiteNotListed
	CropNotListed
	Listed
)

// DirectionFor returns the direction of the label for a use, and where there is
// none how far the label goes along. A direction that names the disorder goes
// before one that names its class only.
func (p Product) DirectionFor(use Use) (Direction, Listing) {
	best, listing := Direction{}, MethodNotListed
	for _, direction := range p.Directions {
		got := direction.covers(use)
		named := len(direction.Disorders) > 0
		if got > listing || (got == Listed && named && len(best.Disorders) == 0) {
			best, listing = direction, got
		}
	}
	if listing != Listed {
		return Direction{}, listing
	}
	return best, Listed
}

func (d Direction) covers(use Use) Listing {
	switch {
	case d.Method != use.Method:
		return MethodNotListed
	case !slices.Contains(d.Classes, use.Class), len(d.Disorders) > 0 && !slices.Contains(d.Disorders, use.Disorder):
		return DisorderNotListed
	case len(d.Sites) > 0 && use.Site != productsv1.Site_SITE_UNSPECIFIED && !slices.Contains(d.Sites, use.Site):
		return SiteNotListed
	case len(d.Crops) > 0 && slices.ContainsFunc(use.Crops, func(crop string) bool { return !CropListed(d.Crops, crop) }):
		return CropNotListed
	default:
		return Listed
	}
}

// ActiveAmount is how much of an active ingredient an amount of product holds.
type ActiveAmount struct {
	// ActiveIngredient of the catalog.
	ActiveIngredient ActiveIngredient
	// Content of the product, g/kg or g/L.
	Content quantity.Quantity
	// Amount in g.
	Amount quantity.Quantity
}

// ActivesIn returns the active ingredients in an amount of the product: g or kg
// of a solid, mL or L of a liquid. It returns an error for another unit.
func (p Product) ActivesIn(amount quantity.Quantity) ([]ActiveAmount, error) {
	actives := make([]ActiveAmount, len(p.Contents))
	for i, content := range p.Contents {
		active, known := ActiveIngredientByID(content.ActiveIngredient)
		if !known {
			return nil, fmt.Errorf("product %s: %q is not in the catalog of active ingredients", p.ID, content.ActiveIngredient)
		}
		grams, err := ActiveIn(amount, content.Amount)
		if err != nil {
			return nil, fmt.Errorf("product %s: %w", p.ID, err)
		}
		actives[i] = ActiveAmount{ActiveIngredient: active, Content: content.Amount, Amount: grams}
	}
	return actives, nil
}

// mostDigits is how many digits before the point an amount may have.
const mostDigits = 12

var tooLarge = decimal.New(1, mostDigits)

// ActiveIn returns the active ingredient in g in an amount of a product with a
// content: g or kg at g/kg, mL or L at g/L. The product is exact and only then
// rounded half to even to the micrograms that a record keeps. It returns an
// error for other units and for more than a record can hold.
func ActiveIn(amount, content quantity.Quantity) (quantity.Quantity, error) {
	base, err := baseUnit(content.Unit)
	if err != nil {
		return quantity.Quantity{}, err
	}
	if !slices.Contains(AmountUnits(formOf(base)), amount.Unit) {
		return quantity.Quantity{}, fmt.Errorf("an amount in %q does not go with a content in %s", amount.Unit, content.Unit)
	}
	measured, err := amount.Exact().In(base)
	if err != nil {
		return quantity.Quantity{}, err
	}
	// g × g/kg and mL × g/L are both a thousandth of a gram.
	thousandths := new(big.Rat).Mul(content.Amount.Rat(), big.NewRat(1, 1000))
	grams := quantity.ExactOf(measured.Times(thousandths).Amount(), quantity.Gram).Round().Amount
	if grams.Abs().GreaterThanOrEqual(tooLarge) {
		return quantity.Quantity{}, fmt.Errorf("%s at %s is more than a record can hold", amount, content)
	}
	return quantity.Quantity{Amount: grams, Unit: quantity.Gram}, nil
}

func baseUnit(content quantity.Unit) (quantity.Unit, error) {
	switch content {
	case quantity.GramPerKilogram:
		return quantity.Gram, nil
	case quantity.GramPerLitre:
		return quantity.Millilitre, nil
	default:
		return "", fmt.Errorf("a content is given in g/kg or g/L, not in %q", content)
	}
}

func formOf(base quantity.Unit) productsv1.ProductForm {
	if base == quantity.Gram {
		return productsv1.ProductForm_PRODUCT_FORM_SOLID
	}
	return productsv1.ProductForm_PRODUCT_FORM_LIQUID
}

// AmountUnits returns the units in which a product of a form is measured out.
func AmountUnits(form productsv1.ProductForm) []quantity.Unit {
	if form == productsv1.ProductForm_PRODUCT_FORM_SOLID {
		return []quantity.Unit{quantity.Gram, quantity.Kilogram, quantity.Ounce, quantity.Pound}
	}
	return []quantity.Unit{
		quantity.Millilitre, quantity.Litre, quantity.FluidOunce, quantity.Pint, quantity.Quart, quantity.Gallon,
	}
}

// ContentUnit returns the unit of a product's content: g/kg or g/L.
func ContentUnit(form productsv1.ProductForm) quantity.Unit {
	if form == productsv1.ProductForm_PRODUCT_FORM_SOLID {
		return quantity.GramPerKilogram
	}
	return quantity.GramPerLitre
}
