package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// appliedStep is what became of the application of a step.
type appliedStep struct {
	// name of the application.
	name      string
	verdicts  []rules.Verdict
	overrides []*treatmentv1.Override
}

// apply holds the application of a confirmation to the rules, records it, and
// sends it to the ledger and the chemical store.
func (s *Service) apply(ctx context.Context, tx pgx.Tx, p *program, lots []string, step Step, performer identity.Person, c confirming) (appliedStep, error) {
	if err := lockApplications(ctx, tx, p.nursery); err != nil {
		return appliedStep{}, err
	}
	used, err := readGroups(ctx, tx, p.nursery, []string{p.id})
	if err != nil {
		return appliedStep{}, err
	}
	before := used.before(p.id, step)
	w := work{
		nursery: p.nursery, path: c.path, method: methodOf(step.Kind), disorder: p.disorder, class: p.disorderClass,
		lots: lots, treatments: c.confirmation.GetTreatments(), conditions: c.confirmation.GetConditions(),
		start: clock.Stored(c.confirmation.GetStartTime().AsTime()), end: clock.Stored(c.confirmation.GetEndTime().AsTime()),
		performer: performer, performerField: c.path + ".performer", recorder: c.caller.Person, roundBefore: before,
		candidates: p.templateStep(step.Key).GetCandidateActiveIngredients(),
	}
	if w.supervisor, err = supervisor(ctx, tx, p.nursery, c.path+".supervisor", c.confirmation.GetSupervisor(), performer); err != nil {
		return appliedStep{}, err
	}
	if w.isolatedIn, w.isolatedOn, err = isolatedIn(ctx, tx, p); err != nil {
		return appliedStep{}, err
	}
	facts, history, err := readFacts(ctx, tx, w)
	if err != nil {
		return appliedStep{}, err
	}
	if err := checkSupervisor(facts, w); err != nil {
		return appliedStep{}, err
	}
	if err := checkSpeaker(facts, performer, c.caller); err != nil {
		return appliedStep{}, err
	}
	verdicts, err := rules.Check(facts, history)
	if err != nil {
		return appliedStep{}, err
	}
	overrides, err := settle(verdicts, c)
	if err != nil {
		return appliedStep{}, err
	}
	a := &application{
		nursery: p.nursery, id: fmt.Sprintf("%s-%s-%d", p.id, step.ID(), step.Attempts+1), program: p.id, step: step.ID(),
		verdicts: verdicts, overrides: overrides,
	}
	err = s.enterApplication(ctx, tx, a, w, facts, usedIn{step: step.Key, round: step.Round})
	return appliedStep{name: a.name(), verdicts: verdicts, overrides: overrides}, err
}

// isolatedIn returns the house and the bench that the lots of a program were last set
// apart on; empty when they were not.
func isolatedIn(ctx context.Context, r postgres.Reader, p *program) (house, bench string, err error) {
	confirmations, err := readConfirmations(ctx, r, p)
	if err != nil {
		return "", "", err
	}
	for _, event := range slices.Backward(confirmations) {
		if event.confirmation.GetBench() == "" {
			continue
		}
		ids, err := resource.Parse("bench", event.confirmation.GetBench(), "nurseries", "houses", "benches")
		if err != nil {
			return "", "", err
		}
		return ids[1], ids[2], nil
	}
	return "", "", nil
}

// checkSpeaker refuses a worker who confirms a restricted-use product in another's
// name.
func checkSpeaker(facts rules.Application, performer identity.Person, caller rpc.Principal) error {
	if caller.Role != identityv1.Role_ROLE_WORKER || caller.Person == performer.ID {
		return nil
	}
	restricted := slices.ContainsFunc(facts.Treatments, func(treatment rules.Treatment) bool {
		return slices.ContainsFunc(treatment.Lines, func(line rules.Line) bool { return line.Product.RestrictedUse })
	})
	if !restricted {
		return nil
	}
	return fault.New(fault.Denied, fault.PermissionDenied,
		"the mix has a restricted-use product: %s, who applied it, or a manager confirms it", performer.DisplayName).With("person", performer.ID)
}

// usedIn is the step and round that the groups of an application count in; zero
// for a breach.
type usedIn struct {
	step  string
	round int
}

// enterApplication writes an application with all that is counted of it, and sends
// it to the ledger and the chemical store.
func (s *Service) enterApplication(ctx context.Context, tx pgx.Tx, a *application, w work, facts rules.Application, in usedIn) error {
	mix, err := factsOf(facts)
	if err != nil {
		return err
	}
	a.method, a.disorder, a.treatments, a.lots, a.conditions = w.method, w.disorder, w.treatments, lotIDs(facts.Lots), w.conditions
	a.start, a.end, a.applicator, a.created = w.start, w.end, w.performer.ID, s.db.Now()
	if !mix.restrictedEntryInterval.IsZero() {
		a.reiHours = mix.restrictedEntryInterval.Plain()
	}
	if err := insertApplication(ctx, tx, a, in.step, in.round, mix.groups); err != nil {
		return err
	}
	if err := insertFacts(ctx, tx, a, facts); err != nil {
		return err
	}
	if err := s.beginAirings(ctx, tx, a, w.path, w.recorder); err != nil {
		return err
	}
	if err := s.sendToLedger(ctx, tx, a, mix, w, facts); err != nil {
		return err
	}
	return s.takeFromStore(ctx, tx, a, facts)
}

