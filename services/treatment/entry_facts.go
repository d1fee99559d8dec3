package treatment

import (
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/products"
	"velamen/services/treatment/entry"
)

// formOf says how something was applied. A spray of which nothing is said is a spray:
// mist, fog, aerosol and smoke are said.
func formOf(method productsv1.Method, treated *treatmentv1.HouseTreatment) entry.Form {
	switch method {
	case productsv1.Method_METHOD_SPRAY:
		return sprayForms[treated.GetForm()]
	case productsv1.Method_METHOD_DRENCH:
		if treated.GetChemigation() {
			return entry.Drip
		}
		return entry.Drench
	case productsv1.Method_METHOD_BATH:
		return entry.Bath
	default:
		return ""
	}
}

// sprayForms are the forms of a spray as the rules of entry tell them apart.
var sprayForms = map[treatmentv1.ApplicationForm]entry.Form{
	treatmentv1.ApplicationForm_APPLICATION_FORM_UNSPECIFIED: entry.Spray,
	treatmentv1.ApplicationForm_APPLICATION_FORM_SPRAY:       entry.Spray,
	treatmentv1.ApplicationForm_APPLICATION_FORM_MIST:        entry.Mist,
	treatmentv1.ApplicationForm_APPLICATION_FORM_FOG:         entry.Fog,
	treatmentv1.ApplicationForm_APPLICATION_FORM_AEROSOL:     entry.Aerosol,
	treatmentv1.ApplicationForm_APPLICATION_FORM_SMOKE:       entry.Smoke,
}

func dropletsOf(class treatmentv1.DropletClass) entry.Droplets {
	switch class {
	case treatmentv1.DropletClass_DROPLET_CLASS_FINER_THAN_MEDIUM:
		return entry.FinerThanMedium
	case treatmentv1.DropletClass_DROPLET_CLASS_MEDIUM_OR_LARGER:
		return entry.MediumOrLarger
	default:
		return ""
	}
}

// product returns what the label of a product (name) says about entry now, with its
// interval after a use. The interval that was recorded for the mix, zero for none, is the
// least: the longest of a mix is that of all of it. A label that says a longer one for the
// use by now was entered wrongly then, or is meant to be kept.
func (l labels) product(name string, use products.Use, recorded quantity.Quantity) (entry.Product, error) {
	ids, err := resource.Parse("product", name, "nurseries", "products")
	if err != nil {
		return entry.Product{}, err
	}
	product, known := l.byID[ids[1]]
	if !known {
		return entry.Product{Name: ids[1], Interval: recorded}, nil
	}
	facts := entryFacts(product)
	facts.Name = l.nameOf(product)
	if recorded.IsZero() {
		facts.Interval = intervalFor(product, use.Method)
		return facts, nil
	}
	facts.Interval = recorded
	direction, _ := product.DirectionFor(use)
	if longer, err := direction.RestrictedEntryInterval.Compare(recorded); err == nil && longer > 0 {
		facts.Interval = direction.RestrictedEntryInterval
	}
	return facts, nil
}

// intervalFor returns the restricted-entry interval of a label for a method: the longest
// of its directions for that method, or of all where it has none. It is zero, not known,
// while one of them lacks it.
func intervalFor(product products.Product, method productsv1.Method) quantity.Quantity {
	of := func(all bool) (longest quantity.Quantity, any bool) {
		for _, direction := range product.Directions {
			if !all && direction.Method != method {
				continue
			}
			interval := direction.RestrictedEntryInterval
			if interval.IsZero() {
				return quantity.Quantity{}, true
			}
			longer, err := interval.Compare(longest)
			if !any || (err == nil && longer > 0) {
				longest = interval
			}
			any = true
		}
		return longest, any
	}
	if interval, any := of(false); any {
		return interval
	}
	interval, _ := of(true)
	return interval
}

// entryFacts returns what a label says about entry, beside its name and interval. What is
// not entered stays unknown.
func entryFacts(product products.Product) entry.Product {
	return entry.Product{
		Respirator: answerOf(product.Respirator), Double: answerOf(product.DoubleNotification),
		Inhalation: answerOf(product.InhalationLimited), Level: product.InhalationLevel,
		Category: categories[product.ToxicityCategory], Organophosphate: answerOf(product.Organophosphate),
	}
}

func answerOf(answer productsv1.LabelAnswer) entry.Fact {
	switch answer {
	case productsv1.LabelAnswer_LABEL_ANSWER_YES:
		return entry.Yes
	case productsv1.LabelAnswer_LABEL_ANSWER_NO:
		return entry.No
	default:
		return entry.Unknown
	}
}

var categories = map[productsv1.ToxicityCategory]entry.Category{
	productsv1.ToxicityCategory_TOXICITY_CATEGORY_I:   entry.CategoryI,
	productsv1.ToxicityCategory_TOXICITY_CATEGORY_II:  entry.CategoryII,
	productsv1.ToxicityCategory_TOXICITY_CATEGORY_III: entry.CategoryIII,
	productsv1.ToxicityCategory_TOXICITY_CATEGORY_IV:  entry.CategoryIV,
}
