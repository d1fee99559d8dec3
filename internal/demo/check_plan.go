package demo

import (
	"context"
	"fmt"
	"strings"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
)

// The rotation of the story: sprays of a season in one house.
const (
	rotationHouse    = "flowering"
	rotationDisorder = "anthracnose"
	rotationDays     = 70
	rotationInterval = 14
)

// planned lays out the sprays of a season.
func (s *story) planned(ctx context.Context) error {
	tomorrow := s.Clock.Now().In(s.zone).AddDate(0, 0, 1)
	plan, err := s.treatment.PlanRotation(s.asManager(ctx), &treatmentv1.PlanRotationRequest{
		House: s.name("houses", rotationHouse), Disorder: rotationDisorder, Method: productsv1.Method_METHOD_SPRAY, IntervalDays: rotationInterval,
		FromDate: &typev1.Date{Value: tomorrow.Format(time.DateOnly)},
		ToDate:   &typev1.Date{Value: tomorrow.AddDate(0, 0, rotationDays).Format(time.DateOnly)},
	})
	if err != nil {
		return err
	}
	if len(plan.GetApplications()) == 0 {
		return fmt.Errorf("no rotation against %s is possible: %v", rotationDisorder, plan.GetConflict())
	}
	s.tell("%s, manager, has sprays against %s every %d days planned for houses/%s:", s.manager().DisplayName, rotationDisorder, rotationInterval, rotationHouse)
	for _, application := range plan.GetApplications() {
		s.tell("  %s  %s (FRAC %s)", application.GetDate().GetValue(), application.GetDisplayName(), strings.Join(application.GetFracCodes(), ", "))
	}
	s.tell("  %s", plan.GetCaution())
	return nil
}

// answeredFor shows where a person went against a rule: with a reason, or in a
// breach.
func (s *story) answeredFor(ctx context.Context) error {
	listed, err := s.treatment.ListApplications(s.asAuditor(ctx), &treatmentv1.ListApplicationsRequest{Parent: s.parent(), PageSize: largestPage})
	if err != nil {
		return err
	}
	var overridden, breaches int
	for _, application := range listed.GetApplications() {
		for _, override := range application.GetOverrides() {
			overridden++
			s.tell("%s went against %s, and %s answers for it: %s", application.GetName(), override.GetRule(), override.GetPerson(), override.GetNote())
		}
		if application.GetBreachNote() == "" {
			continue
		}
		breaches++
		for _, verdict := range application.GetVerdicts() {
			if verdict.GetOutcome() == treatmentv1.Outcome_OUTCOME_REFUSE {
				s.tell("%s is a breach (%s): %s", application.GetName(), verdict.GetRule(), application.GetBreachNote())
			}
		}
	}
	if overridden == 0 || breaches == 0 {
		return fmt.Errorf("%d rules were overridden and %d breaches recorded; there should be some of both", overridden, breaches)
	}
	return nil
}
