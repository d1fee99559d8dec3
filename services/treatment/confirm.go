package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/stock"
)

// confirm records that a step was done. The program's row is locked, so that two
// people who confirm the same step do so one after the other, and the second is
// told that it was confirmed.
func (s *Service) confirm(ctx context.Context, tx pgx.Tx, request *treatmentv1.ConfirmStepRequest, caller rpc.Principal) (*treatmentv1.ConfirmStepResponse, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs", "steps")
	if err != nil {
		return nil, err
	}
	p, err := readProgram(ctx, tx, ids[0], ids[1], true)
	if err != nil {
		return nil, err
	}
	o, err := readOutbreak(ctx, tx, p.nursery, p.outbreak, false)
	if err != nil {
		return nil, err
	}
	entered, err := s.enter(ctx, tx, p, o.lots, confirming{
		path: "confirmation", step: ids[2], confirmation: request.GetConfirmation(), caller: caller,
	})
	if err != nil {
		return nil, err
	}
	if err := updateProgram(ctx, tx, p); err != nil {
		return nil, err
	}
	if err := s.advanced(ctx, tx, p, entered.event); err != nil {
		return nil, err
	}
	response := &treatmentv1.ConfirmStepResponse{
		Application: entered.applied.name, Verdicts: verdictsContract(p.nursery, entered.applied.verdicts), Release: entered.release,
	}
	if response.Program, err = s.whole(ctx, tx, p, o.lots); err != nil {
		return nil, err
	}
	i := slices.IndexFunc(response.GetProgram().GetSteps(), func(step *treatmentv1.Step) bool { return step.GetName() == request.GetName() })
	response.Step = response.GetProgram().GetSteps()[i]
	return response, nil
}

// confirming is a confirmation on its way in.
type confirming struct {
	// path is the confirmation's path in the request.
	path         string
	step         string
	confirmation *treatmentv1.Confirmation
	caller       rpc.Principal
}

// entered is what became of it.
type entered struct {
	event Event
	// applied is the application, for kinds of step that apply chemical.
	applied appliedStep
	// release is what the inspections show, for a release.
	release *treatmentv1.ReleaseAssessment
}

// enter checks a confirmation, writes its event and its application, and moves
// the program on in memory. The caller saves the program.
func (s *Service) enter(ctx context.Context, tx pgx.Tx, p *program, lots []string, c confirming) (entered, error) {
	if err := CheckTimes(c.path, c.confirmation, s.db.Clock()); err != nil {
		return entered{}, err
	}
	if err := p.state.CheckConfirmable(c.step, c.confirmation.GetStartTime().AsTime()); err != nil {
		return entered{}, localised(ctx, tx, p.nursery, err)
	}
	step, _ := p.state.Find(c.step)
	planned := p.templateStep(step.Key)
	if err := CheckProofs(c.path, step.Kind, planned.GetProofs(), c.confirmation); err != nil {
		return entered{}, err
	}
	if err := checkShown(ctx, tx, p.nursery, lots, c); err != nil {
		return entered{}, err
	}
	performer, err := applicator(ctx, tx, p.nursery, c.path+".performer", c.confirmation.GetPerformer(), c.caller.Person)
	if err != nil {
		return entered{}, err
	}
	result := entered{event: Event{
		Sequence: p.state.Sequence + 1, Kind: EventStepConfirmed, Step: c.step,
		Outcome: OutcomeOf(step.Kind, c.confirmation), At: clock.Stored(c.confirmation.GetEndTime().AsTime()),
	}}
	failed := result.event.Outcome == OutcomeFailed
	if step.Kind == release && failed {
		if err := checkSigns(planned, c); err != nil {
			return entered{}, err
		}
	}
	all, err := withParts(ctx, tx, p, lots)
	if err != nil {
		return entered{}, err
	}
	if err := checkMayWork(ctx, tx, p, all, step, performer, c); err != nil {
		return entered{}, err
	}
	if Applies(step.Kind) {
		if result.applied, err = s.apply(ctx, tx, p, all, step, performer, c); err != nil {
			return entered{}, err
		}
		c.confirmation = answeredFor(c.confirmation, result.applied.overrides)
	}
	statement := ""
	if step.Kind == release && !failed {
		assessment, overrides, err := checkReleased(ctx, tx, p, all, c)
		if err != nil {
			return entered{}, err
		}
		result.release, statement = assessment, assessment.GetStatement()
		c.confirmation = answeredFor(c.confirmation, overrides)
	}
	after, err := Apply(p.plan, p.state, result.event)
	if err != nil {
		return entered{}, err
	}
	p.state = after
	// The event names who said it; who did it stands in the confirmation.
	err = insertEvent(ctx, tx, p.nursery, p.id, record{
		Event: result.event, person: c.caller.Person, note: c.confirmation.GetNote(), confirmation: c.confirmation, created: s.db.Now(),
		statement: statement,
	})
	if err != nil {
		return entered{}, err
	}
	return result, s.follow(ctx, tx, p, lots, step, performer, c)
}

// checkSigns holds a release at which signs were seen to what the template says.
// It releases nothing, so nobody answers for anything.
func checkSigns(planned *treatmentv1.TemplateStep, c confirming) error {
	if len(c.confirmation.GetOverrides()) > 0 {
		return fault.Field(c.path+".overrides", "lots with signs are not released, so there is no rule to override")
	}
	if planned.GetOnFailure() == noRepeat {
		return fault.Field(c.path+".inspection.plants_affected",
			"lots with signs are not released, and this template does not say what happens then: give the program up, or treat the lots in a case of their own")
	}
	return nil
}

