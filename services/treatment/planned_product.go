package treatment

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

// Mix that goes on a square metre where a label says nothing of it, L. Both are for
// the length of the work and the number of loads only: the mix sheet is worked out
// when the step is done.
var (
	// A cover spray until leaves are wet, 1000 L/ha: common practice, no source.
	usualSpray = quantity.Must("0.1", quantity.Litre)
	// A drench that wets the upper root zone, 1 pint per square foot and a little
	// more: from memory of labels.
	usualDrench = quantity.Must("5", quantity.Litre)
)

// The most that the search for a product looks ahead: when one passes later, the
// next best product may be refused by then, so it is asked again.
const mostWaits = 3

// PlannedProduct is the product that a step would be done with.
type PlannedProduct struct {
	Product products.Product
	// Method is how it is applied.
	Method productsv1.Method
	// MixVolume in all houses, L; zero where it is not known, as in a bath.
	MixVolume quantity.Quantity
	// RestrictedEntryInterval of the label, h.
	RestrictedEntryInterval quantity.Quantity
	// Protected is true when the label asks for protective equipment.
	Protected bool
	// Mix tells apart what is in the tank: the product and how much of it is in a
	// litre. What has the same can be made at once.
	Mix string
	// Temperatures of the air at which no rule refuses it; nil where all are allowed.
	Temperatures *rules.TemperatureRange
	// NotBefore is when the rules first let it be applied; zero when they do at once.
	// Waits says why.
	NotBefore time.Time
	Waits     string
}

// crew is who would apply, while that is not decided: somebody with the certificates and
// qualifications of all who may. Of what age they are is asked of each.
func crew(people []identity.Person) identity.Person {
	all := identity.Person{DisplayName: "the crew that applies chemical"}
	for _, person := range people {
		all.Certificates = append(all.Certificates, person.Certificates...)
		for _, q := range person.Qualifications {
			if q.Kind != identity.FullAge {
				all.Qualifications = append(all.Qualifications, q)
			}
		}
	}
	return all
}

// chosen is the product of a step, or why there is none.
type chosen struct {
	product PlannedProduct
	// application is the step with it.
	application rules.Application
	why         string
}

// choose returns the best product for an application that the rules let pass and
// that the store holds enough of. When none passes at once it looks when one will,
// until the end of what is planned.
func choose(application rules.Application, history rules.History, stocked []proposal.Stocked, until time.Time) (chosen, error) {
	waits := ""
	for range mostWaits + 1 {
		found, err := proposal.Propose(proposal.Request{Application: application, History: history, Products: stocked})
		if err != nil {
			return chosen{}, err
		}
		for i := range found.Proposed {
			found.Proposed[i].Filled = withVolume(found.Proposed[i].Filled, application)
		}
		if i := slices.IndexFunc(found.Proposed, inStock); i >= 0 {
			option := found.Proposed[i]
			result := chosen{product: plannedProduct(option, application), application: option.Application}
			temperatures, err := rules.TemperaturesFor(option.Application)
			if err != nil {
				return chosen{}, err
			}
			if temperatures.Limits() {
				result.product.Temperatures = &temperatures
			}
			if waits != "" {
				result.product.NotBefore, result.product.Waits = application.Start, waits
			}
			return result, nil
		}
		if len(found.Proposed) > 0 {
			return chosen{why: toBuyFirst(found.Proposed[0])}, nil
		}
		next, why := soonest(found.Lost)
		if next.IsZero() || !next.After(application.Start) || !next.Before(until) {
			return chosen{why: nonePasses(found.Lost, next, application.Zone)}, nil
		}
		application.Start, waits = next, why
	}
	return chosen{why: nonePasses(nil, time.Time{}, application.Zone)}, nil
}

// inStock reports whether the store holds enough of a product, or never counted it.
func inStock(option proposal.Option) bool {
	if option.InStore.IsZero() {
		return true
	}
	if option.Amount.IsZero() {
		return option.InStore.Positive()
	}
	order, err := option.InStore.Compare(option.Amount)
	return err == nil && order >= 0
}

func toBuyFirst(option proposal.Option) string {
	return fmt.Sprintf("%s is the product for it, %s is needed and the store holds %s: buy it or enter what is there.",
		option.Product.DisplayName, option.Amount, option.InStore)
}

// soonest returns when the first of the products that lost would pass, and why not
// before.
func soonest(lost []proposal.Option) (time.Time, string) {
	var first time.Time
	why := ""
	for _, option := range lost {
		at, ok := rules.EarliestPass(option.Verdicts)
		if !option.OfTheStep || !ok || (!first.IsZero() && !at.Before(first)) {
			continue
		}
		first, why = at, option.Reasons[0]
	}
	return first, why
}

