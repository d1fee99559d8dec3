package demo

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
)

// pastOutbreak is an outbreak that was found 70 days ago and treated since; velamen
// learns of it today. Days count back from today.
var pastOutbreak = outbreak{
	Disorder: storyDisorder, Template: storyTemplate, Bench: takeoverBench,
	Steps: []step{
		{Step: "isolate", moment: moment{70, "10:00"}, Minutes: 30, By: "sipho"},
		{Step: "disinfect", moment: moment{70, "11:00"}, Minutes: 20, By: "sipho"},
		{Step: "prune", moment: moment{69, "08:00"}, Minutes: 60, By: "yuki"},
		{Step: "systemic", moment: moment{68, "08:30"}, Minutes: 40, By: "yuki", Product: "thiophanate-500", Amount: "3 mL", Mix: "2.5 L", Area: "9 m2", Air: "19 Cel", Humidity: "66 %"},
		{Step: "contact", moment: moment{54, "08:30"}, Minutes: 40, By: "yuki", Product: "mancozeb-800", Amount: "4.5 g", Mix: "2.5 L", Area: "9 m2", Air: "21 Cel", Humidity: "60 %"},
		{Step: "inspection", moment: moment{16, "08:00"}, Minutes: 45, By: "sipho", Sampled: takenOverLook},
	},
}

const (
	takenOverPlants = 48
	// takenOverLook is how many of them were looked at in an inspection: too few.
	takenOverLook = 6
	// takenOverReceived is how many days ago the plants came in.
	takenOverReceived = 150
)

// takenOver plays the end of an outbreak that began before velamen came: what was
// done is entered with its own dates, the last inspection and the release follow.
func (s *story) takenOver(ctx context.Context) error {
	lot, err := s.oldLot(ctx)
	if err != nil {
		return err
	}
	program, err := s.enterPast(ctx, lot)
	if err != nil {
		return err
	}
	return s.inspectAndRelease(ctx, lot, program)
}

func (s *story) oldLot(ctx context.Context) (*stockv1.Lot, error) {
	now := s.Clock.Now()
	return s.stock.CreateLot(s.asManager(ctx), &stockv1.CreateLotRequest{
		Parent: s.parent(), LotId: "taken-over-" + now.In(s.zone).Format("20060102-150405"), RequestId: anew(),
		Lot: &stockv1.Lot{
			BotanicalName: "Dendrobium bigibbum", Cultivar: "Quiet Compass", Container: "15 cm basket", Bench: s.bench("basket/b03"),
		},
		Plants: takenOverPlants, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_RECEIVED, EventTime: timestamppb.New(now.AddDate(0, 0, -takenOverReceived)),
	})
}

func (s *story) enterPast(ctx context.Context, lot *stockv1.Lot) (*treatmentv1.Program, error) {
	// The present day stands for the day of the seeding.
	days := s.calendar
	now := s.Clock.Now().In(s.zone)
	days.last = time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, s.zone)
	completed, err := s.completedSteps(days, pastOutbreak)
	if err != nil {
		return nil, err
	}
	found, err := days.at(moment{70, "08:00"})
	if err != nil {
		return nil, err
	}
	inspection, err := s.inspect(ctx, lot.GetName(), takenOverPlants, 7, found)
	if err != nil {
		return nil, err
	}
	diagnosis, err := s.confirmDiagnosis(ctx, inspection, found.Add(untilConfirmed))
	if err != nil {
		return nil, err
	}
	program, err := s.begin(ctx, lot.GetName(), diagnosis, completed)
	if err != nil {
		return nil, err
	}
	s.tell("%s, manager, enters an outbreak in %s that was found on %s, with %d steps on the days on which they were done.",
		s.manager().DisplayName, lot.GetName(), s.local(found), len(completed))
	return program, s.foundSprays(ctx, program)
}

