// Package products knows active ingredients, products and what their labels
// direct. What it holds is a copy: the printed label and local law decide.
package products

import (
	"fmt"
	"slices"
	"strings"

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
}

// Content is how much of an active ingredient a product holds.
type Content struct {
	// ActiveIngredient is its identifier in the catalog.
	ActiveIngredient string
	// Amount in g/kg (solid) or g/L (liquid).
	Amount quantity.Quantity
}

// Direction is one use that the label allows.
type Direction struct {
	// Method is how it is applied.
	Method productsv1.Method
	// Classes are the classes of disorder it is allowed against.
	Classes []diagnosisv1.DisorderClass
	// RateMin and RateMax of product in the mix, g/L (solid) or mL/L (liquid).
	RateMin, RateMax quantity.Quantity
	// RestrictedEntryInterval in h; zero when the label fact is missing.
	RestrictedEntryInterval quantity.Quantity
	// MinIntervalDays between applications; 0 when the label has none.
	MinIntervalDays int32
	// ProtectiveEquipment as the label says.
	ProtectiveEquipment string
}

// DirectionFor returns the direction for a method against a class of disorder.
// There is at most one.
func (p Product) DirectionFor(method productsv1.Method, class diagnosisv1.DisorderClass) (Direction, bool) {
	for _, direction := range p.Directions {
		if direction.Method == method && slices.Contains(direction.Classes, class) {
			return direction, true
		}
	}
	return Direction{}, false
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
	measured, err := amount.In(base)
	if err != nil {
		return quantity.Quantity{}, err
	}
	// g × g/kg and mL × g/L are both a thousandth of a gram.
	grams := measured.Amount.Mul(content.Amount).Shift(-3).RoundBank(quantity.Places)
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
		return []quantity.Unit{quantity.Gram, quantity.Kilogram}
	}
	return []quantity.Unit{quantity.Millilitre, quantity.Litre}
}

// ContentUnit returns the unit of a product's content: g/kg or g/L.
func ContentUnit(form productsv1.ProductForm) quantity.Unit {
	if form == productsv1.ProductForm_PRODUCT_FORM_SOLID {
		return quantity.GramPerKilogram
	}
	return quantity.GramPerLitre
}

// RateUnit returns the unit of a label rate: g/L or mL/L.
func RateUnit(form productsv1.ProductForm) quantity.Unit {
	if form == productsv1.ProductForm_PRODUCT_FORM_SOLID {
		return quantity.GramPerLitre
	}
	return quantity.MillilitrePerL
}

// Prefixes of the contract's enumerations; stored texts leave them off.
const (
	methodPrefix = "METHOD_"
	formPrefix   = "PRODUCT_FORM_"
	classPrefix  = "DISORDER_CLASS_"
)

// MethodText returns a method as records and events write it: SPRAY, DRENCH or
// BATH.
func MethodText(method productsv1.Method) string {
	return strings.TrimPrefix(method.String(), methodPrefix)
}

// ParseMethod reads what MethodText wrote.
func ParseMethod(text string) (productsv1.Method, error) {
	method := productsv1.Method(productsv1.Method_value[methodPrefix+text])
	if method == productsv1.Method_METHOD_UNSPECIFIED {
		return method, fmt.Errorf("method %q is not SPRAY, DRENCH or BATH", text)
	}
	return method, nil
}

func formText(form productsv1.ProductForm) string {
	return strings.TrimPrefix(form.String(), formPrefix)
}

func parseForm(text string) (productsv1.ProductForm, error) {
	form := productsv1.ProductForm(productsv1.ProductForm_value[formPrefix+text])
	if form == productsv1.ProductForm_PRODUCT_FORM_UNSPECIFIED {
		return form, fmt.Errorf("form %q is not SOLID or LIQUID", text)
	}
	return form, nil
}

func classText(class diagnosisv1.DisorderClass) string {
	return strings.TrimPrefix(class.String(), classPrefix)
}

func parseClass(text string) (diagnosisv1.DisorderClass, error) {
	class := diagnosisv1.DisorderClass(diagnosisv1.DisorderClass_value[classPrefix+text])
	if class == diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED {
		return class, fmt.Errorf("class of disorder %q is not one of the contract's", text)
	}
	return class, nil
}

// word returns an enumeration's text as a sentence uses it.
func word(text string) string { return strings.ToLower(strings.ReplaceAll(text, "_", " ")) }