// withParts returns the lots of a program and what was split off them, which the
// case holds and frees with them: it is treated with them, and nothing that is
// shown of them is shown without it.
func withParts(ctx context.Context, r postgres.Reader, p *program, lots []string) ([]string, error) {
	held, err := stock.ReadHeld(ctx, r, p.nursery, (&outbreak{nursery: p.nursery, id: p.outbreak}).name())
	if err != nil {
		return nil, err
	}
	all := slices.Clone(lots)
	for _, lot := range held {
		if !slices.Contains(all, lot) {
			all = append(all, lot)
		}
	}
	return all, nil
}

// checkShown refuses photos that are none and inspections of more plants than there
// were.
func checkShown(ctx context.Context, tx pgx.Tx, nursery string, lots []string, c confirming) error {
	if len(c.confirmation.GetPhotos()) > 0 {
		if err := diagnosis.CheckPhotos(ctx, tx, nursery, c.confirmation.GetPhotos()); err != nil {
			return err
		}
	}
	return checkCounts(ctx, tx, nursery, lots, c)
}

// localised says in the nursery's own time when a step opens. The metadata keeps
// the moment in UTC.
func localised(ctx context.Context, tx pgx.Tx, nursery string, refusal error) error {
	f, ok := fault.As(refusal)
	if !ok || f.Values["earliest"] == "" {
		return refusal
	}
	earliest, err := time.Parse(time.RFC3339, f.Values["earliest"])
	if err != nil {
		return refusal
	}
	n, err := identity.ReadNursery(ctx, tx, nursery)
	if err != nil {
		return err
	}
	local := *f
	local.Message = fmt.Sprintf("step %s may not be done before %s", f.Values["step"], earliest.In(n.Zone).Format("2 January 2006 15:04 (UTC-07:00)"))
	return &local
}

// follow writes what a confirmation leads to elsewhere: the lots stand on the
// isolation bench, are free again, or are gone.
func (s *Service) follow(ctx context.Context, tx pgx.Tx, p *program, lots []string, step Step, performer identity.Person, c confirming) error {
	o := &outbreak{nursery: p.nursery, id: p.outbreak}
	at := clock.Stored(c.confirmation.GetEndTime().AsTime())
	person := resource.Of("nurseries", p.nursery, "people", performer.ID)
	if step.Kind == isolate {
		return s.isolateLots(ctx, tx, o, lots, c, stock.Isolate{Person: person, Time: at})
	}
	switch p.state.Status {
	case Released:
		return s.closeCase(ctx, tx, o, lots, treatmentv1.CaseState_CASE_STATE_RELEASED)
	case Discarded:
		err := s.outbox.Write(ctx, tx, stock.TopicDiscard, p.nursery, o.name(), stock.Discard{
			Lots: lotNames(p.nursery, lots), Person: person, Time: at,
			Note: fmt.Sprintf("discarded by program %s (%s)", p.id, p.disorder),
		})
		if err != nil {
			return err
		}
		return s.closeCase(ctx, tx, o, lots, treatmentv1.CaseState_CASE_STATE_DISCARDED)
	default:
		return nil
	}
}

func (s *Service) closeCase(ctx context.Context, tx pgx.Tx, o *outbreak, lots []string, state treatmentv1.CaseState) error {
	if err := s.letGo(ctx, tx, o, lots); err != nil {
		return err
	}
	return setOutbreakState(ctx, tx, o.nursery, o.id, state)
}

func (s *Service) isolateLots(ctx context.Context, tx pgx.Tx, o *outbreak, lots []string, c confirming, command stock.Isolate) error {
	ids, err := resource.Parse(c.path+".bench", c.confirmation.GetBench(), "nurseries", "houses", "benches")
	if err != nil {
		return err
	}
	bench, err := stock.ReadBench(ctx, tx, o.nursery, ids[1], ids[2])
	if err != nil {
		return err
	}
	if !bench.Isolation {
		return fault.FieldReason(fault.Precondition, fault.BenchNotIsolated, c.path+".bench",
			"bench %s in house %s is not an isolation bench", bench.ID, bench.House).With("bench", c.confirmation.GetBench())
	}
	if err := checkMayMove(ctx, tx, o.nursery, lots, bench, c.path+".bench"); err != nil {
		return err
	}
	command.Lots, command.Bench = lotNames(o.nursery, lots), c.confirmation.GetBench()
	return s.outbox.Write(ctx, tx, stock.TopicIsolate, o.nursery, o.name(), command)
}

// checkMayMove refuses to set lots apart elsewhere while an authority holds them:
// they are isolated where they stand.
func checkMayMove(ctx context.Context, tx pgx.Tx, nursery string, lots []string, to stock.Bench, field string) error {
	found, err := stock.ReadLots(ctx, tx, nursery, lots)
	if err != nil {
		return err
	}
	for _, lot := range found {
		if len(lot.OfficialHolds) == 0 || lot.Plants == 0 || (lot.House == to.House && lot.Bench == to.ID) {
			continue
		}
		duties := strings.Join(lot.OfficialHolds, ", ")
		return fault.FieldReason(fault.Precondition, fault.LotOfficiallyHeld, field,
			"lot %s is held by an authority (%s) and stays on bench %s of house %s until that ends", lot.ID, duties, lot.Bench, lot.House).
			With("lot", lot.ID).With("duties", duties)
	}
	return nil
}
