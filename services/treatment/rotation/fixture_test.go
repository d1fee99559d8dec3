package rotation

import (
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

const fungus = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS

// first is the first day of the plans, in the nursery's zone.
var first = time.Date(2026, 3, 2, 0, 0, 0, 0, berlin())

// berlin has summer time, so that its days are not all of 24 hours.
func berlin() *time.Location {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		panic(err)
	}
	return zone
}

func amount(text string) quantity.Quantity {
	q, err := quantity.Parse(text)
	if err != nil {
		panic(err)
	}
	return q
}

// product is a solid with 500 g/kg of each active ingredient and a complete label
// that limits nothing but the rate.
func product(id string, actives ...string) proposal.Stocked {
	direction := products.Direction{
		Method: productsv1.Method_METHOD_SPRAY, Classes: []diagnosisv1.DisorderClass{fungus},
		RateMin: amount("1 g/L"), RateMax: amount("2 g/L"), WaterVolumeMin: amount("1000 L/ha"), WaterVolumeMax: amount("2000 L/ha"),
		RestrictedEntryInterval: amount("12 h"),
	}
	for fact := productsv1.LabelFact_LABEL_FACT_CROPS; fact <= productsv1.LabelFact_LABEL_FACT_CHEMIGATION; fact++ {
		if fact != productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL {
			direction.SilentOn = append(direction.SilentOn, fact)
		}
	}
	p := products.Product{
		ID: id, DisplayName: strings.ToUpper(id[:1]) + id[1:], RegistrationNumber: "R-" + id, Jurisdiction: "ZA",
		Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Formulation: productsv1.Formulation_FORMULATION_WP,
		Directions: []products.Direction{direction},
	}
	for _, active := range actives {
		p.Contents = append(p.Contents, products.Content{ActiveIngredient: active, Amount: amount("500 g/kg")})
	}
	return proposal.Stocked{Product: p}
}

// with changes the label of a product.
func with(stocked proposal.Stocked, change func(*products.Direction)) proposal.Stocked {
	stocked.Product.Directions = slices.Clone(stocked.Product.Directions)
	change(&stocked.Product.Directions[0])
	return stocked
}

func perYear(most int32) func(*products.Direction) {
	return func(d *products.Direction) { d.MaxPerYear = most }
}

func everyDays(days int32) func(*products.Direction) {
	return func(d *products.Direction) { d.MinIntervalDays = days }
}

// season asks for so many applications, one every so many days, against rust on one
// lot that was never treated.
func season(applications, interval int, stocked ...proposal.Stocked) Request {
	return Request{
		From: first, To: first.AddDate(0, 0, (applications-1)*interval), IntervalDays: interval,
		Application: rules.Application{
			Zone: berlin(), Jurisdiction: "ZA", Method: productsv1.Method_METHOD_SPRAY, Disorder: "rust", Class: fungus,
			Lots:       []rules.Lot{{ID: "p1", BotanicalName: "Phalaenopsis amabilis", House: "north"}},
			Treatments: []rules.Treatment{{Field: "house", House: "north", Site: productsv1.Site_SITE_GREENHOUSE, Area: amount("100 m2"), Plants: 500}},
		},
		Products: stocked,
	}
}

// sprayed is an application of active ingredients so many days before the plan.
func sprayed(daysBefore int, actives ...string) rules.Past {
	end := first.AddDate(0, 0, -daysBefore).Add(7 * time.Hour)
	past := rules.Past{
		ID: end.Format(time.DateOnly), Start: end.Add(-time.Hour), End: end,
		Method: productsv1.Method_METHOD_SPRAY, Disorder: "rust", Class: fungus,
	}
	for _, id := range actives {
		active, known := products.ActiveIngredientByID(id)
		if !known {
			panic(id)
		}
		past.Products = append(past.Products, rules.PastProduct{
			ID: id, DisplayName: active.DisplayName, RegistrationNumber: "R-" + id,
			Actives: []rules.PastActive{{ID: id, Group: active.FRACCode}},
		})
	}
	return past
}

// chosen writes a plan as the ids of its products.
func chosen(plan Plan) string {
	var ids []string
	for _, planned := range plan.Applications {
		ids = append(ids, planned.Product.ID)
	}
	return strings.Join(ids, " ")
}

// conflicting writes a conflict as the rules of its limits.
func conflicting(plan Plan) string {
	var texts []string
	for _, limit := range plan.Conflict {
		texts = append(texts, limit.Rule)
	}
	return strings.Join(texts, " ")
}
