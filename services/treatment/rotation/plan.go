package rotation

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"velamen/internal/fault"
	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

// Request is what is to be planned.
type Request struct {
	// From and To are moments on the first and the last day; the days are those of the
	// application's zone.
	From, To time.Time
	// IntervalDays from one application to the next.
	IntervalDays int
	// Application is what each application would be, but for its time and products:
	// the place, the method and the disorder, the lots, and the houses with their
	// areas. Whoever applies it and the weather are not looked at.
	Application rules.Application
	// History is what the lots were treated with before.
	History rules.History
	// Products are those to choose from. What the store holds is not looked at.
	Products []proposal.Stocked
}

// Plan is a rotation, or why there is none.
type Plan struct {
	// Applications in order; none when it is impossible.
	Applications []Planned
	// Conflict is a set of limits that no sequence keeps together, where it is
	// impossible. Each of them is needed: without any one of them a sequence keeps the
	// rest of the set.
	Conflict []Limit
	// Smallest is true when it was shown that no conflict has fewer limits.
	Smallest bool
	// Irreducible is true when it was shown that each limit of the conflict is needed.
	// It is false only where the search ended before.
	Irreducible bool
	// Fewest is true when it was shown that no sequence has fewer applications at high
	// risk of resistance.
	Fewest bool
	// Preferred is true when it is the first in the order of preference of all that
	// have as few. Both are false only where the search ended before.
	Preferred bool
	// LeftOut are products that may be used on none of the days, by id.
	LeftOut []LeftOut
}

// Planned is one application of a rotation.
type Planned struct {
	// Time is when it would begin, on its day.
	Time    time.Time
	Product products.Product
	// Groups are the resistance groups in it.
	Groups []string
	// SameHour is true when it follows an application of the plan after exactly the
	// days that a label or a rule asks for: those count from the end of the work, so it
	// must not begin at an earlier hour than that one ended.
	SameHour bool
}

// Limit is a limit that bears on a rotation.
type Limit struct {
	// Rule is its identifier in package rules.
	Rule string
	// Message is a sentence with its numbers.
	Message string
	// Source is where it comes from.
	Source string
}

// LeftOut is a product that takes no part.
type LeftOut struct {
	// Product is its id.
	Product string
	// Reasons why, one sentence each.
	Reasons []string
}

// RuleNoProduct is the limit that is reported where no product may be used at all.
const RuleNoProduct = "no-product"

// mostApplications is how many applications a plan has at most: a year of weeks and
// some. The time to show that there is no rotation grows with every application as
// much as with every product, and the resistance rules look back one year at most,
// so that a longer season is as well planned in parts.
const mostApplications = 60

// mostCandidates is how many products a plan chooses among at most: what labels ask
// for between every two of them is worked out before the search, and nobody rotates
// more.
const mostCandidates = 100

// searchBudget is how many steps a search for a plan takes at most, and one for a
// conflict as many again: a second or two each. Almost every plan needs a few
// hundredths of it.
const searchBudget = 120_000_000

// Lay lays out a rotation. It returns a fault that names the field for days that
// are no period, and one when the search ended without a sequence and without a
// proof that there is none. It stops soon after the context ends, and returns its
// error.
func Lay(ctx context.Context, request Request) (Plan, error) { return lay(ctx, request, searchBudget) }

func lay(ctx context.Context, request Request, steps int) (Plan, error) {
	if request.Application.Zone == nil {
		request.Application.Zone = time.UTC
	}
	if err := check(request); err != nil {
		return Plan{}, err
	}
	q, left, err := newQuestion(ctx, request)
	if err != nil {
		return Plan{}, err
	}
	plan := Plan{LeftOut: left}
	if len(q.candidates) == 0 {
		plan.Conflict, plan.Smallest, plan.Irreducible = []Limit{noProduct(left)}, true, true
		return plan, nil
	}
	if len(q.candidates) > mostCandidates {
		return Plan{}, fault.Field("products", "%d products may be used; a rotation is planned among at most %d, name those", len(q.candidates), mostCandidates)
	}
	p, err := q.problem(ctx)
	if err != nil {
		return Plan{}, err
	}
	ended := func() bool { return ctx.Err() != nil }
	best, got := p.best(&budget{left: steps, ended: ended})
	if err := ctx.Err(); err != nil {
		return Plan{}, err
	}
	switch got {
	case found:
		plan.Fewest, plan.Preferred = best.fewest, best.preferred
		plan.Applications = q.planned(best.sequence)
		if err := q.verify(ctx, plan.Applications); err != nil {
			return Plan{}, err
		}
		return plan, q.markSameHour(ctx, plan.Applications)
	case impossible:
		conflict := p.conflict(&budget{left: steps, ended: ended})
		if err := ctx.Err(); err != nil {
			return Plan{}, err
		}
		plan.Smallest, plan.Irreducible = conflict.smallest, conflict.irreducible
		for _, index := range conflict.limits {
			plan.Conflict = append(plan.Conflict, p.limits[index].Limit)
		}
		return plan, nil
	default:
		return Plan{}, fault.Field("to_date",
			"the search ended early: no rotation was found, and it was not shown that there is none; plan fewer applications or name fewer products")
	}
}

