package mixing

import (
	"fmt"
	"slices"
	"strings"

	productsv1 "velamen/gen/velamen/products/v1"
)

// orderSource is where the mixing order comes from. Of the two orders that are
// published, APPLES and WALES, velamen takes this one throughout: they differ in
// where soluble powders and solutions go.
const orderSource = "APPLES order, North Dakota guide 2021"

// Sentence is one thing to do or to know, and where it comes from.
type Sentence struct {
	Text string
	// Source is empty for plain results of arithmetic.
	Source string
}

// String returns the sentence with its source.
func (s Sentence) String() string {
	if s.Source == "" {
		return s.Text
	}
	return fmt.Sprintf("%s [%s]", s.Text, s.Source)
}

// place is a place in the mixing order.
type place int

// The places of the APPLES order after agitation.
const (
	solublePowder place = iota + 1
	dryPowder
	liquidFlowable
	emulsifiable
	solution
	unknownPlace // after those that are known
)

// placeNames say what belongs in each place.
var placeNames = map[place]string{
	solublePowder:  "soluble powder or granule",
	dryPowder:      "dry powder or granule that disperses",
	liquidFlowable: "liquid flowable",
	emulsifiable:   "emulsifiable liquid",
	solution:       "solution",
}

// places say where each formulation belongs. The guide does not name capsule
// suspensions; they are suspensions (from memory).
var places = map[productsv1.Formulation]place{
	productsv1.Formulation_FORMULATION_SP: solublePowder,
	productsv1.Formulation_FORMULATION_SG: solublePowder,
	productsv1.Formulation_FORMULATION_WG: dryPowder,
	productsv1.Formulation_FORMULATION_WP: dryPowder,
	productsv1.Formulation_FORMULATION_SC: liquidFlowable,
	productsv1.Formulation_FORMULATION_SE: liquidFlowable,
	productsv1.Formulation_FORMULATION_CS: liquidFlowable,
	productsv1.Formulation_FORMULATION_ME: liquidFlowable,
	productsv1.Formulation_FORMULATION_EC: emulsifiable,
	productsv1.Formulation_FORMULATION_EW: emulsifiable,
	productsv1.Formulation_FORMULATION_OD: emulsifiable,
	productsv1.Formulation_FORMULATION_SL: solution,
}

func placeOf(formulation productsv1.Formulation) place {
	if at, known := places[formulation]; known {
		return at
	}
	return unknownPlace
}

// What mix is made in.
const (
	vesselTank      = "tank"
	vesselStockTank = "stock tank"
	vesselBath      = "bath"
)

// SpreadDry reports whether a formulation is spread dry and never mixed into
// water.
func SpreadDry(formulation productsv1.Formulation) bool {
	return formulation == productsv1.Formulation_FORMULATION_GR || formulation == productsv1.Formulation_FORMULATION_DP
}

// Order returns the indexes of products in the order in which they go into
// the water, APPLES, those whose formulation is not entered last; and whether the
// order is known, which takes the formulation of every one of several products.
// Products of the same place keep their order.
func Order(products []Product) (order []int, known bool) {
	order = make([]int, len(products))
	known = true
	for i := range products {
		order[i] = i
		known = known && placeOf(products[i].Formulation) != unknownPlace
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return int(placeOf(products[a].Formulation)) - int(placeOf(products[b].Formulation))
	})
	return order, known || len(products) == 1
}

// mixingSteps says what to do in which order, with products in mixing order, in a
// vessel such as "tank".
func mixingSteps(products []Product, known bool, vessel string) []Sentence {
	steps := []Sentence{
		{
			Text:   fmt.Sprintf("Fill the %s with 50 to 70 %% of the water of the load.", vessel),
			Source: "extension advice on tank mixes",
		},
		{
			Text:   "If the label asks for a water conditioner or buffer, add it first.",
			Source: "extension advice on tank mixes",
		},
		agitation(vessel),
	}
	if !known {
		steps = append(steps, Sentence{
			Text: "STOP: where " + strings.Join(withoutFormulation(products), ", ") +
				" goes in is not known, because the formulation is not entered. Order by the label: read it before anything goes in.",
		})
	}
	for _, product := range products {
		steps = append(steps, adding(product, known))
	}
	return append(steps, Sentence{Text: "Fill up with water to the mark of the load."})
}

// adding says how a product goes in; where the order is not known it gives one
// whose formulation is not entered no place in it.
func adding(product Product, orderKnown bool) Sentence {
	name := placeNames[placeOf(product.Formulation)]
	if name != "" {
		formulation := strings.TrimPrefix(product.Formulation.String(), "FORMULATION_")
		return Sentence{
			Text:   fmt.Sprintf("Add %s (%s, %s); wait until it is dispersed before anything else goes in.", product.DisplayName, formulation, name),
			Source: orderSource,
		}
	}
	if orderKnown {
		return Sentence{Text: fmt.Sprintf("Add %s (formulation not entered); wait until it is dispersed before anything else goes in.", product.DisplayName)}
	}
	return Sentence{Text: fmt.Sprintf("Add %s (formulation not entered) where its label says, not because it stands here.", product.DisplayName)}
}

// agitation says how the mix is kept moving: a tank by its pump, a bath by hand.
func agitation(vessel string) Sentence {
	if vessel == vesselBath {
		return Sentence{Text: "Stir while anything goes in, and again before each batch of plants.", Source: "from memory"}
	}
	return Sentence{Text: "Start the agitation and keep it going until the " + vessel + " is empty.", Source: orderSource}
}

// topUpSteps says how a bath is topped up.
func topUpSteps(loads []Load) []Sentence {
	if !slices.ContainsFunc(loads, func(load Load) bool { return load.Purpose == purposeTopUp }) {
		return nil
	}
	return []Sentence{{Text: "Mix each top-up in a vessel of its own, in the same order, and pour it into the bath."}}
}

func withoutFormulation(products []Product) []string {
	var names []string
	for _, product := range products {
		if placeOf(product.Formulation) == unknownPlace {
			names = append(names, product.DisplayName)
		}
	}
	return names
}

// mostPartners is how many products are advised in one mix at most.
const mostPartners = 3

// partnerNotes says what to mind when several products go into one mix.
func partnerNotes(count int) []Sentence {
	if count < 2 {
		return nil
	}
	notes := []Sentence{{
		Text:   "Before the first mix of these products make a jar test in the same proportions and watch it for 15 to 30 minutes.",
		Source: "extension advice on tank mixes",
	}}
	if count > mostPartners {
		notes = append(notes, Sentence{
			Text:   fmt.Sprintf("%d products are more than the %d that are advised in one mix.", count, mostPartners),
			Source: "Canadian advice on tank mixes",
		})
	}
	return notes
}
