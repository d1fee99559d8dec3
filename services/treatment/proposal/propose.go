package proposal

import (
	"cmp"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
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
	// OfTheStep is true when it holds an active ingredient of the step, or the step
	// names none.
	OfTheStep bool
	// Filled is the application that it was weighed as, with its amounts; empty for
	// one that holds none of the step's active ingredients.
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
	// place is how far down the step's candidates its best active ingredient stands.
	place int
}

// Proposal is the ranking.
type Proposal struct {
	// Proposed products, best first.
	Proposed []Option
	// Lost are all others: those that hold an active ingredient of the step first,
	// since what stands against them may be mended; then by name and id.
	Lost []Option
	// ToBuy are the step's active ingredients, in their order, that work on the class,
	// are approved, are left open by rotation and by what must be kept apart, and that
	// no proposed product holds.
	ToBuy []string
}

// Propose ranks products for a step. Each proposed one passes the rules engine as
// it is filled; one that must be bought is filled without what the store holds. It
// returns the engine's fault for facts that no product can mend.
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
	for _, weighed := range weighAll(request, past) {
		if weighed.passes {
			proposal.Proposed = append(proposal.Proposed, weighed.option)
		} else {
			proposal.Lost = append(proposal.Lost, weighed.option)
		}
	}
	slices.SortFunc(proposal.Proposed, better)
	for i := range proposal.Proposed {
		proposal.Proposed[i].Rank = i + 1
	}
	slices.SortFunc(proposal.Lost, sooner)
	proposal.ToBuy = toBuy(request.Application, past, proposal.Proposed)
	return proposal, nil
}

// weighed is a product that was weighed.
type weighed struct {
	option Option
	passes bool
}

// weighAll weighs every product, each by itself, on all processors: what is left of
// the time of a proposal is the engine looking at one product after another.
func weighAll(request Request, past past) []weighed {
	all := make([]weighed, len(request.Products))
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(all)) {
		own := past.forOne()
		group.Go(func() {
			for i := next.Add(1) - 1; int(i) < len(all); i = next.Add(1) - 1 {
				all[i].option, all[i].passes = weigh(request, own, request.Products[i])
			}
		})
	}
	group.Wait()
	return all
}

// sooner orders options that lost.
func sooner(a, b Option) int {
	if a.OfTheStep != b.OfTheStep {
		if a.OfTheStep {
			return -1
		}
		return 1
	}
	return cmp.Or(strings.Compare(a.Product.DisplayName, b.Product.DisplayName), strings.Compare(a.Product.ID, b.Product.ID))
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
// nothing but the store stands against is weighed as one to buy.
func weigh(request Request, past past, stocked Stocked) (Option, bool) {
	a := request.Application
	option := Option{
		Product: stocked.Product, Groups: groupsOf(stocked.Product),
		InStore: inStore(stocked, a.Start, a.Zone), place: place(stocked.Product, a.Candidates),
	}
	if option.OfTheStep = len(a.Candidates) == 0 || option.place < len(a.Candidates); option.OfTheStep {
		option.Filled = fill(a, past.uses, stocked)
		option.cost = costOf(stocked.Product, option.Amount)
		option.Cost = option.cost.money()
		option.Enough = enough(option)
	}
	verdicts, err := option.verdicts(a, past)
	if err != nil {
		option.Reasons = []string{err.Error()}
		return option, false
	}
	option.ApplicationsLeft = left(verdicts)
	option.Verdicts = slices.DeleteFunc(verdicts, func(v rules.Verdict) bool { return v.Outcome == rules.Pass })
	refused := rules.Refusals(option.Verdicts)
	if len(refused) > 0 && !slices.ContainsFunc(refused, func(v rules.Verdict) bool { return !slices.Contains(storeRules, v.Rule) }) {
		option.buy()
		refused = nil
	}
	for _, verdict := range refused {
		option.Reasons = append(option.Reasons, verdict.Message)
	}
	if len(refused) > 0 {
		return option, false
	}
	option.score(a, past)
	return option, true
}

// verdicts asks the engine about an option. The candidates that the engine names
// as alternatives of each other are left out, since the proposal is the list of
// them; working them out for every product and lot took most of the time.
//
// A product that holds none of the step's active ingredients is refused for that,
// whatever its label says and whatever was applied before. It is asked about no
// further than what it holds, the law and who applies it.
func (o *Option) verdicts(a rules.Application, past past) ([]rules.Verdict, error) {
	if !o.OfTheStep {
		verdicts, err := past.none.Check(unlabelled(a, o.Product))
		return slices.DeleteFunc(verdicts, func(v rules.Verdict) bool { return !slices.Contains(productRules, v.Rule) }), err
	}
	asked := o.Application
	if a.Candidates != nil {
		asked.Candidates = slices.DeleteFunc(slices.Clone(a.Candidates), func(id string) bool { return !holds(o.Product, id) })
	}
	return past.index.Check(asked)
}

// productRules ask about nothing but the product, the law and who applies it.
var productRules = append(rules.PeopleRules(),
	rules.RuleStepCandidate, rules.RuleWorksOnClass, rules.RuleRegistrationExpired, rules.RuleRegistrationPlace, rules.RuleActiveApproval)

// unlabelled is an application of a product that the engine is quickly done with:
// in one house, without lots and without the label's directions.
func unlabelled(a rules.Application, product products.Product) rules.Application {
	a.Lots = nil
	a.Treatments = slices.Clone(a.Treatments[:min(1, len(a.Treatments))])
	product.Directions = nil
	for i := range a.Treatments {
		a.Treatments[i].Lines = []rules.Line{{Field: lineField(a.Treatments[i]), Product: product}}
	}
	return a
}

// buy makes an option one that must be bought: it is filled without what the store
// holds, and nothing is said against it that buying mends.
func (o *Option) buy() {
	o.Enough = false
	o.Verdicts = slices.DeleteFunc(o.Verdicts, func(v rules.Verdict) bool { return slices.Contains(storeRules, v.Rule) })
	for i := range o.Application.Treatments {
		for k := range o.Application.Treatments[i].Lines {
			o.Application.Treatments[i].Lines[k].Store = rules.Store{}
		}
	}
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
			return holds(option.Product, id)
		})
		if !held && mayBeBought(a, past, id) {
			ids = append(ids, id)
		}
	}
	return ids
}

// mayBeBought asks whether an active ingredient works, is approved on the day, and
// would be refused by no rule of rotation or of what must be kept apart.
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
	a.Candidates = nil
	filled := fill(a, past.uses, Stocked{Product: alone}).Application
	verdicts, err := past.index.RotationVerdicts(filled)
	if err != nil {
		return false
	}
	apart, err := past.index.IntervalVerdicts(filled)
	if err != nil || len(rules.Refusals(apart)) > 0 {
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
		if holds(product, id) {
			return i
		}
	}
	return len(candidates)
}

// holds reports whether a product holds an active ingredient.
func holds(product products.Product, id string) bool {
	return slices.ContainsFunc(product.Contents, func(c products.Content) bool { return c.ActiveIngredient == id })
}

// ordinal writes a place in a list as people say it.
func ordinal(place int) string {
	names := []string{"first", "second", "third", "fourth", "fifth", "sixth"}
	if place < len(names) {
		return names[place]
	}
	return fmt.Sprintf("number %d", place+1)
}
