package schedule

import (
	"context"

	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
	"velamen/services/treatment"
)

// How many slots are told when nobody says, and at most.
const (
	fewSlots  = 10
	mostSlots = 100
)

// FindSlots says where a job would fit into a plan without moving others, the cheapest
// place first. Jobs of the plan that break a rule by what is known now are in nobody's
// way.
func (s *Service) FindSlots(ctx context.Context, request *schedulev1.FindSlotsRequest) (*schedulev1.FindSlotsResponse, error) {
	e, err := s.explain(ctx, request.GetName(), request.GetJob())
	if err != nil {
		return nil, err
	}
	response := &schedulev1.FindSlotsResponse{Caution: treatment.Caution}
	if e.index == model.None {
		if response.Conflicts = e.impossible(); len(response.GetConflicts()) == 0 {
			return nil, e.c.refuseJob("job", e.job)
		}
		return response, nil
	}
	limit := int(request.GetLimit())
	if limit == 0 {
		limit = fewSlots
	}
	for _, slot := range search.Slots(e.c.problem, e.c.sound(e.plan), e.index, min(limit, mostSlots)) {
		response.Slots = append(response.Slots, e.c.slot(e.index, slot))
	}
	if len(response.GetSlots()) == 0 {
		response.Conflicts = e.conflicts(ctx)
	}
	return response, nil
}

// slot writes a place for a job as people read it.
func (c *compiled) slot(j int32, slot search.Slot) *schedulev1.Slot {
	place, job := slot.Placement, &c.problem.Jobs[j]
	way := job.Ways[place.Way]
	message := &schedulev1.Slot{
		StartTime: timestamppb.New(c.at(place.Start)), EndTime: timestamppb.New(c.at(place.Start + way.Duration)),
		Terms: termsOf(slot.Change.Terms), Points: points(slot.Change.Total()),
	}
	if place.Person != model.None {
		message.Person = c.name("people", c.crew[place.Person].Person.ID)
	}
	if way.Station != model.None {
		message.Sprayer = c.name("sprayers", c.sprayers[way.Station].ID)
		message.JoinsLoad = job.Mix != model.None && !place.NewLoad
	}
	return message
}
