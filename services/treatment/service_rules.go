package treatment

import (
	"context"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/treatment/rules"
)

// CheckApplication holds a proposed application to every rule.
func (s *Service) CheckApplication(ctx context.Context, request *treatmentv1.CheckApplicationRequest) (*treatmentv1.CheckApplicationResponse, error) {
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.CheckApplicationResponse{Caution: Caution}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		w, err := s.proposed(ctx, tx, request.GetParent(), "application", request.GetApplication(), caller.Person)
		if err != nil {
			return err
		}
		if request.GetApplication().GetStartTime().CheckValid() != nil {
			return fault.Field("application.start_time", "is not a time between the years 1 and 9999")
		}
		if err := checkTreatments(w.path, w.method, w.treatments, w.conditions); err != nil {
			return err
		}
		facts, history, err := readFacts(ctx, tx, w)
		if err != nil {
			return err
		}
		verdicts, err := rules.Check(facts, history)
		if err != nil {
			return err
		}
		response.Verdicts = verdictsContract(w.nursery, verdicts)
		response.Passes = len(rules.Refusals(verdicts)) == 0
		if earliest, ok := rules.EarliestPass(verdicts); ok && !response.GetPasses() {
			response.EarliestTime = timestamp(earliest)
		}
		return nil
	})
	return response, err
}

// RecordBreach records chemical that was applied against a rule or outside a step.
func (s *Service) RecordBreach(ctx context.Context, request *treatmentv1.RecordBreachRequest) (*treatmentv1.Application, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Application, error) {
		return s.recordBreach(ctx, tx, request, caller)
	})
}

// AssessRelease says what the inspections of a program show.
func (s *Service) AssessRelease(ctx context.Context, request *treatmentv1.AssessReleaseRequest) (*treatmentv1.ReleaseAssessment, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs")
	if err != nil {
		return nil, err
	}
	var message *treatmentv1.ReleaseAssessment
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		p, err := readProgram(ctx, tx, ids[0], ids[1], false)
		if err != nil {
			return err
		}
		o, err := readOutbreak(ctx, tx, p.nursery, p.outbreak, false)
		if err != nil {
			return err
		}
		lots, err := withParts(ctx, tx, p, o.lots)
		if err != nil {
			return err
		}
		statement, evidence, err := assess(ctx, tx, p, lots, nil)
		if err != nil {
			return err
		}
		message, err = assessmentOf(statement, evidence)
		return err
	})
	return message, err
}
