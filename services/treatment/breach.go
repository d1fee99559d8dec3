package treatment

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	identityv1 "velamen/gen/velamen/identity/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/treatment/rules"
)

// recordBreach records chemical that was really applied though a rule forbids it,
// or while no step was open for it. What happened must be in the record; it
// confirms no step, and counts in every rule from then on.
func (s *Service) recordBreach(ctx context.Context, tx pgx.Tx, request *treatmentv1.RecordBreachRequest, caller rpc.Principal) (*treatmentv1.Application, error) {
	w, err := s.proposed(ctx, tx, request.GetParent(), "application", request.GetApplication(), caller.Person)
	if err != nil {
		return nil, err
	}
	w.end, w.recorder = clock.Stored(request.GetEndTime().AsTime()), caller.Person
	if err := checkSpan("application.start_time", "end_time", request.GetApplication().GetStartTime(), request.GetEndTime(), s.db.Clock()); err != nil {
		return nil, err
	}
	if err := checkTreatments(w.path, w.method, w.treatments, w.conditions); err != nil {
		return nil, err
	}
	a := &application{nursery: w.nursery, breachNote: request.GetNote()}
	if a.program, err = breachProgram(ctx, tx, w.nursery, request.GetProgram()); err != nil {
		return nil, err
	}
	if err := lockApplications(ctx, tx, w.nursery); err != nil {
		return nil, err
	}
	facts, history, err := readFacts(ctx, tx, w)
	if err != nil {
		return nil, err
	}
	if a.verdicts, err = rules.Check(facts, history); err != nil {
		return nil, err
	}
	number, err := nextApplicationNumber(ctx, tx, w.nursery)
	if err != nil {
		return nil, err
	}
	a.id = fmt.Sprintf("breach-%d", number)
	if err := s.enterApplication(ctx, tx, a, w, facts, usedIn{}); err != nil {
		return nil, err
	}
	a.kept = verdictsContract(a.nursery, worthKeeping(a.verdicts))
	return a.contract(), nil
}

// breachProgram returns the id of the program that a breach was meant for.
func breachProgram(ctx context.Context, r postgres.Reader, nursery, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	ids, err := resource.Parse("program", name, "nurseries", "programs")
	if err != nil {
		return "", err
	}
	p, err := readProgram(ctx, r, nursery, ids[1], false)
	if err != nil {
		return "", err
	}
	return p.id, nil
}

// proposed reads an application that somebody thinks of, or made outside a step. Path is
// where it stands in the request.
func (s *Service) proposed(ctx context.Context, r postgres.Reader, parent, path string, message *treatmentv1.ProposedApplication, caller string) (work, error) {
	ids, err := resource.Parse("parent", parent, "nurseries")
	if err != nil {
		return work{}, err
	}
	disorder, known := diagnosis.DisorderByID(message.GetDisorder())
	if !known {
		return work{}, unknownDisorder(path+".disorder", message.GetDisorder())
	}
	w := work{
		nursery: ids[0], path: path, method: message.GetMethod(), disorder: disorder.ID, class: disorder.Class,
		treatments: message.GetTreatments(), conditions: message.GetConditions(), performerField: path + ".applicator",
		start: clock.Stored(message.GetStartTime().AsTime()),
	}
	for i, name := range message.GetLots() {
		lot, err := resource.Parse(fmt.Sprintf("%s.lots[%d]", path, i), name, "nurseries", "lots")
		if err != nil {
			return work{}, err
		}
		w.lots = append(w.lots, lot[1])
	}
	w.performer, err = applicator(ctx, r, ids[0], path+".applicator", message.GetApplicator(), caller)
	return w, err
}

// applicator returns who applies chemical: the caller unless another is named. An
// auditor applies none.
func applicator(ctx context.Context, r postgres.Reader, nursery, field, name, caller string) (identity.Person, error) {
	if name == "" {
		return identity.ReadPerson(ctx, r, nursery, caller)
	}
	ids, err := resource.Parse(field, name, "nurseries", "people")
	if err != nil {
		return identity.Person{}, err
	}
	person, err := identity.ReadPerson(ctx, r, nursery, ids[1])
	if err == nil && person.Role == identityv1.Role_ROLE_AUDITOR {
		err = fault.Field(field, "%s audits and does no work in the nursery", person.DisplayName).With("person", person.ID)
	}
	return person, err
}
