package treatment

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/services/diagnosis"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/stock"
	"velamen/services/treatment/sampling"
)

// addInfections adds the lots of houses whose climate let something infect them of
// which signs could show on the day.
func (r *round) addInfections(ctx context.Context, tx postgres.Reader) error {
	byHouse := map[string][]stock.Lot{}
	for _, lot := range r.lots {
		if r.house == "" || lot.House == r.house {
			byHouse[lot.House] = append(byHouse[lot.House], lot)
		}
	}
	until := r.now
	if r.end.Before(until) {
		until = r.end
	}
	houses := slices.Sorted(maps.Keys(byHouse))
	events, err := diagnosis.ReadInfectionEvents(ctx, tx, r.nursery.ID, houses, r.begin.Add(-climateBack), until)
	if err != nil {
		return err
	}
	eventsIn := map[string][]diagnosis.InfectionEvent{}
	for _, event := range events {
		eventsIn[event.House] = append(eventsIn[event.House], event)
	}
	for house, lots := range byHouse {
		if err := r.addHouse(lots, r.showing(eventsIn[house])); err != nil {
			return err
		}
	}
	if len(events) > 0 {
		r.source("Infection risk: the models of diagnosis on the climate of each house, the last 42 days (design value).")
	}
	return nil
}

// showing returns, for each disorder, the last event of which signs could show on the
// day.
func (r *round) showing(events []diagnosis.InfectionEvent) []diagnosis.InfectionEvent {
	last := map[string]diagnosis.InfectionEvent{}
	for _, event := range events {
		if event.SignsFrom == "" || r.date < event.SignsFrom || r.date > event.SignsUntil {
			continue
		}
		if before, seen := last[event.Disorder]; !seen || event.Infection.After(before.Infection) {
			last[event.Disorder] = event
		}
	}
	showing := make([]diagnosis.InfectionEvent, 0, len(last))
	for _, event := range last {
		showing = append(showing, event)
	}
	slices.SortFunc(showing, func(a, b diagnosis.InfectionEvent) int { return strings.Compare(a.Disorder, b.Disorder) })
	return showing
}

func (r *round) addHouse(lots []stock.Lot, events []diagnosis.InfectionEvent) error {
	for _, event := range events {
		disorder, known := knowledge.Shipped().Disorder(event.Disorder)
		if !known {
			continue
		}
		why := r.infectionReason(event)
		for _, lot := range lots {
			if disorder.WeightIn(knowledge.Shipped().PlantOf(lot.BotanicalName)) == 0 || r.seenToday(lot.ID) {
				continue
			}
			if err := r.want(lot.ID, sampling.DesignValues(), why); err != nil {
				return err
			}
		}
	}
	return nil
}

// infectionReason is the reason that an event gives to every lot of its house. Each
// carries a short mark of unverified parameters; the plan says once what they are.
func (r *round) infectionReason(event diagnosis.InfectionEvent) reason {
	why := reason{kind: treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_INFECTION_RISK, disorder: event.Disorder}
	mark := ""
	if event.Unverified != "" {
		mark = " (parameters unverified)"
		why.unverified = fmt.Sprintf("Model %s: %s", event.Model, event.Unverified)
	}
	why.sentence = fmt.Sprintf("The climate of house %s let %s infect on %s: signs could show from %s to %s%s.", event.House, r.title(event.Disorder),
		event.Infection.In(r.nursery.Zone).Format("2 January 2006 15:04"), event.SignsFrom, event.SignsUntil, mark)
	return why
}
