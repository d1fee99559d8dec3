package treatment

import (
	"context"
	"fmt"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
)

// checkNoticeOf refuses a request for a sheet that names not exactly one application,
// recorded or planned, or lacks what goes with a planned one.
func checkNoticeOf(request *treatmentv1.ExportNoticeRequest) error {
	planned := request.GetPlanned()
	switch {
	case request.GetApplication() == "" && planned == nil:
		return fault.Field("application", "name an application that is recorded, or give the one that is planned")
	case request.GetApplication() != "" && planned != nil:
		return fault.Field("planned", "goes without application: a sheet is about one that is recorded or one that is planned")
	case planned == nil && request.GetPlannedEndTime() != nil:
		return fault.Field("planned_end_time", "goes with planned only: a recorded application has its end")
	case planned == nil && request.GetParent() != "":
		return fault.Field("parent", "goes with planned only: a recorded application has its nursery")
	case planned == nil:
		return nil
	case request.GetParent() == "":
		return fault.Field("parent", "name the nursery of what is planned")
	case request.GetPlannedEndTime() == nil:
		return fault.FieldReason(fault.Invalid, fault.InvalidTimes, "planned_end_time", "say when the planned work would end: the interval begins then")
	}
	if err := checkPlannedSpan("planned.start_time", "planned_end_time", planned.GetStartTime(), request.GetPlannedEndTime()); err != nil {
		return err
	}
	return checkTreatments("planned", planned.GetMethod(), planned.GetTreatments(), planned.GetConditions())
}

// readPlannedToldOf reads an application that is planned as people are told of it: where
// its lots stand now, and what is entered for its products now. It is held to no rule.
func (s *Service) readPlannedToldOf(ctx context.Context, r postgres.Reader, request *treatmentv1.ExportNoticeRequest, caller string) (toldOf, error) {
	w, err := s.proposed(ctx, r, request.GetParent(), "planned", request.GetPlanned(), caller)
	if err != nil {
		return toldOf{}, err
	}
	w.end = clock.Stored(request.GetPlannedEndTime().AsTime())
	place, err := readPlace(ctx, r, w)
	if err != nil {
		return toldOf{}, err
	}
	for i, treated := range w.treatments {
		// What is not there is refused as it is when the application is checked.
		if _, err := readTreatment(ctx, r, fmt.Sprintf("%s.treatments[%d]", w.path, i), w.nursery, treated); err != nil {
			return toldOf{}, err
		}
	}
	told := toldOf{
		planned: true, crops: map[string]string{},
		application: &application{nursery: w.nursery, method: w.method, treatments: w.treatments, start: w.start, end: w.end},
	}
	houses := map[string]string{}
	for _, lot := range place.Lots {
		told.application.lots = append(told.application.lots, lot.ID)
		told.crops[lot.ID], houses[lot.ID] = lot.BotanicalName, lot.House
	}
	return told, told.readPlaces(ctx, r, treatedLots{told.application.id: houses})
}
