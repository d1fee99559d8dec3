package demo

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
)

// untilConfirmed is how long after the inspection the diagnosis was confirmed.
const untilConfirmed = 45 * time.Minute

func (s *seeder) addOutbreaks(ctx context.Context) error {
	for _, o := range s.nursery.outbreaks {
		if err := s.addOutbreak(ctx, o); err != nil {
			return fmt.Errorf("outbreak %s: %w", o.Key, err)
		}
	}
	s.say("  %d outbreaks of the last 90 days, at every stage", len(s.nursery.outbreaks))
	return nil
}

func (s *seeder) addOutbreak(ctx context.Context, o outbreak) error {
	diagnosis, err := s.diagnose(ctx, o)
	if err != nil {
		return err
	}
	opened, err := s.treatment.CreateCase(s.as(ctx, s.manager().ID), &treatmentv1.CreateCaseRequest{
		Parent: s.parent(), RequestId: requestID("outbreaks", o.Key, "case"),
		Case: &treatmentv1.Case{Diagnosis: diagnosis.GetName(), Lots: s.lotNames(o.Lots)},
	})
	if err != nil || o.Template == "" {
		return err
	}
	completed, err := s.completedSteps(s.calendar, o)
	if err != nil {
		return err
	}
	program, err := s.treatment.CreateProgram(s.as(ctx, s.manager().ID), &treatmentv1.CreateProgramRequest{
		Parent: s.parent(), RequestId: requestID("outbreaks", o.Key, "program"),
		Case: opened.GetName(), Template: s.name("templates", o.Template), CompletedSteps: completed,
	})
	if err != nil {
		return err
	}
	if err := s.addBreaches(ctx, o, program); err != nil {
		return err
	}
	return s.then(ctx, o, program)
}

// diagnose enters the inspection of every lot and the diagnosis that rests on
// them.
func (s *seeder) diagnose(ctx context.Context, o outbreak) (*diagnosisv1.Diagnosis, error) {
	found, err := s.at(o.Found.moment)
	if err != nil {
		return nil, err
	}
	picture := s.nursery.pictures[o.Disorder]
	observations, err := picture.observations()
	if err != nil {
		return nil, err
	}
	diagnosis := &diagnosisv1.Diagnosis{
		Disorder: o.Disorder, Grounds: picture.Grounds, ConfirmTime: timestamppb.New(found.Add(untilConfirmed)),
	}
	for _, lot := range o.Lots {
		inspection, err := s.diagnosis.CreateInspection(s.as(ctx, o.Found.By), &diagnosisv1.CreateInspectionRequest{
			Parent: s.parent(), RequestId: requestID("outbreaks", o.Key, "inspection", lot),
			Inspection: &diagnosisv1.Inspection{
				Target: s.lot(lot), PlantsSampled: o.Found.Sampled, PlantsAffected: o.Found.Affected,
				SeverityPercent: o.Found.Severity, Observations: observations, InspectTime: timestamppb.New(found),
			},
		})
		if err != nil {
			return nil, fmt.Errorf("inspect %s: %w", lot, err)
		}
		diagnosis.Inspections = append(diagnosis.Inspections, inspection.GetName())
	}
	return s.diagnosis.ConfirmDiagnosis(s.as(ctx, o.ConfirmedBy), &diagnosisv1.ConfirmDiagnosisRequest{
		Parent: s.parent(), RequestId: requestID("outbreaks", o.Key, "diagnosis"), Diagnosis: diagnosis,
	})
}

// then does what happened to a program after its steps. Giving up happens when
// it is called; the discarding after it is done at the moment at which the
// server says that it was given up, so that a repetition says the same.
func (s *seeder) then(ctx context.Context, o outbreak, program *treatmentv1.Program) error {
	as, id := s.as(ctx, o.Then.By), requestID("outbreaks", o.Key, o.Then.Do)
	switch o.Then.Do {
	case "":
		return nil
	case thenPause:
		_, err := s.treatment.PauseProgram(s.as(ctx, s.manager().ID), &treatmentv1.PauseProgramRequest{Name: program.GetName(), Note: o.Then.Note, RequestId: id})
		return err
	case thenGiveUp, thenDiscard:
		given, err := s.treatment.GiveUpProgram(s.as(ctx, s.manager().ID), &treatmentv1.GiveUpProgramRequest{Name: program.GetName(), Note: o.Then.Note, RequestId: id})
		if err != nil || o.Then.Do == thenGiveUp {
			return err
		}
		last := given.GetSteps()[len(given.GetSteps())-1]
		_, err = s.treatment.ConfirmStep(as, &treatmentv1.ConfirmStepRequest{
			Name: last.GetName(), RequestId: requestID("outbreaks", o.Key, "discarded"),
			Confirmation: &treatmentv1.Confirmation{StartTime: last.GetOpenTime(), EndTime: last.GetOpenTime(), RemovedPartsBinned: true},
		})
		return err
	default:
		return fmt.Errorf("%q is nothing that happens to a program", o.Then.Do)
	}
}

