package products

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/jurisdiction"
	"velamen/internal/quantity"
)

// wholeKilogram is how many g of active ingredients 1 kg of a solid holds at
// most. A liquid may hold more than 1000 g/L: it can be denser than water.
var wholeKilogram = decimal.NewFromInt(1000)

// reading reads a product of the contract and keeps every rule that it breaks.
type reading struct {
	// names says what a name of an active ingredient means in the nursery.
	names  names
	faults []*fault.Fault
}

// readProduct reads a product of the contract; path is where it stands in the
// request or file. The product is whole only when there are no faults.
func readProduct(path, id string, message *productsv1.Product, known names) (Product, []*fault.Fault) {
	r := &reading{names: known}
	product := Product{
		ID: id, DisplayName: message.GetDisplayName(), RegistrationNumber: message.GetRegistrationNumber(),
		Form: message.GetForm(), RestrictedUse: message.GetRestrictedUse(),
		Formulation: message.GetFormulation(), Jurisdiction: message.GetJurisdiction(),
		ToxicityCategory: message.GetToxicityCategory(),
		Respirator:       message.GetRespirator(), DoubleNotification: message.GetDoubleNotification(),
		InhalationLimited: message.GetInhalationLimited(), Organophosphate: message.GetOrganophosphate(),
		FirstAid: message.GetFirstAid(), SafetyDataSheet: message.GetSafetyDataSheet(),
		TimeLimited: message.GetTimeLimited(), StageLimited: message.GetStageLimited(),
	}
	r.text(path+".display_name", product.DisplayName)
	r.text(path+".registration_number", product.RegistrationNumber)
	if product.RegistrationExpireDate = message.GetRegistrationExpireDate().GetValue(); message.GetRegistrationExpireDate() != nil {
		r.day(path+".registration_expire_date", product.RegistrationExpireDate)
	}
	r.formulation(path+".formulation", product)
	r.jurisdiction(path+".jurisdiction", product.Jurisdiction)
	product.Contents = r.contents(path+".contents", product.Form, message.GetContents())
	r.standing(path, product)
	r.cost(path, &product, message)
	r.text(path+".first_aid", product.FirstAid)
	r.text(path+".safety_data_sheet", product.SafetyDataSheet)
	product.InhalationLevel = r.inhalationLevel(path+".inhalation_level", product, message)
	for i, direction := range message.GetDirections() {
		at := fmt.Sprintf("%s.directions[%d]", path, i)
		read := r.direction(at, product, direction)
		r.ambiguous(at, product.Directions, read)
		product.Directions = append(product.Directions, read)
	}
	return product, r.faults
}

// standing holds a product, its contents read, to the names that stand in the
// nursery. Contents that could not be read are refused already.
func (r *reading) standing(path string, product Product) {
	unread := func(c Content) bool { return c.ActiveIngredient == "" || !c.Amount.Positive() }
	if slices.ContainsFunc(product.Contents, unread) {
		return
	}
	r.displayName(path+".display_name", product)
	r.oneRegistration(path+".registration_number", product)
}

// jurisdiction refuses a code of no law; an empty one is not entered yet.
func (r *reading) jurisdiction(field, code string) {
	if code == "" {
		return
	}
	if err := jurisdiction.CheckLaw(code); err != nil {
		r.add(fault.Field(field, "%s", err).With("jurisdiction", code))
	}
}

// FromContract reads a product of the contract by the names of active ingredients
// that came with velamen, and returns the first rule that it breaks as a fault.
func FromContract(id string, message *productsv1.Product) (Product, error) {
	product, faults := readProduct(productField, id, message, names{})
	if err := first(faults); err != nil {
		return Product{}, err
	}
	return product, nil
}

// first returns the first of some faults as an error.
func first(faults []*fault.Fault) error {
	if len(faults) == 0 {
		return nil
	}
	return faults[0]
}

func (r *reading) add(f *fault.Fault) { r.faults = append(r.faults, f) }