// check refuses a period that is none.
func check(request Request) error {
	if len(request.Application.Lots) == 0 || len(request.Application.Treatments) == 0 {
		return fault.Field("house", "no lot stands in it")
	}
	if request.IntervalDays < 1 {
		return fault.Field("interval_days", "must be 1 or more")
	}
	slots := slotsOf(request)
	if len(slots) == 0 {
		return fault.Field("to_date", "must not be before the first day")
	}
	if len(slots) > mostApplications {
		return fault.Field("to_date", "a season has at most %d applications; plan it in parts", mostApplications)
	}
	return nil
}

func noProduct(left []LeftOut) Limit {
	limit := Limit{Rule: RuleNoProduct, Source: "the labels, the law, and what each product holds", Message: "no product may be used for it on any of the days"}
	for i, out := range left {
		if i == mostNamed {
			limit.Message += fmt.Sprintf("; and %d more", len(left)-i)
			break
		}
		limit.Message += fmt.Sprintf("; %s: %s", out.Product, strings.Join(out.Reasons, ", "))
	}
	return limit
}

// mostNamed is how many products a sentence names.
const mostNamed = 5

// problem makes the limits.
func (q *question) problem(ctx context.Context) (problem, error) {
	intervals, err := q.intervalLimits(ctx)
	if err != nil {
		return problem{}, err
	}
	p := problem{
		slots: q.calendar.slots(), products: len(q.candidates), before: q.order,
		limits: slices.Concat(q.groupLimits(), q.labelLimits(), intervals, q.daysLimits()),
	}
	p.limits = slices.DeleteFunc(p.limits, limit.idle)
	for _, one := range q.candidates {
		weight := 0
		if one.risk >= atHighRisk {
			weight = 1
		}
		p.weight = append(p.weight, weight)
	}
	return p, nil
}

func (q *question) planned(sequence []int) []Planned {
	plan := make([]Planned, len(sequence))
	for slot, product := range sequence {
		one := q.candidates[product]
		plan[slot] = Planned{Time: q.calendar.moment(slot), Product: one.product, Groups: one.use.Groups}
	}
	return plan
}

// verify runs every application of a plan through the rules engine, over the whole
// history and all that the plan has before it: no plan is given that has not passed.
func (q *question) verify(ctx context.Context, plan []Planned) error {
	history := rules.History{}
	for _, lot := range q.realLots {
		history[lot.ID] = slices.Clone(q.history[lot.ID])
	}
	for _, planned := range plan {
		if err := ctx.Err(); err != nil {
			return err
		}
		at := slices.IndexFunc(q.candidates, func(c candidate) bool { return c.product.ID == planned.Product.ID })
		application := q.candidates[at].at(planned.Time)
		application.Lots = q.realLots
		verdicts, err := rules.Check(application, history)
		if err != nil {
			return err
		}
		for _, verdict := range rules.Refusals(verdicts) {
			if !slices.Contains(notAskedRules, verdict.Rule) {
				return fmt.Errorf("the plan of %s on %s does not pass: %s", planned.Product.DisplayName,
					planned.Time.Format(time.DateOnly), verdict.Message)
			}
		}
		for _, lot := range q.realLots {
			history[lot.ID] = append(history[lot.ID], q.candidates[at].made(planned.Time))
		}
	}
	return nil
}

// markSameHour marks the applications of a plan that would be too close to one before
// if that one took until the end of its day.
func (q *question) markSameHour(ctx context.Context, plan []Planned) error {
	var made []rules.Past
	for i := range plan {
		if err := ctx.Err(); err != nil {
			return err
		}
		at := slices.IndexFunc(q.candidates, func(c candidate) bool { return c.product.ID == plan[i].Product.ID })
		verdicts, err := rules.IntervalVerdicts(q.candidates[at].at(plan[i].Time), q.everywhere(made))
		if err != nil {
			return err
		}
		plan[i].SameHour = slices.ContainsFunc(verdicts, keepsApart)
		year, month, day := plan[i].Time.In(q.zone).Date()
		late := q.candidates[at].made(plan[i].Time)
		late.End = time.Date(year, month, day, lastHour, 0, 0, 0, q.zone)
		made = append(made, late)
	}
	return nil
}

// lastHour is when work that takes all of its day ends.
const lastHour = 23

func byID(a, b proposal.Stocked) int { return strings.Compare(a.Product.ID, b.Product.ID) }