// foundSprays notes the applications that were entered with their own dates.
func (s *story) foundSprays(ctx context.Context, program *treatmentv1.Program) error {
	listed, err := s.treatment.ListApplications(s.asManager(ctx), &treatmentv1.ListApplicationsRequest{Parent: s.parent(), PageSize: largestPage})
	if err != nil {
		return err
	}
	before := len(s.applications)
	for _, application := range listed.GetApplications() {
		if step := application.GetStep(); step == stepOf(program, "systemic") || step == stepOf(program, "contact") {
			s.applications = append(s.applications, application.GetName())
		}
	}
	if found := len(s.applications) - before; found != 2 {
		return fmt.Errorf("%s has %d applications, not the 2 sprays that were entered", program.GetName(), found)
	}
	return nil
}

func (s *story) inspectAndRelease(ctx context.Context, lot *stockv1.Lot, program *treatmentv1.Program) error {
	if err := s.awaitOpened(ctx, program.GetName(), stepOf(program, "inspection")); err != nil {
		return err
	}
	s.tell("One inspection was clean; the clock opens the second.")
	_, err := s.confirm(ctx, program, "inspection", &treatmentv1.Confirmation{Inspection: &treatmentv1.InspectionCounts{PlantsSampled: takenOverLook}})
	if err != nil {
		return err
	}
	s.tell("%s confirms the last inspection: %d of %d plants, none with signs.", s.worker.DisplayName, takenOverLook, takenOverPlants)
	if err := s.awaitOpened(ctx, program.GetName(), stepOf(program, "release")); err != nil {
		return err
	}
	if err := s.tooFewLookedAt(ctx, program); err != nil {
		return err
	}
	released, err := s.confirm(ctx, program, "release", &treatmentv1.Confirmation{
		Performer: s.person(s.manager().ID), Inspection: &treatmentv1.InspectionCounts{PlantsSampled: takenOverPlants},
	})
	if err != nil {
		return err
	}
	if state := released.GetProgram().GetState(); state != treatmentv1.ProgramState_PROGRAM_STATE_RELEASED {
		return fmt.Errorf("after the release %s is %s", program.GetName(), state)
	}
	if !released.GetRelease().GetSufficient() {
		return fmt.Errorf("%s was released though its inspections do not show enough: %s", program.GetName(), released.GetRelease().GetStatement())
	}
	if err := s.awaitLot(ctx, lot.GetName(), "is free", func(l *stockv1.Lot) bool { return l.GetHoldingCase() == "" }); err != nil {
		return err
	}
	s.tell("%s looks at all %d and releases the lot; in the stock it is free. On record stands:", s.manager().DisplayName, takenOverPlants)
	s.tell("  %s %s", released.GetRelease().GetStatement(), released.GetRelease().GetCaution())
	sold, err := s.stock.SellPlants(s.asManager(ctx), &stockv1.SellPlantsRequest{Name: lot.GetName(), Plants: 12, Note: "first after the release", RequestId: anew()})
	if err != nil {
		return err
	}
	s.tell("%s sells 12 of its plants; %d are left.", s.manager().DisplayName, sold.GetPlants())
	return nil
}

// tooFewLookedAt asks what the inspections show, and tries to release on them.
func (s *story) tooFewLookedAt(ctx context.Context, program *treatmentv1.Program) error {
	shown, err := s.treatment.AssessRelease(s.asManager(ctx), &treatmentv1.AssessReleaseRequest{Name: program.GetName()})
	if err != nil {
		return err
	}
	if shown.GetSufficient() {
		return fmt.Errorf("two looks at %d of %d plants should not be enough: %s", takenOverLook, takenOverPlants, shown.GetStatement())
	}
	s.tell("What the inspections show: %d plants would have to be looked at in each, or more looks taken.", shown.GetPlantsNeeded())
	_, err = s.confirm(ctx, program, "release", &treatmentv1.Confirmation{})
	return s.refused(s.worker.DisplayName, "release the lot", err, fault.ReleaseUnproven)
}