func (r *reading) refuse(field, format string, args ...any) {
	r.add(fault.Field(field, format, args...))
}

// text holds a text that a person enters to what every file format can keep.
func (r *reading) text(field, text string) {
	if err := checkText(text); err != nil {
		r.refuse(field, "%s", err)
	}
}

// checkText is the rule for every text, so that an export can always be imported
// again. A carriage return is refused because CSV readers do not keep it.
func checkText(text string) error {
	if !utf8.ValidString(text) {
		return errors.New("must be UTF-8")
	}
	for _, char := range text {
		if unicode.IsControl(char) && char != '\n' {
			return fmt.Errorf("must not contain the control character %U", char)
		}
	}
	if strings.TrimSpace(text) != text {
		return errors.New("must not begin or end with a space or an empty line")
	}
	return nil
}

// weighed are the formulations that are solid; all others are liquid. By the
// definitions of the formulation types, which the contract names.
var weighed = map[productsv1.Formulation]bool{
	productsv1.Formulation_FORMULATION_WP: true, productsv1.Formulation_FORMULATION_WG: true,
	productsv1.Formulation_FORMULATION_SP: true, productsv1.Formulation_FORMULATION_SG: true,
	productsv1.Formulation_FORMULATION_GR: true, productsv1.Formulation_FORMULATION_DP: true,
}

// formulation refuses a powder that is measured by volume and a liquid that is
// weighed: either the type or every amount of the label was misread.
func (r *reading) formulation(field string, product Product) {
	if product.Formulation == productsv1.Formulation_FORMULATION_UNSPECIFIED || product.Form == productsv1.ProductForm_PRODUCT_FORM_UNSPECIFIED {
		return
	}
	form := productsv1.ProductForm_PRODUCT_FORM_LIQUID
	if weighed[product.Formulation] {
		form = productsv1.ProductForm_PRODUCT_FORM_SOLID
	}
	if form == product.Form {
		return
	}
	r.add(fault.Field(field, "%s is the type of a %s, and the form is %s", formulationText(product.Formulation), word(formText(form)), word(formText(product.Form))).
		With("formulation", formulationText(product.Formulation)).With("form", formText(product.Form)))
}

func (r *reading) day(field, day string) {
	date, err := time.Parse(time.DateOnly, day)
	if err != nil || date.Year() < 1 {
		r.add(fault.Field(field, "%q is not a day of the calendar (YYYY-MM-DD)", day).With("date", day))
	}
}

// quantity reads a quantity; ok is false when it is absent or a fault was kept.
func (r *reading) quantity(field string, message *typev1.Quantity) (q quantity.Quantity, ok bool) {
	if message == nil {
		return quantity.Quantity{}, false
	}
	q, err := quantity.FromContract(message)
	if err != nil {
		r.add(fault.Field(field, "%s", err).With("unit", message.GetUnit()))
		return quantity.Quantity{}, false
	}
	return q, true
}

// in is quantity in one unit.
func (r *reading) in(field string, unit quantity.Unit, message *typev1.Quantity) (q quantity.Quantity, ok bool) {
	if q, ok = r.quantity(field, message); !ok {
		return q, false
	}
	if q.Unit != unit {
		r.add(fault.Field(field, "must be in %s, not in %q", unit, q.Unit).
			With("unit", string(q.Unit)).With("wanted", string(unit)))
		return quantity.Quantity{}, false
	}
	return q, true
}

// mostInhalation is the share of the air that is all of it, in ppm.
var mostInhalation = decimal.NewFromInt(1_000_000)

// inhalationLevel reads the level of vapour that a label gives; only a label that
// limits it has one.
func (r *reading) inhalationLevel(field string, product Product, message *productsv1.Product) quantity.Quantity {
	level, ok := r.in(field, quantity.PartsPerMillion, message.GetInhalationLevel())
	if !ok {
		return quantity.Quantity{}
	}
	if product.InhalationLimited != productsv1.LabelAnswer_LABEL_ANSWER_YES {
		r.refuse(field, "may be given only when inhalation_limited is yes")
		return quantity.Quantity{}
	}
	if !level.Positive() || level.Amount.GreaterThan(mostInhalation) {
		r.add(fault.Field(field, "must be above 0 and at most %s ppm", mostInhalation).With("value", level.String()))
	}
	return level
}