func (p *people) completedSteps(c calendar, o outbreak) ([]*treatmentv1.CompletedStep, error) {
	completed := make([]*treatmentv1.CompletedStep, len(o.Steps))
	for i, done := range o.Steps {
		confirmation, err := p.confirmation(c, o, done)
		if err != nil {
			return nil, fmt.Errorf("steps[%d] %s: %w", i, done.Step, err)
		}
		completed[i] = &treatmentv1.CompletedStep{Key: done.Step, Confirmation: confirmation}
	}
	return completed, nil
}

// proof is what the people of the demo always say for a step.
type proof struct{ disinfects, bins bool }

// proofs are by the step's key in the shipped templates.
var proofs = map[string]proof{
	"disinfect": {disinfects: true},
	"prune":     {disinfects: true, bins: true},
	"cut-off":   {disinfects: true, bins: true},
	"cut-back":  {disinfects: true, bins: true},
	"repot":     {bins: true},
	"discard":   {bins: true},
}

const disinfectant = "70 % alcohol, wiped; blade flamed between plants"

func (p *people) confirmation(c calendar, o outbreak, done step) (*treatmentv1.Confirmation, error) {
	start, err := c.at(done.moment)
	if err != nil {
		return nil, err
	}
	confirmation := &treatmentv1.Confirmation{
		StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(time.Duration(done.Minutes) * time.Minute)),
		Performer: p.person(done.By), RemovedPartsBinned: proofs[done.Step].bins,
	}
	if proofs[done.Step].disinfects {
		confirmation.Disinfectant = disinfectant
	}
	if done.Step == "isolate" {
		confirmation.Bench = p.bench(o.Bench)
	}
	if done.Sampled > 0 {
		confirmation.Inspection = &treatmentv1.InspectionCounts{PlantsSampled: done.Sampled, PlantsAffected: done.Affected}
	}
	if done.CutFace != "" {
		confirmation.CutFace = treatmentv1.CutFace(treatmentv1.CutFace_value["CUT_FACE_"+strings.ToUpper(done.CutFace)])
	}
	for _, answered := range done.Overrides {
		confirmation.Overrides = append(confirmation.Overrides, &treatmentv1.Override{Rule: answered.Rule, Note: answered.Note})
	}
	if done.Product == "" {
		return confirmation, nil
	}
	treated, err := p.treated(o, done)
	if err != nil {
		return nil, err
	}
	confirmation.Treatments = []*treatmentv1.HouseTreatment{treated}
	confirmation.Conditions, err = conditions(done)
	return confirmation, err
}

// conditions are those of an application. The people of the demo spray in the
// shade, on dry leaves, and cut open flowers off first.
func conditions(done step) (*treatmentv1.Conditions, error) {
	no := false
	weather := &treatmentv1.Conditions{OpenBloom: &no, Sunlit: &no, WetFoliage: &no}
	var err error
	if weather.Temperature, err = readQuantity(done.Air); err != nil {
		return nil, err
	}
	weather.Humidity, err = readQuantity(done.Humidity)
	return weather, err
}

// readQuantity reads a quantity as the files write it, for example "3.6 mL"; an
// empty one is absent.
func readQuantity(text string) (*typev1.Quantity, error) {
	if text == "" {
		return nil, nil
	}
	amount, unit, _ := strings.Cut(text, " ")
	q, err := quantity.New(amount, quantity.Unit(unit))
	if err != nil {
		return nil, err
	}
	return q.Contract(), nil
}

// withoutFans begins the benches of the house that has none.
const withoutFans = "shade/"

// lance is how high above the plants the people of the demo hold it.
var lance = quantity.Must("30", quantity.Centimetre)

