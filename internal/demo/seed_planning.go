package demo

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// addPlanning enters when people work, when houses are open and how the nursery
// plans. Sprayers come after it.
func (s *seeder) addPlanning(ctx context.Context) error {
	ctx = s.as(ctx, s.manager().ID)
	for _, written := range s.nursery.planning.People {
		pattern, err := s.workPattern(written)
		if err != nil {
			return fmt.Errorf("hours of %s: %w", written.Person, err)
		}
		_, err = s.schedule.UpdateWorkPattern(ctx, &schedulev1.UpdateWorkPatternRequest{WorkPattern: pattern, RequestId: requestID("workPatterns", written.Person)})
		if err != nil {
			return fmt.Errorf("set the hours of %s: %w", written.Person, err)
		}
	}
	for _, written := range s.nursery.planning.Houses {
		calendar, err := s.houseCalendar(written)
		if err != nil {
			return fmt.Errorf("calendar of %s: %w", written.House, err)
		}
		_, err = s.schedule.UpdateHouseCalendar(ctx, &schedulev1.UpdateHouseCalendarRequest{HouseCalendar: calendar, RequestId: requestID("houseCalendars", written.House)})
		if err != nil {
			return fmt.Errorf("set the calendar of %s: %w", written.House, err)
		}
	}
	settings, err := s.planningSettings()
	if err != nil {
		return fmt.Errorf("planning settings: %w", err)
	}
	_, err = s.schedule.UpdatePlanningSettings(ctx, &schedulev1.UpdatePlanningSettingsRequest{
		PlanningSettings: settings, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"*"}}, RequestId: requestID("planningSettings"),
	})
	if err != nil {
		return fmt.Errorf("set how to plan: %w", err)
	}
	s.say("  hours of %d people and %d houses", len(s.nursery.planning.People), len(s.nursery.planning.Houses))
	return nil
}
