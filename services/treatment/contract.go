package treatment

import (
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Caution stands on every step that applies chemical and on every restricted
// entry that is shown.
const Caution = "The product label and local law decide on dose, protective equipment and re-entry. Ask a licensed adviser first."

// timestamp returns a moment as the contract carries it; the zero time is absent.
func timestamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func (o *outbreak) contract() *treatmentv1.Case {
	message := &treatmentv1.Case{
		Name:       o.name(),
		Diagnosis:  resource.Of("nurseries", o.nursery, "diagnoses", o.diagnosis),
		Lots:       lotNames(o.nursery, o.lots),
		State:      o.state,
		CloseNote:  o.closeNote,
		CreateTime: timestamp(o.created),
	}
	if o.program != "" {
		message.Program = programName(o.nursery, o.program)
	}
	return message
}

func lotNames(nursery string, ids []string) []string {
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = resource.Of("nurseries", nursery, "lots", id)
	}
	return names
}

// contract returns the program without its steps.
func (p *program) contract(lots []string) *treatmentv1.Program {
	return &treatmentv1.Program{
		Name:          p.name(),
		Case:          resource.Of("nurseries", p.nursery, "cases", p.outbreak),
		Template:      p.template,
		DisorderClass: p.disorderClass,
		Lots:          lotNames(p.nursery, lots),
		State:         treatmentv1.ProgramState(treatmentv1.ProgramState_value["PROGRAM_STATE_"+string(p.state.Status)]),
		Round:         int32(p.state.Round),
		Etag:          rpc.ETag(p.state.Sequence),
		StartTime:     timestamp(p.state.Started),
		CreateTime:    timestamp(p.created),
		EndTime:       timestamp(p.state.Ended),
	}
}

// stepContract returns a step as it stands at a moment. usedBefore are the
// resistance groups of the same step in the round before.
func (p *program) stepContract(step Step, lots, usedBefore []string, now time.Time) *treatmentv1.Step {
	planned := p.templateStep(step.Key)
	message := &treatmentv1.Step{
		Name: stepName(p.nursery, p.id, step.ID()), Key: step.Key, Round: int32(step.Round), Kind: step.Kind,
		Title: planned.GetTitle(), Instructions: planned.GetInstructions(), State: stepState(step, now),
		OpenTime: timestamp(step.Open), DueTime: timestamp(step.Due), OverdueTime: timestamp(step.Overdue),
		DoneTime: timestamp(step.Done), Attempts: int32(step.Attempts), CleanCount: int32(step.Clean),
		Escalations: int32(step.Escalations), Proofs: planned.GetProofs(), Lots: lotNames(p.nursery, lots),
		CandidateActiveIngredients: OpenCandidates(planned.GetCandidateActiveIngredients(), usedBefore),
	}
	if Applies(step.Kind) {
		message.Caution = Caution
	}
	return message
}

func (p *program) templateStep(key string) *treatmentv1.TemplateStep {
	steps := p.template.GetSteps()
	i := slices.IndexFunc(steps, func(s *treatmentv1.TemplateStep) bool { return s.GetKey() == key })
	if i < 0 {
		return nil
	}
	return steps[i]
}

// stepState says where a step stands at a moment.
func stepState(step Step, now time.Time) treatmentv1.StepState {
	switch {
	case step.Status == Waiting:
		return treatmentv1.StepState_STEP_STATE_WAITING
	case step.Status == Confirmed:
		return treatmentv1.StepState_STEP_STATE_CONFIRMED
	case step.Status == Dropped:
		return treatmentv1.StepState_STEP_STATE_DROPPED
	case now.Before(step.Open):
		return treatmentv1.StepState_STEP_STATE_SCHEDULED
	case now.Before(step.Overdue):
		return treatmentv1.StepState_STEP_STATE_OPEN
	default:
		return treatmentv1.StepState_STEP_STATE_OVERDUE
	}
}

func (a *application) contract() *treatmentv1.Application {
	interval, err := quantity.New(a.reiHours, quantity.Hour)
	if err != nil {
		interval = quantity.Quantity{}
	}
	message := &treatmentv1.Application{
		Name: a.name(), Conditions: a.conditions, Overrides: a.overrides, BreachNote: a.breachNote,
		Verdicts: a.kept,
		Method:   a.method, Disorder: a.disorder, Treatments: a.treatments, Lots: lotNames(a.nursery, a.lots),
		StartTime: timestamp(a.start), EndTime: timestamp(a.end),
		Applicator:              resource.Of("nurseries", a.nursery, "people", a.applicator),
		RestrictedEntryInterval: interval.Contract(), CreateTime: timestamp(a.created),
	}
	if a.step != "" {
		message.Step = stepName(a.nursery, a.program, a.step)
	}
	return message
}

func (r record) contract(nursery, program string) *treatmentv1.ProgramEvent {
	message := &treatmentv1.ProgramEvent{
		Sequence: r.Sequence, Kind: string(r.Kind), Note: r.note, Confirmation: r.confirmation,
		EventTime: timestamp(r.At), CreateTime: timestamp(r.created), Statement: r.statement,
	}
	if r.Step != "" {
		message.Step = stepName(nursery, program, r.Step)
	}
	if r.person != "" {
		message.Person = resource.Of("nurseries", nursery, "people", r.person)
	}
	return message
}