// nonePasses says what stands against the products that hold an active ingredient of
// the step, a few of them.
func nonePasses(lost []proposal.Option, next time.Time, zone *time.Location) string {
	const most = 3
	var reasons []string
	for _, option := range lost {
		if option.OfTheStep && len(option.Reasons) > 0 && len(reasons) < most {
			reasons = append(reasons, fmt.Sprintf("%s: %s", option.Product.DisplayName, strings.TrimSuffix(option.Reasons[0], ".")))
		}
	}
	text := "No product of the nursery passes the rules for it."
	if len(reasons) == 0 {
		return text + " None holds an active ingredient of the step."
	}
	text += " " + strings.Join(reasons, "; ") + "."
	if !next.IsZero() {
		text += fmt.Sprintf(" The first could be applied from %s.", next.In(zone).Format("2 January 2006 15:04"))
	}
	return text
}

// withVolume fills an application again with the usual volume where the label of its
// product has none.
func withVolume(filled proposal.Filled, application rules.Application) proposal.Filled {
	volume := usualVolume(application.Method)
	if !filled.MixVolume.IsZero() || volume.IsZero() || len(application.Treatments) == 0 {
		return filled
	}
	application.Treatments = slices.Clone(application.Treatments)
	for i := range application.Treatments {
		area, err := application.Treatments[i].Area.Exact().In(quantity.SquareMetre)
		if err != nil || area.Sign() <= 0 {
			continue
		}
		application.Treatments[i].MixVolume = volume.Exact().Times(area.Amount()).Ceil(quantity.Places)
	}
	line := filled.Application.Treatments[0].Lines[0]
	return proposal.Fill(application, proposal.Stocked{Product: line.Product, Store: line.Store})
}

func usualVolume(method productsv1.Method) quantity.Quantity {
	switch method {
	case productsv1.Method_METHOD_SPRAY:
		return usualSpray
	case productsv1.Method_METHOD_DRENCH:
		return usualDrench
	default:
		return quantity.Quantity{} // how much a bath holds follows from the bath
	}
}

func plannedProduct(option proposal.Option, application rules.Application) PlannedProduct {
	planned := PlannedProduct{
		Product: option.Product, Method: application.Method, MixVolume: inLitres(option.MixVolume),
		RestrictedEntryInterval: option.RestrictedEntryInterval, Mix: mixOf(option),
	}
	for _, treatment := range application.Treatments {
		direction, _ := option.Product.DirectionFor(application.Use(treatment))
		planned.Protected = planned.Protected || direction.ProtectiveEquipment != ""
	}
	return planned
}

// inLitres rounds up: a plan rather has a little more time than too little.
func inLitres(volume quantity.Quantity) quantity.Quantity {
	if volume.IsZero() {
		return quantity.Quantity{}
	}
	litres, err := volume.Exact().In(quantity.Litre)
	if err != nil {
		return quantity.Quantity{}
	}
	return litres.Ceil(quantity.Places)
}

// mixOf tells a mix by its product and its strength. Where strengths differ between
// houses it is a mix of its own, which shares a tank with no other.
func mixOf(option proposal.Option) string {
	strength := ""
	for _, treatment := range option.Application.Treatments {
		one := strengthOf(treatment, option.Rate)
		if strength != "" && one != strength {
			return fmt.Sprintf("%s, %s, %s", option.Product.ID, option.Amount, option.MixVolume)
		}
		strength = one
	}
	return option.Product.ID + ", " + strength
}

// strengthOf is how much product is in a litre of mix, as a fraction so that nothing
// is rounded; the rate of the label where the mix is not known yet.
func strengthOf(treatment rules.Treatment, rate quantity.Quantity) string {
	if treatment.MixVolume.IsZero() || len(treatment.Lines) == 0 || treatment.Lines[0].Amount.IsZero() {
		return rate.String()
	}
	if perVolume(rate.Unit) {
		return rate.String()
	}
	litres, err := treatment.MixVolume.Exact().In(quantity.Litre)
	if err != nil || litres.Sign() <= 0 {
		return rate.String()
	}
	amount := treatment.Lines[0].Amount
	return fmt.Sprintf("%s %s/L", new(big.Rat).Quo(amount.Exact().Amount(), litres.Amount()).RatString(), amount.Unit)
}

// perVolume reports whether a rate says how strong a mix is, whatever area it goes
// on: per litre or gallon, a percentage, or ppm.
func perVolume(unit quantity.Unit) bool {
	_, per, ok := strings.Cut(string(unit), "/")
	if !ok {
		return true
	}
	return quantity.Convertible(quantity.Unit(strings.TrimLeft(per, "0123456789 ")), quantity.Litre)
}