func (r *reading) contents(path string, form productsv1.ProductForm, messages []*productsv1.Content) []Content {
	contents := make([]Content, 0, len(messages))
	sum := decimal.Zero
	for i, message := range messages {
		at := fmt.Sprintf("%s[%d]", path, i)
		content := r.content(at, form, message)
		if content.ActiveIngredient != "" && slices.ContainsFunc(contents, content.sameActive) {
			r.add(fault.Field(at+".active_ingredient", "%s is listed twice", content.ActiveIngredient).
				With("active_ingredient", content.ActiveIngredient))
		}
		sum = sum.Add(content.Amount.Amount)
		contents = append(contents, content)
	}
	if form == productsv1.ProductForm_PRODUCT_FORM_SOLID && sum.GreaterThan(wholeKilogram) {
		r.add(fault.Field(fmt.Sprintf("%s[%d].amount", path, len(contents)-1),
			"the contents add up to %s g/kg, and there are only %s g in a kg", sum, wholeKilogram).
			With("sum", sum.String()).With("maximum", wholeKilogram.String()))
	}
	return contents
}

func (c Content) sameActive(other Content) bool { return c.ActiveIngredient == other.ActiveIngredient }

func (r *reading) content(path string, form productsv1.ProductForm, message *productsv1.Content) Content {
	content := Content{ActiveIngredient: r.active(path+".active_ingredient", message.GetActiveIngredient())}
	if message.GetAmount() == nil {
		r.refuse(path+".amount", "must be given in %s", ContentUnit(form))
		return content
	}
	amount, ok := r.in(path+".amount", ContentUnit(form), message.GetAmount())
	if ok && !amount.Positive() {
		r.add(fault.Field(path+".amount", "must be above 0 %s", amount.Unit).With("value", amount.String()))
	}
	content.Amount = amount
	return content
}

// active returns the identifier that a name means; "" with a fault when it means
// none.
func (r *reading) active(field, name string) string {
	id, known := r.names.resolve(name)
	if product, found := r.names.mistaken(name, id); found {
		r.add(isTrade(field, name, product))
		return ""
	}
	if !known {
		r.add(fault.Field(field, "%q is not in the catalog of active ingredients; use its common name, for example \"thiophanate-methyl\", or one of its other names", name).
			With("active_ingredient", name))
	}
	return id
}

// cost reads what the product costs: both the money and the amount that it is
// for, or neither.
func (r *reading) cost(path string, product *Product, message *productsv1.Product) {
	if message.GetCost() == nil && message.GetCostPer() == nil {
		return
	}
	if message.GetCost() == nil {
		r.refuse(path+".cost", "must be given when cost_per is")
		return
	}
	if message.GetCostPer() == nil {
		r.refuse(path+".cost_per", "must be given when cost is: what amount of product does it pay for?")
		return
	}
	amount, err := decimal.NewFromString(message.GetCost().GetAmount())
	if err != nil {
		r.refuse(path+".cost.amount", "%q is not a plain decimal such as 12.50", message.GetCost().GetAmount())
	}
	product.Cost = Money{Amount: amount, Currency: message.GetCost().GetCurrencyCode()}
	per, ok := r.quantity(path+".cost_per", message.GetCostPer())
	if !ok {
		return
	}
	if units := AmountUnits(product.Form); !slices.Contains(units, per.Unit) {
		r.add(fault.Field(path+".cost_per", "must be in a unit that the product is measured out in (%s), not in %q", unitList(units), per.Unit).
			With("unit", string(per.Unit)))
		return
	}
	if !per.Positive() {
		r.add(fault.Field(path+".cost_per", "must be above 0 %s", per.Unit).With("value", per.String()))
	}
	product.CostPer = per
}