// sendToLedger writes the application with all the facts of the day to the
// outbox. The nursery is the subject, so that its ledger keeps the order.
func (s *Service) sendToLedger(ctx context.Context, tx pgx.Tx, a *application, mix mixFacts, w work, facts rules.Application) error {
	day := w.start.In(facts.Zone).Format(time.DateOnly)
	event := ApplicationConfirmed{
		Application: a.name(), Disorder: a.disorder, Breach: a.breachNote,
		Method: products.MethodText(a.method), Start: a.start, End: a.end,
		Applicator:              resource.Of("nurseries", a.nursery, "people", w.performer.ID),
		ApplicatorDisplayName:   w.performer.DisplayName,
		ApplicatorCertificate:   validCertificate(w.performer, day),
		RestrictedEntryInterval: mix.restrictedEntryInterval,
	}
	if a.step != "" {
		event.Step = stepName(a.nursery, a.program, a.step)
	}
	if w.supervisor != nil {
		event.Supervisor = &SupervisorApplied{
			Person: resource.Of("nurseries", a.nursery, "people", w.supervisor.ID), DisplayName: w.supervisor.DisplayName,
			Certificate: validCertificate(*w.supervisor, day),
		}
	}
	event.Overrides, event.BreachRules = overridesApplied(a), breachRules(a)
	where, err := readTreatedPlaces(ctx, tx, a, w)
	if err != nil {
		return err
	}
	for i, treatment := range facts.Treatments {
		applied, err := houseApplied(a.nursery, treatment, w.treatments[i], where)
		if err != nil {
			return err
		}
		event.Houses = append(event.Houses, applied)
	}
	return s.outbox.Write(ctx, tx, TopicApplicationConfirmed, a.nursery, resource.Of("nurseries", a.nursery), event)
}

// houseApplied returns what was applied in one house, with what the house was on the day.
// said is the treatment as it was confirmed.
func houseApplied(nursery string, treatment rules.Treatment, said *treatmentv1.HouseTreatment, where treatedPlaces) (HouseApplied, error) {
	lots := where.lotsIn(treatment.House)
	applied := HouseApplied{
		House: resource.Of("nurseries", nursery, "houses", treatment.House), Area: treatment.Area, MixVolume: treatment.MixVolume,
		Crops: crops(lots), CropCodes: cropCodes(lots), Benches: where.benchesIn(treatment.House),
		Plants: treatment.Plants, GrowthStage: said.GetGrowthStage(), Form: formWord(said.GetForm()), Droplets: dropletsWord(said.GetDroplets()),
	}
	applied.describe(where.houses[treatment.House])
	for _, line := range treatment.Lines {
		product, err := productApplied(nursery, line)
		if err != nil {
			return HouseApplied{}, err
		}
		applied.Products = append(applied.Products, product)
	}
	return applied, nil
}

func productApplied(nursery string, line rules.Line) (ProductApplied, error) {
	applied := ProductApplied{
		Product:     resource.Of("nurseries", nursery, "products", line.Product.ID),
		DisplayName: line.Product.DisplayName, RegistrationNumber: line.Product.RegistrationNumber,
		RestrictedUse: line.Product.RestrictedUse, Amount: line.Amount,
		SafetyDataSheet: line.Product.SafetyDataSheet,
		TimeLimited:     answerWord(line.Product.TimeLimited), StageLimited: answerWord(line.Product.StageLimited),
	}
	actives, err := line.Product.ActivesIn(line.Amount)
	if err != nil {
		return ProductApplied{}, fault.Field(line.Field+".amount", "%s", err)
	}
	for _, active := range actives {
		applied.Actives = append(applied.Actives, ActiveApplied{
			ActiveIngredient: active.ActiveIngredient.ID, FRACCode: active.ActiveIngredient.FRACCode,
			Content: active.Content, Amount: active.Amount,
		})
	}
	return applied, nil
}

// takeFromStore has the chemical store take out what was used.
func (s *Service) takeFromStore(ctx context.Context, tx pgx.Tx, a *application, facts rules.Application) error {
	taken := products.Taken{Application: a.name(), Person: resource.Of("nurseries", a.nursery, "people", a.applicator), Time: a.end}
	for _, treatment := range facts.Treatments {
		for _, line := range treatment.Lines {
			name := resource.Of("nurseries", a.nursery, "products", line.Product.ID)
			from := products.TakenLine{Product: name, Amount: line.Amount}
			if line.Store.Named != "" {
				from.Container = resource.Of("nurseries", a.nursery, "products", line.Product.ID, "containers", line.Store.Named)
			}
			taken.Lines = append(taken.Lines, from)
		}
	}
	return s.outbox.Write(ctx, tx, products.TopicUse, a.nursery, resource.Of("nurseries", a.nursery), taken)
}

// verdictContract returns a verdict as the contract carries it.
func verdictContract(nursery string, v rules.Verdict) *treatmentv1.Verdict {
	message := &treatmentv1.Verdict{
		Rule: v.Rule, Outcome: treatmentv1.Outcome(v.Outcome), Message: v.Message, Source: v.Source,
		EarliestTime: timestamp(v.Earliest), Alternatives: v.Alternatives, Overridable: v.Overridable,
	}
	if v.Product != "" {
		message.Product = resource.Of("nurseries", nursery, "products", v.Product)
	}
	for _, number := range v.Numbers {
		message.Numbers = append(message.Numbers, &treatmentv1.Number{Name: number.Name, Value: number.Value})
	}
	return message
}

func verdictsContract(nursery string, verdicts []rules.Verdict) []*treatmentv1.Verdict {
	messages := make([]*treatmentv1.Verdict, len(verdicts))
	for i, v := range verdicts {
		messages[i] = verdictContract(nursery, v)
	}
	return messages
}

// worthKeeping are the verdicts that an application keeps: those that were not a
// plain pass.
func worthKeeping(verdicts []rules.Verdict) []rules.Verdict {
	return slices.DeleteFunc(slices.Clone(verdicts), func(v rules.Verdict) bool { return v.Outcome == rules.Pass })
}
