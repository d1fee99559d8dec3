package products

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// wholeKilogram is how many g of active ingredients 1 kg of a solid holds at
// most. A liquid may hold more than 1000 g/L: it can be denser than water.
var wholeKilogram = decimal.NewFromInt(1000)

// fromContract reads a product of the contract and refuses one that breaks a
// rule, naming the field by its path in the product.
func fromContract(id string, message *productsv1.Product) (Product, error) {
	product := Product{
		ID: id, DisplayName: message.GetDisplayName(), RegistrationNumber: message.GetRegistrationNumber(),
		Form: message.GetForm(), RestrictedUse: message.GetRestrictedUse(),
	}
	var err error
	if product.Contents, err = readContents(product.Form, message.GetContents()); err != nil {
		return Product{}, err
	}
	if product.Directions, err = readDirections(product, message.GetDirections()); err != nil {
		return Product{}, err
	}
	return product, nil
}

func readContents(form productsv1.ProductForm, messages []*productsv1.Content) ([]Content, error) {
	contents := make([]Content, 0, len(messages))
	sum := decimal.Zero
	for i, message := range messages {
		path := fmt.Sprintf("contents[%d]", i)
		content, err := readContent(path, form, message)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(contents, func(other Content) bool { return other.ActiveIngredient == content.ActiveIngredient }) {
			return nil, fault.Field(path+".active_ingredient", "%s is listed twice", content.ActiveIngredient).
				With("active_ingredient", content.ActiveIngredient)
		}
		sum = sum.Add(content.Amount.Amount)
		if form == productsv1.ProductForm_PRODUCT_FORM_SOLID && sum.GreaterThan(wholeKilogram) {
			return nil, fault.Field(path+".amount", "the contents add up to %s g/kg, and there are only %s g in a kg", sum, wholeKilogram).
				With("sum", sum.String()).With("maximum", wholeKilogram.String())
		}
		contents = append(contents, content)
	}
	return contents, nil
}

func readContent(path string, form productsv1.ProductForm, message *productsv1.Content) (Content, error) {
	id := message.GetActiveIngredient()
	if _, known := ActiveIngredientByID(id); !known {
		return Content{}, fault.Field(path+".active_ingredient",
			"%q is not in the catalog of active ingredients; use its common name, for example \"thiophanate-methyl\"", id).
			With("active_ingredient", id)
	}
	amount, err := readPositive(path+".amount", ContentUnit(form), message.GetAmount())
	if err != nil {
		return Content{}, err
	}
	return Content{ActiveIngredient: id, Amount: amount}, nil
}

func readDirections(product Product, messages []*productsv1.LabelDirection) ([]Direction, error) {
	directions := make([]Direction, 0, len(messages))
	for i, message := range messages {
		path := fmt.Sprintf("directions[%d]", i)
		direction, err := readDirection(path, product.Form, message)
		if err != nil {
			return nil, err
		}
		if err := checkClasses(path, product.Contents, directions, direction); err != nil {
			return nil, err
		}
		directions = append(directions, direction)
	}
	return directions, nil
}

func readDirection(path string, form productsv1.ProductForm, message *productsv1.LabelDirection) (Direction, error) {
	direction := Direction{
		Method: message.GetMethod(), Classes: message.GetDisorderClasses(),
		MinIntervalDays: message.GetMinIntervalDays(), ProtectiveEquipment: message.GetProtectiveEquipment(),
	}
	var err error
	if direction.RateMin, err = readPositive(path+".rate_min", RateUnit(form), message.GetRateMin()); err != nil {
		return Direction{}, err
	}
	if direction.RateMax, err = readPositive(path+".rate_max", RateUnit(form), message.GetRateMax()); err != nil {
		return Direction{}, err
	}
	if direction.RateMax.Amount.LessThan(direction.RateMin.Amount) {
		return Direction{}, fault.Field(path+".rate_max", "must not be below the lowest rate, %s", direction.RateMin).
			With("rate_min", direction.RateMin.String()).With("rate_max", direction.RateMax.String())
	}
	direction.RestrictedEntryInterval, err = readEntryInterval(path+".restricted_entry_interval", message.GetRestrictedEntryInterval())
	return direction, err
}

// readEntryInterval leaves an absent interval zero: the label fact is missing,
// which is not the same as an interval of 0 h.
func readEntryInterval(field string, message *typev1.Quantity) (quantity.Quantity, error) {
	if message == nil {
		return quantity.Quantity{}, nil
	}
	interval, err := readIn(field, quantity.Hour, message)
	if err != nil {
		return quantity.Quantity{}, err
	}
	if interval.Amount.IsNegative() {
		return quantity.Quantity{}, fault.Field(field, "must not be below 0 h").With("value", interval.String())
	}
	return interval, nil
}

func readPositive(field string, unit quantity.Unit, message *typev1.Quantity) (quantity.Quantity, error) {
	q, err := readIn(field, unit, message)
	if err != nil {
		return quantity.Quantity{}, err
	}
	if !q.Positive() {
		return quantity.Quantity{}, fault.Field(field, "must be above 0 %s", unit).With("value", q.String())
	}
	return q, nil
}

func readIn(field string, unit quantity.Unit, message *typev1.Quantity) (quantity.Quantity, error) {
	q, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	if q.Unit != unit {
		return quantity.Quantity{}, fault.Field(field, "must be in %s, not in %q", unit, q.Unit).
			With("unit", string(q.Unit)).With("wanted", string(unit))
	}
	return q, nil
}

// checkClasses refuses a direction against a class that none of the active
// ingredients works on, and a second direction for the same method and class:
// the rate and the restricted-entry interval would depend on which one is read.
func checkClasses(path string, contents []Content, earlier []Direction, direction Direction) error {
	for i, class := range direction.Classes {
		field := fmt.Sprintf("%s.disorder_classes[%d]", path, i)
		if !anyWorksOn(contents, class) {
			return fault.Field(field, "none of its active ingredients (%s) works on a disorder of the class %s",
				describe(contents), word(classText(class))).
				With("active_ingredients", describe(contents)).With("class", classText(class))
		}
		for j, other := range earlier {
			if other.Method == direction.Method && slices.Contains(other.Classes, class) {
				return fault.Field(field, "directions[%d] is for %s against a disorder of the class %s too; give one direction for both",
					j, word(MethodText(direction.Method)), word(classText(class))).
					With("method", MethodText(direction.Method)).With("class", classText(class))
			}
		}
	}
	return nil
}

func anyWorksOn(contents []Content, class diagnosisv1.DisorderClass) bool {
	return slices.ContainsFunc(contents, func(content Content) bool {
		active, known := ActiveIngredientByID(content.ActiveIngredient)
		return known && slices.Contains(active.WorksOn, class)
	})
}

func describe(contents []Content) string {
	texts := make([]string, 0, len(contents))
	for _, content := range contents {
		if active, known := ActiveIngredientByID(content.ActiveIngredient); known {
			texts = append(texts, fmt.Sprintf("%s, FRAC %s", active.DisplayName, active.FRACCode))
		}
	}
	return strings.Join(texts, "; ")
}
