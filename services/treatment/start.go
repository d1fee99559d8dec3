package treatment

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
)

// begin starts the program of a case. Steps that were done before are entered
// through the same checks as any confirmation, in the order in which they were
// done; when one breaks a rule nothing is entered.
func (s *Service) begin(ctx context.Context, tx pgx.Tx, request *treatmentv1.CreateProgramRequest, caller rpc.Principal) (*treatmentv1.Program, error) {
	parent, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	o, template, err := startsFrom(ctx, tx, parent[0], request)
	if err != nil {
		return nil, err
	}
	found, err := diagnosis.ReadDiagnosis(ctx, tx, o.nursery, o.diagnosis)
	if err != nil {
		return nil, err
	}
	if !slices.Contains(template.GetDisorders(), found.Disorder) {
		return nil, fault.Field("template", "%s is not for %s", template.GetDisplayName(), found.Disorder).
			With("template", request.GetTemplate()).With("disorder", found.Disorder)
	}
	p := &program{
		nursery: o.nursery, id: fmt.Sprintf("p-%d", o.number), number: o.number, outbreak: o.id, template: template,
		plan: PlanOf(template), disorder: found.Disorder, disorderClass: found.Class, created: s.db.Now(),
	}
	if err := s.enterStart(ctx, tx, p, request.GetCompletedSteps(), caller); err != nil {
		return nil, err
	}
	if err := setOutbreakState(ctx, tx, o.nursery, o.id, treatmentv1.CaseState_CASE_STATE_IN_PROGRAM); err != nil {
		return nil, err
	}
	for i, completed := range request.GetCompletedSteps() {
		if err := s.enterCompleted(ctx, tx, p, o.lots, i, completed, caller); err != nil {
			return nil, err
		}
	}
	if err := updateProgram(ctx, tx, p); err != nil {
		return nil, err
	}
	if err := s.outbox.Write(ctx, tx, TopicProgramStarted, p.nursery, p.name(), ProgramStarted{Program: p.id}); err != nil {
		return nil, err
	}
	return s.whole(ctx, tx, p, o.lots)
}

func startsFrom(ctx context.Context, tx pgx.Tx, nursery string, request *treatmentv1.CreateProgramRequest) (*outbreak, *treatmentv1.Template, error) {
	caseIDs, err := resource.Parse("case", request.GetCase(), "nurseries", "cases")
	if err != nil {
		return nil, nil, err
	}
	templateIDs, err := resource.Parse("template", request.GetTemplate(), "nurseries", "templates")
	if err != nil {
		return nil, nil, err
	}
	o, err := readOutbreak(ctx, tx, nursery, caseIDs[1], true)
	if err != nil {
		return nil, nil, err
	}
	if o.state != treatmentv1.CaseState_CASE_STATE_OPEN {
		return nil, nil, fault.FieldReason(fault.Precondition, fault.ProgramState, "case", "case %s has a program already", o.id).
			With("case", o.name())
	}
	template, err := readTemplate(ctx, tx, nursery, templateIDs[1])
	return o, template, err
}

// enterStart writes the first event. A program with steps done before began when
// the first of them began.
func (s *Service) enterStart(ctx context.Context, tx pgx.Tx, p *program, completed []*treatmentv1.CompletedStep, caller rpc.Principal) error {
	at := s.db.Now()
	if len(completed) > 0 {
		if err := CheckTimes("completed_steps[0].confirmation", completed[0].GetConfirmation(), s.db.Clock()); err != nil {
			return err
		}
		at = clock.Stored(completed[0].GetConfirmation().GetStartTime().AsTime())
	}
	event := Event{Sequence: 1, Kind: EventStarted, At: at}
	state, err := Apply(p.plan, State{}, event)
	if err != nil {
		return err
	}
	p.state = state
	if err := insertProgram(ctx, tx, p); err != nil {
		return err
	}
	return insertEvent(ctx, tx, p.nursery, p.id, record{Event: event, person: caller.Person, created: s.db.Now()})
}

func (s *Service) enterCompleted(ctx context.Context, tx pgx.Tx, p *program, lots []string, i int, completed *treatmentv1.CompletedStep, caller rpc.Principal) error {
	path := fmt.Sprintf("completed_steps[%d]", i)
	step, ok := p.current(completed.GetKey())
	if !ok {
		return fault.Field(path+".key", "the template has no step %q that can be done now", completed.GetKey()).With("key", completed.GetKey())
	}
	_, err := s.enter(ctx, tx, p, lots, confirming{path: path + ".confirmation", step: step.ID(), confirmation: completed.GetConfirmation(), caller: caller})
	return err
}

// current returns the step with a key in the newest round that has it.
func (p *program) current(key string) (Step, bool) {
	for i := len(p.state.Steps) - 1; i >= 0; i-- {
		if p.state.Steps[i].Key == key {
			return p.state.Steps[i], true
		}
	}
	return Step{}, false
}
