package treatment

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

// PlannedStep is a step of a program that can be planned: one that is ready, or one
// that waits only for steps that can be planned too.
type PlannedStep struct {
	// Name is the step's, Title what is done, as the template has it.
	Name, Title string
	Kind        Kind
	// Disorder and Class are what the program is against; Risk says from 1 to 10 how
	// fast it spreads.
	Disorder string
	Class    diagnosisv1.DisorderClass
	Risk     int
	// Lots of the program with plants, what was split off them included, by id.
	Lots []stock.Lot
	// Open, Due and Overdue follow from what is done already; zero for a step that
	// waits only for others.
	Open, Due, Overdue time.Time
	// After are the intervals from other planned steps.
	After []PlannedAfter
	// Product is what is applied; nil for a step that applies nothing, and where
	// Refused says why no product will do.
	Product *PlannedProduct
	Refused string
}

// PlannedAfter is an interval from the end of another planned step.
type PlannedAfter struct {
	// Step is its name.
	Step          string
	Min, Due, Max time.Duration
}

// ReadPlannedSteps returns the steps of all programs of a nursery that can begin
// before a moment, by program and in the order of its template. applicators are the
// people who may apply chemical: a product that asks for a certificate passes when
// one of them holds it. Each product is chosen as ProposeProducts ranks them, for
// when the step can be done at the earliest, and with what is chosen for the steps
// before it.
func ReadPlannedSteps(ctx context.Context, r postgres.Reader, nursery string, now, until time.Time, applicators []identity.Person) ([]PlannedStep, error) {
	f, err := readPlannedFacts(ctx, r, nursery, now)
	if err != nil {
		return nil, err
	}
	var steps []PlannedStep
	for _, p := range f.programs {
		lots := f.lotsOf[p.id]
		if len(lots) == 0 {
			continue
		}
		planned, err := f.stepsOf(p, lots, until, crew(applicators))
		if err != nil {
			return nil, err
		}
		steps = append(steps, planned...)
	}
	return steps, nil
}

// plannedFacts is what all steps of a nursery are planned with, read once.
type plannedFacts struct {
	nursery  identity.Nursery
	now      time.Time
	programs []*program
	// lotsOf are the lots with plants of each program, by id.
	lotsOf       map[string][]stock.Lot
	houses       map[string]stock.House
	benches      map[stock.BenchID]stock.Bench
	groups       groupsUsed
	restrictions []stock.Restriction
	history      rules.History
	stocked      []proposal.Stocked
}