// treated is what was applied in the house of the isolation bench. Sprays are of coarse
// droplets from close by, and the fans are turned on when the work is done.
func (p *people) treated(o outbreak, done step) (*treatmentv1.HouseTreatment, error) {
	treated := &treatmentv1.HouseTreatment{House: p.house(o.Bench), Height: lance.Contract()}
	if bathed := done.Step == "systemic" && o.Template != "leaf-spots"; !bathed {
		treated.Droplets = treatmentv1.DropletClass_DROPLET_CLASS_MEDIUM_OR_LARGER
	}
	if !strings.HasPrefix(o.Bench, withoutFans) {
		treated.Airing = treatmentv1.AiringDevice_AIRING_DEVICE_FANS
	}
	use := &treatmentv1.ProductUse{Product: p.name("products", done.Product)}
	treated.Products = []*treatmentv1.ProductUse{use}
	for _, field := range []struct {
		text string
		into **typev1.Quantity
	}{{done.Amount, &use.Amount}, {done.Mix, &treated.MixVolume}, {done.Area, &treated.Area}, {done.Leftover, &treated.Leftover}} {
		q, err := readQuantity(field.text)
		if err != nil {
			return nil, err
		}
		*field.into = q
	}
	return treated, nil
}

// addBreaches records what was applied to the lots of an outbreak though a rule
// forbids it.
func (s *seeder) addBreaches(ctx context.Context, o outbreak, program *treatmentv1.Program) error {
	for i, made := range o.Breaches {
		proposed, end, err := s.breached(s.calendar, o, made)
		if err != nil {
			return fmt.Errorf("breaches[%d]: %w", i, err)
		}
		_, err = s.treatment.RecordBreach(s.as(ctx, s.manager().ID), &treatmentv1.RecordBreachRequest{
			Parent: s.parent(), Application: proposed, EndTime: timestamppb.New(end), Program: program.GetName(), Note: made.Note,
			RequestId: requestID("outbreaks", o.Key, "breach", fmt.Sprint(i)),
		})
		if err != nil {
			return fmt.Errorf("breaches[%d]: %w", i, err)
		}
	}
	return nil
}

// breached returns what was applied in a breach and when the work ended. It was
// meant for a spray.
func (p *people) breached(c calendar, o outbreak, made breach) (*treatmentv1.ProposedApplication, time.Time, error) {
	done, err := p.confirmation(c, o, made.step)
	if err != nil {
		return nil, time.Time{}, err
	}
	return &treatmentv1.ProposedApplication{
		StartTime: done.GetStartTime(), Method: productsv1.Method_METHOD_SPRAY, Disorder: o.Disorder, Lots: p.lotNames(o.Lots),
		Treatments: done.GetTreatments(), Conditions: done.GetConditions(), Applicator: done.GetPerformer(),
	}, done.GetEndTime().AsTime(), nil
}

// afterRelease is how long after the release the lots were carried back.
const afterRelease = time.Hour

// returnReleased moves released lots back among others, as soon as the stock
// knows that they are free: that travels behind the release.
func (s *seeder) returnReleased(ctx context.Context) error {
	for _, o := range s.nursery.outbreaks {
		for i, place := range o.Back {
			if err := s.awaitFree(ctx, o.Lots[i], o.Bench); err != nil {
				return fmt.Errorf("outbreak %s: %w", o.Key, err)
			}
			last := o.Steps[len(o.Steps)-1]
			released, err := s.at(last.moment)
			if err != nil {
				return err
			}
			_, err = s.stock.MoveLot(s.as(ctx, o.Found.By), &stockv1.MoveLotRequest{
				Name: s.lot(o.Lots[i]), Bench: s.bench(place), Note: "released", EventTime: timestamppb.New(released.Add(afterRelease)),
				RequestId: requestID("outbreaks", o.Key, "back", o.Lots[i]),
			})
			if err != nil {
				return fmt.Errorf("outbreak %s: move %s back: %w", o.Key, o.Lots[i], err)
			}
		}
	}
	return nil
}

// awaitFree waits until a lot has been on the isolation bench and no case holds
// it. A case holds its lots before it isolates them, so a lot that has been
// there and is free was freed, and is not merely held late.
func (p *people) awaitFree(ctx context.Context, id, bench string) error {
	ctx = p.as(ctx, p.nursery.People[0].ID)
	return eventually(ctx, "lot "+id+" is isolated and free again", func() (bool, error) {
		lot, err := p.stock.GetLot(ctx, &stockv1.GetLotRequest{Name: p.lot(id)})
		if err != nil || lot.GetHoldingCase() != "" {
			return false, err
		}
		history, err := p.stock.ListLotEvents(ctx, &stockv1.ListLotEventsRequest{Name: p.lot(id)})
		for _, event := range history.GetEvents() {
			if event.GetBench() == p.bench(bench) {
				return true, err
			}
		}
		return false, err
	})
}
