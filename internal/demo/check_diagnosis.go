package demo

import (
	"context"
	"errors"
	"fmt"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
)

// unnamed plays spots that nobody has named yet: what they point to, the question
// that separates, a strip that is sent and read, where the climate let something
// infect, and who else could have caught it.
func (s *story) unnamed(ctx context.Context) error {
	seen := s.nursery.scouting.Open[0]
	inspection, err := s.sightingOf(ctx, seen)
	if err != nil {
		return err
	}
	assessment, err := s.diagnosis.AssessSigns(s.asManager(ctx), &diagnosisv1.AssessSignsRequest{Parent: s.parent(), Inspections: []string{inspection.GetName()}})
	if err != nil {
		return err
	}
	if err := s.tellAssessment(inspection, assessment); err != nil {
		return err
	}
	if err := s.test(ctx, inspection, assessment); err != nil {
		return err
	}
	if err := s.climateSays(ctx); err != nil {
		return err
	}
	return s.whoElse(ctx)
}

// sightingOf finds the inspection again.
func (s *story) sightingOf(ctx context.Context, seen sighting) (*diagnosisv1.Inspection, error) {
	listed, err := s.diagnosis.ListInspections(s.asManager(ctx), &diagnosisv1.ListInspectionsRequest{Parent: s.parent(), Target: s.lot(seen.Lot), PageSize: largestPage})
	if err != nil {
		return nil, err
	}
	for _, inspection := range listed.GetInspections() {
		if inspection.GetNote() == seen.Note {
			return inspection, nil
		}
	}
	return nil, fmt.Errorf("there is no inspection of %s that says %q", seen.Lot, seen.Note)
}

func (s *story) tellAssessment(inspection *diagnosisv1.Inspection, assessment *diagnosisv1.Assessment) error {
	if len(assessment.GetCandidates()) == 0 || len(assessment.GetQuestions()) == 0 {
		return errors.New("an assessment must name candidates and ask a question")
	}
	s.tell("Nobody has named the signs on %s yet. %s", inspection.GetTarget(), assessment.GetSummary())
	for _, candidate := range assessment.GetCandidates()[:3] {
		name := candidate.GetDisplayName()
		if candidate.GetDisorder() == "" {
			name = "None of those known"
		}
		s.tell("  %5s %%  %s. %s", candidate.GetProbabilityPercent(), name, candidate.GetWhy())
	}
	s.tell("What to look at next: %s", assessment.GetQuestions()[0].GetSentence())
	for _, precaution := range assessment.GetPrecautions() {
		s.tell("Before anybody knows: %s", precaution.GetSentence())
	}
	s.tell("%s", assessment.GetCaution())
	return nil
}

// test sends a sample for what comes first, and has its result move the ranking.
func (s *story) test(ctx context.Context, inspection *diagnosisv1.Inspection, before *diagnosisv1.Assessment) error {
	var first *diagnosisv1.Candidate
	for _, candidate := range before.GetCandidates() {
		if len(candidate.GetTests()) > 0 {
			first = candidate
			break
		}
	}
	sample, err := s.diagnosis.CreateSample(s.asWorker(ctx), &diagnosisv1.CreateSampleRequest{
		Parent: s.parent(), RequestId: anew(),
		Sample: &diagnosisv1.Sample{Inspection: inspection.GetName(), Test: first.GetTests()[0], Plants: 1, Laboratory: "our own bench"},
	})
	if err != nil {
		return err
	}
	_, err = s.diagnosis.RecordSampleResult(s.asWorker(ctx), &diagnosisv1.RecordSampleResultRequest{
		Name: sample.GetName(), Outcome: diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE, RequestId: anew(),
	})
	if err := s.refused(s.worker.DisplayName, "enter a test's result", err, fault.PermissionDenied); err != nil {
		return err
	}
	_, err = s.diagnosis.RecordSampleResult(s.asManager(ctx), &diagnosisv1.RecordSampleResultRequest{
		Name: sample.GetName(), Outcome: diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE, Report: "Clear within the time of the leaflet.", RequestId: anew(),
	})
	if err != nil {
		return err
	}
	after, err := s.diagnosis.AssessSigns(s.asManager(ctx), &diagnosisv1.AssessSignsRequest{Parent: s.parent(), Inspections: []string{inspection.GetName()}})
	if err != nil {
		return err
	}
	s.tell("%s is positive. %s", first.GetTests()[0], after.GetSummary())
	return nil
}