func readPlannedFacts(ctx context.Context, r postgres.Reader, nursery string, now time.Time) (*plannedFacts, error) {
	f := &plannedFacts{now: now, lotsOf: map[string][]stock.Lot{}, houses: map[string]stock.House{}, benches: map[stock.BenchID]stock.Bench{}}
	var err error
	if f.nursery, err = identity.ReadNursery(ctx, r, nursery); err != nil {
		return nil, err
	}
	if f.programs, err = readActivePrograms(ctx, r, nursery); err != nil {
		return nil, err
	}
	if err := f.readLots(ctx, r); err != nil {
		return nil, err
	}
	houses, err := stock.ReadHouses(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	for _, house := range houses {
		f.houses[house.ID] = house
	}
	benches, err := stock.ReadBenches(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	for _, bench := range benches {
		f.benches[stock.BenchID{House: bench.House, Bench: bench.ID}] = bench
	}
	f.stocked, err = readStocked(ctx, r, nursery, nil, now.In(f.nursery.Zone).Format(time.DateOnly))
	return f, err
}

// readLots reads the lots of the programs and what they were treated with.
func (f *plannedFacts) readLots(ctx context.Context, r postgres.Reader) error {
	stocked, err := stock.ReadStocked(ctx, r, f.nursery.ID)
	if err != nil {
		return err
	}
	byCase, err := readLotsOfCases(ctx, r, f.nursery.ID)
	if err != nil {
		return postgres.Translate(err)
	}
	var programs []string
	all := map[string]bool{}
	for _, p := range f.programs {
		programs = append(programs, p.id)
		holding := (&outbreak{nursery: p.nursery, id: p.outbreak}).name()
		for _, lot := range stocked {
			if byCase[p.outbreak][lot.ID] || lot.HoldingCase == holding {
				f.lotsOf[p.id] = append(f.lotsOf[p.id], lot)
				all[lot.ID] = true
			}
		}
	}
	if f.groups, err = readGroups(ctx, r, f.nursery.ID, programs); err != nil {
		return postgres.Translate(err)
	}
	ids := slices.Sorted(maps.Keys(all))
	if f.restrictions, err = stock.ReadRestrictions(ctx, r, f.nursery.ID, ids); err != nil {
		return err
	}
	f.history, err = readHistory(ctx, r, f.nursery.ID, ids)
	return err
}

// readActivePrograms returns the programs whose steps are done, by number.
func readActivePrograms(ctx context.Context, r postgres.Reader, nursery string) ([]*program, error) {
	rows, err := r.Query(ctx, `
		SELECT `+programColumns+` FROM treatment.program
		WHERE nursery = $1 AND status IN ('RUNNING', 'GIVEN_UP') ORDER BY number`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*program, error) { return scanProgram(row) })
	return found, postgres.Translate(err)
}

// readLotsOfCases returns the ids of the lots that are in each case now.
func readLotsOfCases(ctx context.Context, r postgres.Reader, nursery string) (map[string]map[string]bool, error) {
	rows, err := r.Query(ctx, `SELECT outbreak, lot FROM treatment.outbreak_lot WHERE nursery = $1 AND left_time IS NULL`, nursery)
	if err != nil {
		return nil, err
	}
	lots := map[string]map[string]bool{}
	var of, lot string
	_, err = pgx.ForEachRow(rows, []any{&of, &lot}, func() error {
		if lots[of] == nil {
			lots[of] = map[string]bool{}
		}
		lots[of][lot] = true
		return nil
	})
	return lots, err
}

// stepsOf returns the steps of a program that can begin before a moment.
func (f *plannedFacts) stepsOf(p *program, lots []stock.Lot, until time.Time, by identity.Person) ([]PlannedStep, error) {
	found := comings(p.plan, p.state, f.now, until)
	steps := make([]PlannedStep, len(found))
	order := make([]int, len(found))
	for i, c := range found {
		order[i] = i
		steps[i] = PlannedStep{
			Name: stepName(p.nursery, p.id, c.step.ID()), Title: p.templateStep(c.step.Key).GetTitle(), Kind: c.step.Kind,
			Disorder: p.disorder, Class: p.disorderClass, Risk: riskOf(p.disorder), Lots: lots,
			Open: c.open, Due: c.due, Overdue: c.overdue,
		}
		for _, after := range c.after {
			steps[i].After = append(steps[i].After, PlannedAfter{
				Step: stepName(p.nursery, p.id, after.step), Min: after.Min, Due: after.Due, Max: after.Max,
			})
		}
	}
	// What is applied first decides on what may be applied next.
	slices.SortStableFunc(order, func(a, b int) int { return found[a].earliest.Compare(found[b].earliest) })
	for _, i := range order {
		if !Applies(found[i].step.Kind) {
			continue
		}
		if err := f.chooseFor(p, found[i], &steps[i], until, by); err != nil {
			return nil, err
		}
	}
	return steps, nil
}

// chooseFor gives a step its product, and its lots and the store what follows from it.
func (f *plannedFacts) chooseFor(p *program, c coming, step *PlannedStep, until time.Time, by identity.Person) error {
	application, err := f.application(p, c.step, step.Lots, c.earliest, time.Time{}, by)
	if err != nil {
		return err
	}
	picked, err := choose(application, f.historyOf(step.Lots), f.stocked, until)
	if err != nil {
		return err
	}
	if picked.why != "" {
		step.Refused = picked.why
		return nil
	}
	step.Product = &picked.product
	f.take(picked.application)
	return addPast(f.history, "planned "+step.Name, picked.application, picked.application.Start)
}

// take takes what an application needs out of the store.
func (f *plannedFacts) take(application rules.Application) {
	for _, treatment := range application.Treatments {
		for _, line := range treatment.Lines {
			f.stocked = takenOut(f.stocked, line.Product.ID, line.Amount)
		}
	}
}

// historyOf returns what some lots were treated with, in a map of its own.
func (f *plannedFacts) historyOf(lots []stock.Lot) rules.History {
	of := rules.History{}
	for _, lot := range lots {
		if past, treated := f.history[lot.ID]; treated {
			of[lot.ID] = past
		}
	}
	return of
}

// application is a step as it would be done at a time, without its products.
func (f *plannedFacts) application(p *program, step Step, lots []stock.Lot, start, end time.Time, by identity.Person) (rules.Application, error) {
	treatments, err := plantedIn(lots, f.houses, f.benches)
	if err != nil {
		return rules.Application{}, err
	}
	application := rules.Application{
		Start: start, End: end, Zone: f.nursery.Zone, Jurisdiction: f.nursery.Jurisdiction, Method: methodOf(step.Kind),
		Disorder: p.disorder, Class: p.disorderClass, Treatments: treatments,
		Candidates: p.templateStep(step.Key).GetCandidateActiveIngredients(), RoundBefore: f.groups.before(p.id, step),
		Applicator: rules.ApplicatorOf(by),
	}
	held := maskingOf(f.restrictions, start, start)
	for _, lot := range lots {
		application.Lots = append(application.Lots, rules.Lot{
			ID: lot.ID, BotanicalName: lot.BotanicalName, House: lot.House, Plants: lot.Plants, OfficialHolds: held[lot.ID],
		})
	}
	return application, nil
}

// PlannedApplication is an application as a plan has it.
type PlannedApplication struct {
	// Step and Product are names.
	Step, Product string
	// Start and End of the work, UTC.
	Start, End time.Time
	// Applicator is who applies it.
	Applicator identity.Person
}

// PlannedRefusal is what the rules say against a planned application.
type PlannedRefusal struct {
	// Step is its name.
	Step string
	// Text says why, as sentences.
	Text string
	// Until is when the rules would let it pass; zero when waiting does not help.
	Until time.Time
}

// CheckPlanned holds planned applications to every rule, each at its start, by who
// applies it, after all that was applied to its lots and all that is planned before
// it, and with what those leave in the store. It returns the refusals by start. A
// step that is no longer there, or cannot be done any more, is refused too.
func CheckPlanned(ctx context.Context, r postgres.Reader, nursery string, now time.Time, planned []PlannedApplication) ([]PlannedRefusal, error) {
	f, err := readPlannedFacts(ctx, r, nursery, now)
	if err != nil {
		return nil, err
	}
	planned = slices.Clone(planned)
	slices.SortFunc(planned, func(a, b PlannedApplication) int {
		return cmp.Or(a.Start.Compare(b.Start), strings.Compare(a.Step, b.Step))
	})
	var refused []PlannedRefusal
	for _, one := range planned {
		refusal, err := f.check(one)
		if err != nil {
			return nil, err
		}
		if refusal.Text != "" {
			refused = append(refused, refusal)
		}
	}
	return refused, nil
}

// check holds one application to the rules. What passes is counted for those after
// it; what is refused will stand elsewhere.
func (f *plannedFacts) check(one PlannedApplication) (PlannedRefusal, error) {
	refusal := PlannedRefusal{Step: one.Step}
	p, step, stocked, found := f.find(one)
	if !found {
		refusal.Text = "It is no longer a step that waits, or its product is not there any more."
		return refusal, nil
	}
	application, err := f.application(p, step, f.lotsOf[p.id], one.Start, one.End, one.Applicator)
	if err != nil {
		return refusal, err
	}
	application = withVolume(proposal.Fill(application, stocked), application).Application
	verdicts, err := rules.Check(application, f.historyOf(f.lotsOf[p.id]))
	if err != nil {
		return refusal, err
	}
	refusals := rules.Refusals(verdicts)
	if len(refusals) == 0 {
		f.take(application)
		return refusal, addPast(f.history, "planned "+one.Step, application, one.End)
	}
	var texts []string
	for _, verdict := range refusals {
		texts = append(texts, sentenceOf(verdict.Message))
	}
	refusal.Text = strings.Join(texts, " ")
	if until, ok := rules.EarliestPass(verdicts); ok && until.After(one.Start) {
		refusal.Until = until
	}
	return refusal, nil
}

// find returns the program, the step and the product of a planned application.
func (f *plannedFacts) find(one PlannedApplication) (*program, Step, proposal.Stocked, bool) {
	ids, err := resource.Parse("step", one.Step, "nurseries", "programs", "steps")
	if err != nil {
		return nil, Step{}, proposal.Stocked{}, false
	}
	named, err := resource.Parse("product", one.Product, "nurseries", "products")
	if err != nil {
		return nil, Step{}, proposal.Stocked{}, false
	}
	i := slices.IndexFunc(f.programs, func(p *program) bool { return p.id == ids[1] })
	k := slices.IndexFunc(f.stocked, func(s proposal.Stocked) bool { return s.Product.ID == named[1] })
	if i < 0 || k < 0 || len(f.lotsOf[ids[1]]) == 0 {
		return nil, Step{}, proposal.Stocked{}, false
	}
	step, ok := f.programs[i].state.Find(ids[2])
	if !ok || (step.Status != Ready && step.Status != Waiting) || !Applies(step.Kind) {
		return nil, Step{}, proposal.Stocked{}, false
	}
	return f.programs[i], step, f.stocked[k], true
}

// sentenceOf makes a sentence of what a rule says.
func sentenceOf(message string) string {
	if message == "" {
		return ""
	}
	message = strings.ToUpper(message[:1]) + message[1:]
	if !strings.HasSuffix(message, ".") {
		message += "."
	}
	return message
}
