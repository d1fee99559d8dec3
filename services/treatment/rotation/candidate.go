package rotation

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

// candidate is a product that may be used in the rotation.
type candidate struct {
	product products.Product
	// application is what each of its applications would be, but for the time; it
	// treats one lot for each kind of plant in each house.
	application rules.Application
	// past is one of them once it is made, but for the time.
	past rules.Past
	use  rules.Use
	// risk is how likely resistance is, 0 for a group that needs no rotation.
	risk int
	cost *big.Rat
	// currency of the cost; empty when it is not known.
	currency string
}

// newCandidate fills the application with a product.
func newCandidate(application rules.Application, stocked proposal.Stocked) (candidate, error) {
	filled := proposal.Fill(application, stocked)
	uses, err := filled.Application.Uses()
	if err != nil {
		return candidate{}, err
	}
	c := candidate{product: stocked.Product, application: filled.Application, use: uses[0]}
	c.past, err = pastOf(filled.Application)
	if err != nil {
		return candidate{}, err
	}
	for _, group := range c.use.Groups {
		c.risk = max(c.risk, riskOf(group))
	}
	if cost, currency, known := filled.Price(); known {
		c.cost, c.currency = cost, currency
	}
	return c, nil
}

// risks are those of the FRAC Code List, low ones first.
var risks = []string{"low", "low-medium", "medium", "medium-high", "high"}

// atHighRisk is the risk from which applications are kept few.
var atHighRisk = slices.Index(risks, "high") + 1

// riskOf returns the rank of a group's risk; that of a capped group whose risk is
// not known is the highest, and 0 that of a group without a cap.
func riskOf(group string) int {
	limits := rules.LimitsOf(group)
	if !limits.Capped {
		return 0
	}
	if at := slices.Index(risks, limits.Risk); at >= 0 {
		return at + 1
	}
	return len(risks)
}

// pastOf returns an application as it will stand in the history: what was applied
// in the house with most on its area.
func pastOf(application rules.Application) (rules.Past, error) {
	past := rules.Past{Method: application.Method, Disorder: application.Disorder, Class: application.Class}
	line := application.Treatments[0].Lines[0]
	product := rules.PastProduct{
		ID: line.Product.ID, DisplayName: line.Product.DisplayName, Formulation: line.Product.Formulation,
		RegistrationNumber: line.Product.RegistrationNumber,
	}
	for _, content := range line.Product.Contents {
		active, known := products.ActiveIngredientByID(content.ActiveIngredient)
		if !known {
			return rules.Past{}, fmt.Errorf("%s: %q is not in the catalog of active ingredients", line.Product.DisplayName, content.ActiveIngredient)
		}
		product.Actives = append(product.Actives, rules.PastActive{
			ID: active.ID, Group: active.FRACCode, PerArea: mostPerArea(application.Treatments, active.ID),
		})
	}
	past.Products = []rules.PastProduct{product}
	return past, nil
}

// mostPerArea returns the most g/m2 of an active ingredient in any treatment; nil
// when the amount or the area of one is not known.
func mostPerArea(treatments []rules.Treatment, active string) *big.Rat {
	var most *big.Rat
	for _, treatment := range treatments {
		grams, err := treatment.PerArea(active)
		if err != nil || grams == nil {
			return nil
		}
		if most == nil || grams.Cmp(most) > 0 {
			most = grams
		}
	}
	return most
}

// at returns the candidate's application at a moment.
func (c candidate) at(moment time.Time) rules.Application {
	application := c.application
	application.Start = moment
	return application
}

// made returns the candidate's application once it was made at a moment. The plan
// is by days: the next one in as many days as the label asks for is in time, and is
// marked as one that must not begin at an earlier hour.
func (c candidate) made(moment time.Time) rules.Past {
	past := c.past
	past.Start, past.End = moment, moment
	return past
}