// takenOut returns products without an amount of one of them, so that two steps do
// not count on the same rest.
func takenOut(stocked []proposal.Stocked, product string, amount quantity.Quantity) []proposal.Stocked {
	i := slices.IndexFunc(stocked, func(s proposal.Stocked) bool { return s.Product.ID == product })
	if i < 0 || amount.IsZero() {
		return stocked
	}
	left := slices.Clone(stocked)
	left[i].Store.Containers = slices.Clone(left[i].Store.Containers)
	need := amount.Exact()
	for k := range left[i].Store.Containers {
		held := &left[i].Store.Containers[k]
		rest, err := held.Remaining.Exact().Sub(need)
		if err != nil {
			return stocked
		}
		if rest.Sign() >= 0 {
			held.Remaining = rest.Floor(quantity.Places)
			return left
		}
		if need, err = need.Sub(held.Remaining.Exact()); err != nil {
			return stocked
		}
		held.Remaining = quantity.Must("0", held.Remaining.Unit)
	}
	return left
}

// pastOf returns a planned application as the rules will count it once it is done,
// for the lots of one house.
func pastOf(id string, application rules.Application, house string, end time.Time) (rules.Past, error) {
	past := rules.Past{
		ID: id, Start: application.Start, End: end, Method: application.Method, Disorder: application.Disorder, Class: application.Class,
	}
	for _, treatment := range application.Treatments {
		if treatment.House != house {
			continue
		}
		area, err := treatment.Area.Exact().In(quantity.SquareMetre)
		if err != nil {
			return rules.Past{}, err
		}
		for _, line := range treatment.Lines {
			product, err := pastProduct(line, application.Method, area)
			if err != nil {
				return rules.Past{}, err
			}
			past.Products = append(past.Products, product)
		}
	}
	return past, nil
}

func pastProduct(line rules.Line, method productsv1.Method, area quantity.Exact) (rules.PastProduct, error) {
	product := rules.PastProduct{
		ID: line.Product.ID, DisplayName: line.Product.DisplayName, Formulation: line.Product.Formulation,
		RegistrationNumber: line.Product.RegistrationNumber,
	}
	if line.Amount.IsZero() {
		for _, content := range line.Product.Contents {
			active := rules.PastActive{ID: content.ActiveIngredient}
			if known, ok := products.ActiveIngredientByID(content.ActiveIngredient); ok {
				active.Group = known.FRACCode
			}
			product.Actives = append(product.Actives, active)
		}
		return product, nil
	}
	actives, err := line.Product.ActivesIn(line.Amount)
	if err != nil {
		return rules.PastProduct{}, err
	}
	for _, active := range actives {
		held := rules.PastActive{ID: active.ActiveIngredient.ID, Group: active.ActiveIngredient.FRACCode}
		if method != productsv1.Method_METHOD_BATH && area.Sign() > 0 {
			// Most of a bath stays in the bath: what went on the plants is not known.
			held.PerArea = new(big.Rat).Quo(active.Amount.Exact().Amount(), area.Amount())
		}
		product.Actives = append(product.Actives, held)
	}
	return product, nil
}

// addPast adds a planned application to what lots were treated with.
func addPast(history rules.History, id string, application rules.Application, end time.Time) error {
	for _, lot := range application.Lots {
		past, err := pastOf(id, application, lot.House, end)
		if err != nil {
			return err
		}
		before := history[lot.ID]
		i := len(before)
		for i > 0 && before[i-1].End.After(past.End) {
			i--
		}
		history[lot.ID] = slices.Insert(slices.Clone(before), i, past)
	}
	return nil
}

// plantedIn gathers lots into one treatment for each house, with the benches that
// they stand on.
func plantedIn(lots []stock.Lot, houses map[string]stock.House, benches map[stock.BenchID]stock.Bench) ([]rules.Treatment, error) {
	var treatments []rules.Treatment
	counted := map[stock.BenchID]bool{}
	for _, lot := range lots {
		i := slices.IndexFunc(treatments, func(t rules.Treatment) bool { return t.House == lot.House })
		if i < 0 {
			i = len(treatments)
			treatments = append(treatments, rules.Treatment{
				Field: fmt.Sprintf("treatments[%d]", i), House: lot.House, Site: SiteOf(houses[lot.House]), Area: quantity.Must("0", quantity.SquareMetre),
			})
		}
		treatments[i].Plants += lot.Plants
		bench := stock.BenchID{House: lot.House, Bench: lot.Bench}
		if counted[bench] {
			continue
		}
		counted[bench] = true
		area, err := treatments[i].Area.Add(benches[bench].Area)
		if err != nil {
			return nil, err
		}
		treatments[i].Area = area
	}
	return treatments, nil
}
