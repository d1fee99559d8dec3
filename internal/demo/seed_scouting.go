package demo

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
)

// addScouting enters the climate of the houses, who worked on which lots, and the
// spots that nobody has named yet.
func (s *seeder) addScouting(ctx context.Context) error {
	for _, h := range s.nursery.scouting.Climate {
		if err := s.importClimate(ctx, h); err != nil {
			return fmt.Errorf("climate of %s: %w", h.House, err)
		}
	}
	for _, h := range s.nursery.scouting.Handlings {
		if err := s.addHandling(ctx, h); err != nil {
			return fmt.Errorf("handling %s: %w", h.Key, err)
		}
	}
	for _, seen := range s.nursery.scouting.Open {
		if err := s.addSighting(ctx, seen); err != nil {
			return fmt.Errorf("sighting %s: %w", seen.Key, err)
		}
	}
	s.say("  climate of %d houses, %d handlings, %d lot with signs that nobody has named",
		len(s.nursery.scouting.Climate), len(s.nursery.scouting.Handlings), len(s.nursery.scouting.Open))
	return nil
}

func (s *seeder) importClimate(ctx context.Context, h houseClimate) error {
	until := s.last.Add(closing * time.Hour)
	_, err := s.sendClimate(s.as(ctx, s.manager().ID), &diagnosisv1.ImportClimateRequest{
		Parent: s.name("houses", h.House), Logger: h.Logger, RequestId: requestID("climate", h.Logger),
		Data: h.file(until, s.zone),
	})
	return err
}

// sendClimate sends a logger's file in one piece; those of the demo are small.
func (s *seeder) sendClimate(ctx context.Context, request *diagnosisv1.ImportClimateRequest) (*diagnosisv1.ClimateImport, error) {
	stream, err := s.diagnosis.ImportClimate(ctx)
	if err != nil {
		return nil, err
	}
	// A refusal ends the stream early; its answer says why.
	_ = stream.Send(request)
	answer, err := stream.CloseAndRecv()
	return answer.GetClimateImport(), err
}

func (s *seeder) addHandling(ctx context.Context, h handling) error {
	start, err := s.at(h.moment)
	if err != nil {
		return err
	}
	_, err = s.stock.RecordHandling(s.as(ctx, h.By), &stockv1.RecordHandlingRequest{
		Parent: s.parent(), RequestId: requestID("handlings", h.Key),
		Handling: &stockv1.Handling{
			Lots: s.lotNames(h.Lots), Worker: s.person(h.By), ToolSet: h.ToolSet, DisinfectedBetween: h.Disinfected, Crate: h.Crate,
			Work: h.Work, StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(time.Duration(h.Minutes) * time.Minute)),
		},
	})
	return err
}

func (s *seeder) addSighting(ctx context.Context, seen sighting) error {
	found, err := s.at(seen.Found.moment)
	if err != nil {
		return err
	}
	observations, err := picture{Signs: seen.Signs}.observations()
	if err != nil {
		return err
	}
	_, err = s.diagnosis.CreateInspection(s.as(ctx, seen.Found.By), &diagnosisv1.CreateInspectionRequest{
		Parent: s.parent(), RequestId: requestID("sightings", seen.Key),
		Inspection: &diagnosisv1.Inspection{
			Target: s.lot(seen.Lot), PlantsSampled: seen.Found.Sampled, PlantsAffected: seen.Found.Affected,
			SeverityPercent: seen.Found.Severity, Note: seen.Note, Observations: observations, InspectTime: timestamppb.New(found),
		},
	})
	return err
}