// climateSays tells when something could have infected in the first house with a
// logger, and has a file with mixed-up units refused.
func (s *story) climateSays(ctx context.Context) error {
	h := s.nursery.scouting.Climate[0]
	house := s.name("houses", h.House)
	file := strings.Replace(string(h.file(s.Clock.Now(), s.zone)), "Temperature (°C)", "Temperature (°F)", 1)
	_, err := s.sendClimate(s.asManager(ctx), &diagnosisv1.ImportClimateRequest{Parent: house, Logger: h.Logger, RequestId: anew(), Data: []byte(file)})
	if err := s.refused(s.manager().DisplayName, "read in a logger's file with degrees Celsius under a Fahrenheit header", err, fault.ClimateFileRejected); err != nil {
		return err
	}
	risk, err := s.diagnosis.AssessInfectionRisk(s.asManager(ctx), &diagnosisv1.AssessInfectionRiskRequest{
		Name: house, StartDate: s.last.AddDate(0, 0, -14).Format("2006-01-02"), EndDate: s.last.Format("2006-01-02"),
	})
	if err != nil {
		return err
	}
	events := 0
	for _, curve := range risk.GetCurves() {
		events += len(curve.GetEvents())
	}
	if len(risk.GetCurves()) == 0 || events == 0 {
		return fmt.Errorf("the moist nights of %s show no infection in %d curves", h.House, len(risk.GetCurves()))
	}
	curve := risk.GetCurves()[0]
	s.tell("In %s the climate of two weeks let something infect %d times, by %d models. Of %s: %s",
		h.House, events, len(risk.GetCurves()), curve.GetModel().GetDisplayName(), curve.GetUnverified())
	for _, advice := range curve.GetAdvice() {
		s.tell("  %s", advice)
	}
	return nil
}

// whoElse traces the contacts of an outbreak of black rot that is going on, and
// asks what to look at today.
func (s *story) whoElse(ctx context.Context) error {
	trace, err := s.treatment.TraceContacts(s.asManager(ctx), &treatmentv1.TraceContactsRequest{
		Parent: s.parent(), Lots: []string{s.lot("d-027")}, Disorder: "black-rot",
	})
	if err != nil {
		return err
	}
	if len(trace.GetExposedLots()) == 0 {
		return errors.New("nobody shared anything with a lot that was divided with others")
	}
	s.tell("Lots that could have caught black rot from lots/d-027, the most exposed first, of %d:", len(trace.GetExposedLots()))
	for _, lot := range trace.GetExposedLots()[:min(3, len(trace.GetExposedLots()))] {
		s.tell("  %s on %s, exposure %s: %s Look at %d of %d plants.",
			lot.GetLot(), lot.GetBench(), lot.GetExposure(), lot.GetContacts()[0].GetSentence(), lot.GetPlantsToInspect(), lot.GetPlants())
	}
	plan, err := s.treatment.ProposeInspections(s.asManager(ctx), &treatmentv1.ProposeInspectionsRequest{Parent: s.parent()})
	if err != nil {
		return err
	}
	if len(plan.GetInspections()) == 0 {
		return errors.New("with outbreaks going on there must be lots to look at")
	}
	first := plan.GetInspections()[0]
	s.tell("Today %d lots should be looked at, beginning with %s: %s", len(plan.GetInspections()), first.GetLot(), first.GetReasons()[0].GetSentence())
	return nil
}
