package proposal

import (
	"fmt"
	"slices"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// Request is what is asked.
type Request struct {
	// Application is what each proposal would be, but for its products: the start,
	// the place, the lots and houses with their areas, the conditions, who applies it,
	// and the step's candidates in the order of their priority. A volume of mix that
	// is zero is worked out from each label.
	Application rules.Application
	// History is what the lots were treated with before.
	History rules.History
	// Products are all of the nursery.
	Products []Stocked
}

// Option is one product that was weighed.
type Option struct {
	Product products.Product
	// Groups are the resistance groups in it.
	Groups []string
	// Rank from 1; 0 when it is not proposed.
	Rank int
	// Filled is the application that it was weighed as, with its amounts.
	Filled
	// InStore is what the store holds of it that may be used on that day; zero when no
	// container was ever entered.
	InStore quantity.Quantity
	// Enough is true when the store holds what is needed.
	Enough bool
	// Cost of the amount needed, rounded to 4 places; zero when not known.
	Cost products.Money
	// ApplicationsLeft is how many applications its label still allows, this one
	// included, on the lot that had most of them; nil when the label has no number.
	ApplicationsLeft *int
	// Points against it; 0 for one that lost.
	Points int
	// Reasons are what put it where it is, what weighs most first; for one that lost,
	// why.
	Reasons []string
	// Verdicts are those that were no plain pass.
	Verdicts []rules.Verdict
	// cost is the exact cost, nil when not known.
	cost *cost
	// refused are the verdicts that refuse it.
	refused []rules.Verdict
}

// Proposal is the ranking.
type Proposal struct {
	// Proposed products, best first.
	Proposed []Option
	// Lost are all others, by id.
	Lost []Option
	// ToBuy are the step's active ingredients, in their order, that work on the class,
	// are approved and left open by rotation, and that no proposed product holds.
	ToBuy []string
}

// Propose ranks products for a step. Each proposed one passes the rules engine as
// it is filled; one that must be bought is filled without what the store holds. It returns the engine's fault for facts that no product can mend.
func Propose(request Request) (Proposal, error) {
	if request.Application.Zone == nil {
		request.Application.Zone = time.UTC
	}
	past, err := readPast(request)
	if err != nil {
		return Proposal{}, err
	}
	// Without products only what is the same for all of them is looked at.
	if _, err := past.index.Check(bare(request.Application)); err != nil {
		return Proposal{}, err
	}
	var proposal Proposal
	for _, stocked := range request.Products {
		option, passes := weigh(request, past, stocked)
		if passes {
			proposal.Proposed = append(proposal.Proposed, option)
		} else {
			proposal.Lost = append(proposal.Lost, option)
		}
	}
	slices.SortFunc(proposal.Proposed, better)
	for i := range proposal.Proposed {
		proposal.Proposed[i].Rank = i + 1
	}
	slices.SortFunc(proposal.Lost, func(a, b Option) int { return strings.Compare(a.Product.ID, b.Product.ID) })
	proposal.ToBuy = toBuy(request.Application, past, proposal.Proposed)
	return proposal, nil
}

// bare returns an application without its products.
func bare(application rules.Application) rules.Application {
	application.Treatments = slices.Clone(application.Treatments)
	for i := range application.Treatments {
		application.Treatments[i].Lines = nil
	}
	return application
}

// storeRules are refusals that buying more of a product ends.
var storeRules = []string{rules.RuleContainerLeft, rules.RuleContainerExpired}

// weigh runs a product through the rules engine and gives it its points. One that
// nothing but the store stands against is weighed as it will be once it is bought.
func weigh(request Request, past past, stocked Stocked) (Option, bool) {
	option, passes := weighAs(request, past, stocked, stocked.Store)
	onlyStore := len(option.refused) > 0 && !slices.ContainsFunc(option.refused, func(v rules.Verdict) bool {
		return !slices.Contains(storeRules, v.Rule)
	})
	if passes || !onlyStore {
		return option, passes
	}
	return weighAs(request, past, stocked, rules.Store{})
}

// weighAs weighs a product as if the store held what is given.
func weighAs(request Request, past past, stocked Stocked, store rules.Store) (Option, bool) {
	filled := Fill(request.Application, Stocked{Product: stocked.Product, Store: store})
	option := Option{
		Product: stocked.Product, Filled: filled, Groups: groupsOf(stocked.Product),
		InStore: inStore(stocked, request.Application.Start, request.Application.Zone),
		cost:    costOf(stocked.Product, filled.Amount),
	}
	option.Cost = option.cost.money()
	option.Enough = enough(option)
	verdicts, err := past.index.Check(filled.Application)
	if err != nil {
		option.Reasons = []string{err.Error()}
		return option, false
	}
	option.ApplicationsLeft = left(verdicts)
	option.Verdicts = slices.DeleteFunc(verdicts, func(v rules.Verdict) bool { return v.Outcome == rules.Pass })
	option.refused = rules.Refusals(option.Verdicts)
	for _, verdict := range option.refused {
		option.Reasons = append(option.Reasons, verdict.Message)
	}
	if len(option.refused) > 0 {
		return option, false
	}
	option.score(request.Application, past)
	return option, true
}

// groupsOf returns the resistance groups in a product, in the order of its label.
func groupsOf(product products.Product) []string {
	var groups []string
	for _, content := range product.Contents {
		active, known := products.ActiveIngredientByID(content.ActiveIngredient)
		if !known {
			continue
		}
		if group := rules.GroupOf(active.FRACCode); !slices.Contains(groups, group) {
			groups = append(groups, group)
		}
	}
	return groups
}

// enough reports whether the store holds what is needed; anything at all where the
// amount is not known.
func enough(option Option) bool {
	if !option.InStore.Positive() {
		return false
	}
	if option.Amount.IsZero() {
		return true
	}
	order, err := option.InStore.Compare(option.Amount)
	return err == nil && order >= 0
}

// askAloneRules are rules that a group breaks alone and keeps with a partner: an
// active ingredient may be bought in a mixture.
var askAloneRules = []string{rules.RuleRotationPartner, rules.RuleRotationAlone, rules.RuleRotationSoloShare}

// toBuy returns the candidates that are worth buying.
func toBuy(a rules.Application, past past, proposed []Option) []string {
	var ids []string
	for _, id := range a.Candidates {
		held := slices.ContainsFunc(proposed, func(option Option) bool {
			return slices.ContainsFunc(option.Product.Contents, func(c products.Content) bool { return c.ActiveIngredient == id })
		})
		if !held && mayBeBought(a, past, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// mayBeBought asks whether an active ingredient works, is approved on the day, and
// would be refused by no rule of rotation.
func mayBeBought(a rules.Application, past past, id string) bool {
	active, known := products.ActiveIngredientByID(id)
	if !known || !slices.Contains(active.WorksOn, a.Class) {
		return false
	}
	if _, approved := products.ApprovalFor(id, a.Jurisdiction, a.Start.In(a.Zone).Format(time.DateOnly)); !approved {
		return false
	}
	// The engine looks at what a product holds, so it is asked about one that holds
	// nothing else.
	alone := products.Product{
		ID: id, DisplayName: active.DisplayName, Form: productsv1.ProductForm_PRODUCT_FORM_SOLID,
		Contents: []products.Content{{ActiveIngredient: id, Amount: quantity.Must("1", quantity.GramPerKilogram)}},
	}
	verdicts, err := past.index.RotationVerdicts(Fill(a, Stocked{Product: alone}).Application)
	if err != nil {
		return false
	}
	return !slices.ContainsFunc(rules.Refusals(verdicts), func(v rules.Verdict) bool {
		return !slices.Contains(askAloneRules, v.Rule)
	})
}

// place returns how far down the step's candidates the best active ingredient of a
// product stands, from 0; that of a product that holds none is the number of them.
func place(product products.Product, candidates []string) int {
	for i, id := range candidates {
		if slices.ContainsFunc(product.Contents, func(c products.Content) bool { return c.ActiveIngredient == id }) {
			return i
		}
	}
	return len(candidates)
}

// ordinal writes a place in a list as people say it.
func ordinal(place int) string {
	names := []string{"first", "second", "third", "fourth", "fifth", "sixth"}
	if place < len(names) {
		return names[place]
	}
	return fmt.Sprintf("number %d", place+1)
}
