package demo

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
)

// The disorder of both stories, and its program.
const (
	storyDisorder = "phyllosticta-leaf-spot"
	storyTemplate = "leaf-spots"
)

// leastPlants is how large a lot must be for the first story.
const leastPlants = 20

// foundToday plays an outbreak from the first sign to the systemic spray: the
// contact spray is due two weeks later.
func (s *story) foundToday(ctx context.Context) error {
	lot, err := s.freeLot(ctx)
	if err != nil {
		return err
	}
	diagnosis, err := s.inspectAndDiagnose(ctx, lot)
	if err != nil {
		return err
	}
	program, err := s.openCase(ctx, lot, diagnosis)
	if err != nil {
		return err
	}
	if err := s.setApart(ctx, lot, program); err != nil {
		return err
	}
	if err := s.cleanUp(ctx, program); err != nil {
		return err
	}
	return s.spray(ctx, lot, program)
}

// freeLot returns a lot that no case holds, a Vanda if there is one: they catch
// the disorder of the story most.
func (s *story) freeLot(ctx context.Context) (*stockv1.Lot, error) {
	for _, query := range []string{"Vanda", ""} {
		lots, err := s.stock.ListLots(s.asManager(ctx), &stockv1.ListLotsRequest{Parent: s.parent(), Query: query, PageSize: largestPage})
		if err != nil {
			return nil, err
		}
		// The first lots of the demo fell ill before.
		for _, lot := range slices.Backward(lots.GetLots()) {
			if lot.GetHoldingCase() == "" && lot.GetPlants() >= leastPlants {
				return lot, nil
			}
		}
	}
	return nil, errNoFreeLot
}

func (s *story) inspectAndDiagnose(ctx context.Context, lot *stockv1.Lot) (*diagnosisv1.Diagnosis, error) {
	inspection, err := s.inspect(ctx, lot.GetName(), leastPlants, 4, s.Clock.Now())
	if err != nil {
		return nil, err
	}
	s.tell("%s, worker, inspects %s (%s) on %s: 4 of %d plants have signs.",
		s.worker.DisplayName, lot.GetName(), lot.GetBotanicalName(), lot.GetBench(), leastPlants)
	_, err = s.treatment.CreateCase(s.asWorker(ctx), &treatmentv1.CreateCaseRequest{
		Parent: s.parent(), RequestId: anew(),
		Case: &treatmentv1.Case{Diagnosis: s.name("diagnoses", "none"), Lots: []string{lot.GetName()}},
	})
	if err := s.refused(s.worker.DisplayName, "open a case", err, fault.PermissionDenied); err != nil {
		return nil, err
	}
	diagnosis, err := s.confirmDiagnosis(ctx, inspection, s.Clock.Now())
	if err != nil {
		return nil, err
	}
	s.tell("%s, manager, confirms %s: %s", s.manager().DisplayName, diagnosis.GetDisorder(), diagnosis.GetGrounds())
	return diagnosis, nil
}

func (s *story) inspect(ctx context.Context, lot string, sampled, affected int64, at time.Time) (*diagnosisv1.Inspection, error) {
	observations, err := s.nursery.pictures[storyDisorder].observations()
	if err != nil {
		return nil, err
	}
	return s.diagnosis.CreateInspection(s.asWorker(ctx), &diagnosisv1.CreateInspectionRequest{
		Parent: s.parent(), RequestId: anew(),
		Inspection: &diagnosisv1.Inspection{
			Target: lot, PlantsSampled: sampled, PlantsAffected: affected, SeverityPercent: 10,
			Observations: observations, InspectTime: timestamppb.New(at),
		},
	})
}

func (s *story) confirmDiagnosis(ctx context.Context, inspection *diagnosisv1.Inspection, at time.Time) (*diagnosisv1.Diagnosis, error) {
	return s.diagnosis.ConfirmDiagnosis(s.asManager(ctx), &diagnosisv1.ConfirmDiagnosisRequest{
		Parent: s.parent(), RequestId: anew(),
		Diagnosis: &diagnosisv1.Diagnosis{
			Inspections: []string{inspection.GetName()}, Disorder: storyDisorder,
			Grounds: s.nursery.pictures[storyDisorder].Grounds, ConfirmTime: timestamppb.New(at),
		},
	})
}

// begin opens a case for a lot and starts its program, with what was done before.
func (s *story) begin(ctx context.Context, lot string, diagnosis *diagnosisv1.Diagnosis, completed []*treatmentv1.CompletedStep) (*treatmentv1.Program, error) {
	opened, err := s.treatment.CreateCase(s.asManager(ctx), &treatmentv1.CreateCaseRequest{
		Parent: s.parent(), RequestId: anew(), Case: &treatmentv1.Case{Diagnosis: diagnosis.GetName(), Lots: []string{lot}},
	})
	if err != nil {
		return nil, err
	}
	program, err := s.treatment.CreateProgram(s.asManager(ctx), &treatmentv1.CreateProgramRequest{
		Parent: s.parent(), RequestId: anew(), Case: opened.GetName(), Template: s.name("templates", storyTemplate), CompletedSteps: completed,
	})
	if err != nil {
		return nil, err
	}
	return program, s.awaitLot(ctx, lot, "is held by "+opened.GetName(), func(l *stockv1.Lot) bool { return l.GetHoldingCase() == opened.GetName() })
}

func (s *story) openCase(ctx context.Context, lot *stockv1.Lot, diagnosis *diagnosisv1.Diagnosis) (*treatmentv1.Program, error) {
	program, err := s.begin(ctx, lot.GetName(), diagnosis, nil)
	if err != nil {
		return nil, err
	}
	s.tell("%s opens %s and starts %s, %q with %d steps; the lot is held.",
		s.manager().DisplayName, program.GetCase(), program.GetName(), program.GetTemplate().GetDisplayName(), len(program.GetSteps()))
	_, err = s.stock.SellPlants(s.asManager(ctx), &stockv1.SellPlantsRequest{Name: lot.GetName(), Plants: 1, RequestId: anew()})
	return program, s.refused(s.manager().DisplayName, "sell plants of the lot", err, fault.LotHeld)
}

// stepOf returns the name of a step in the first round of a program.
func stepOf(program *treatmentv1.Program, key string) string {
	return program.GetName() + "/steps/" + key + "-1"
}

// confirm confirms a step of the first round as done by the worker just now.
func (s *story) confirm(ctx context.Context, program *treatmentv1.Program, key string, done *treatmentv1.Confirmation) (*treatmentv1.ConfirmStepResponse, error) {
	now := timestamppb.New(s.Clock.Now())
	done.StartTime, done.EndTime = now, now
	return s.treatment.ConfirmStep(s.asWorker(ctx), &treatmentv1.ConfirmStepRequest{Name: stepOf(program, key), Confirmation: done, RequestId: anew()})
}

// openBench returns the first of the story's benches that nothing closes.
func (s *story) openBench(ctx context.Context) (string, error) {
	board, err := s.treatment.ListClosures(s.asManager(ctx), &treatmentv1.ListClosuresRequest{Parent: s.parent(), House: s.name("houses", storyHouse)})
	if err != nil {
		return "", err
	}
	for _, id := range storyBenches {
		bench := s.bench(id)
		closed := slices.ContainsFunc(board.GetHouses()[0].GetClosures(), func(c *treatmentv1.Closure) bool {
			return len(c.GetBenches()) == 0 || slices.Contains(c.GetBenches(), bench)
		})
		if !closed {
			return bench, nil
		}
	}
	return "", fmt.Errorf("every isolation bench of %s is closed after what was applied: play the demo again in some hours", storyHouse)
}

func (s *story) setApart(ctx context.Context, lot *stockv1.Lot, program *treatmentv1.Program) error {
	if err := s.awaitOpened(ctx, program.GetName(), stepOf(program, "isolate")); err != nil {
		return err
	}
	s.tell("The clock opens the step isolate.")
	bench, err := s.openBench(ctx)
	if err != nil {
		return err
	}
	if _, err := s.confirm(ctx, program, "isolate", &treatmentv1.Confirmation{Bench: bench}); err != nil {
		return err
	}
	if err := s.awaitLot(ctx, lot.GetName(), "stands on "+bench, func(l *stockv1.Lot) bool { return l.GetBench() == bench }); err != nil {
		return err
	}
	s.tell("%s confirms isolate; in the stock the lot stands on %s.", s.worker.DisplayName, bench)
	return nil
}

func (s *story) cleanUp(ctx context.Context, program *treatmentv1.Program) error {
	if _, err := s.confirm(ctx, program, "disinfect", &treatmentv1.Confirmation{Disinfectant: disinfectant}); err != nil {
		return err
	}
	_, err := s.confirm(ctx, program, "prune", &treatmentv1.Confirmation{})
	if err := s.refused(s.worker.DisplayName, "confirm the pruning without a word about the blade", err, fault.ProofMissing); err != nil {
		return err
	}
	if _, err := s.confirm(ctx, program, "prune", &treatmentv1.Confirmation{Disinfectant: disinfectant, RemovedPartsBinned: true}); err != nil {
		return err
	}
	s.tell("%s confirms disinfect and prune; what was cut off is in the bin.", s.worker.DisplayName)
	return nil
}

// showEntry waits for the application in the ledger and shows it. amount is what
// it must say of the product.
func (s *story) showEntry(ctx context.Context, application string, amount *typev1.Quantity) error {
	var entry *recordsv1.Entry
	err := eventually(ctx, "the ledger has "+application, func() (bool, error) {
		entries, err := s.entries(ctx)
		entry = entries[application]
		return entry != nil, err
	})
	if err != nil {
		return err
	}
	if got := entry.GetProductAmount(); !proto.Equal(got, amount) {
		return fmt.Errorf("%s says %s of the product, not %s", entry.GetName(), written(got), written(amount))
	}
	active := entry.GetActives()[0]
	s.tell("The ledger has it as %s: %s (%s), %s %s of %s (FRAC %s); no entry for %s h.", entry.GetName(),
		entry.GetProductDisplayName(), entry.GetRegistrationNumber(), active.GetAmount().GetAmount(), active.GetAmount().GetUnit(),
		active.GetActiveIngredient(), active.GetFracCode(), entry.GetRestrictedEntryInterval().GetAmount())
	return nil
}
