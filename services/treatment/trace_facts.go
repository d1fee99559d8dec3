package treatment

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/stock/tracing"
)

// traceFacts are what a trace rests on, read once for any number of outbreaks.
type traceFacts struct {
	nursery identity.Nursery
	// lots are those with plants, by id.
	lots    map[string]stock.Lot
	benches map[tracing.BenchID]stock.Bench
	stays   []stock.Stay
	// recorded is how many handlings people recorded, steps of programs aside.
	recorded int
	facts    tracing.Facts
}

// readTraceFacts reads what happened in a nursery between two moments.
func readTraceFacts(ctx context.Context, r postgres.Reader, nursery string, from, until time.Time) (*traceFacts, error) {
	known := &traceFacts{lots: map[string]stock.Lot{}, benches: map[tracing.BenchID]stock.Bench{}}
	var err error
	if known.nursery, err = identity.ReadNursery(ctx, r, nursery); err != nil {
		return nil, err
	}
	stocked, err := stock.ReadStocked(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	for _, lot := range stocked {
		known.lots[lot.ID] = lot
	}
	benches, err := stock.ReadBenches(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	for _, bench := range benches {
		traced := benchToTrace(bench)
		known.benches[traced.ID] = bench
		known.facts.Benches = append(known.facts.Benches, traced)
	}
	if known.stays, err = stock.ReadStays(ctx, r, nursery, from); err != nil {
		return nil, err
	}
	if err := known.readLines(ctx, r); err != nil {
		return nil, err
	}
	return known, known.readHandlings(ctx, r, from, until)
}

func benchToTrace(bench stock.Bench) tracing.Bench {
	traced := tracing.Bench{ID: tracing.BenchID{House: bench.House, Bench: bench.ID}, WaterLine: bench.WaterLine}
	for _, neighbour := range bench.Neighbours {
		traced.Neighbours = append(traced.Neighbours, tracing.BenchID(neighbour))
	}
	if bench.Place.Measured() {
		traced.Place = rectangleOf(bench.Place)
	}
	return traced
}

func rectangleOf(place stock.BenchPlace) *tracing.Rectangle {
	return &tracing.Rectangle{X: place.X.Amount, Y: place.Y.Amount, Length: place.Length.Amount, Width: place.Width.Amount}
}

// readLines turns stays into facts and adds where the plants of their lots came from.
func (k *traceFacts) readLines(ctx context.Context, r postgres.Reader) error {
	var lots []string
	for _, stay := range k.stays {
		k.facts.Stays = append(k.facts.Stays, tracing.Stay{Lot: stay.Lot, Bench: tracing.BenchID(stay.Bench), From: stay.From, Until: stay.Until})
		if len(lots) == 0 || lots[len(lots)-1] != stay.Lot {
			lots = append(lots, stay.Lot)
		}
	}
	lineage, err := stock.ReadLineage(ctx, r, k.nursery.ID, lots)
	if err != nil {
		return err
	}
	for _, line := range lineage {
		k.facts.Lines = append(k.facts.Lines, tracing.Line(line))
	}
	return nil
}

// readHandlings reads what people recorded, and the steps of programs, at which
// somebody worked on the lots as well.
func (k *traceFacts) readHandlings(ctx context.Context, r postgres.Reader, from, until time.Time) error {
	recorded, err := stock.ReadHandlings(ctx, r, k.nursery.ID, from, until)
	if err != nil {
		return err
	}
	k.recorded = len(recorded)
	for _, h := range recorded {
		k.facts.Handlings = append(k.facts.Handlings, tracing.Handling{
			ID: h.ID, Lots: h.Lots, Worker: h.Worker, ToolSet: h.ToolSet, Crate: h.Crate, Disinfected: h.Disinfected, Start: h.Start, End: h.End,
		})
	}
	steps, err := readStepsAtPlants(ctx, r, k.nursery.ID, from, until)
	k.facts.Handlings = append(k.facts.Handlings, steps...)
	return err
}

// awayFromPlants are kinds of step at which nobody needs to touch the plants.
var awayFromPlants = []Kind{
	treatmentv1.StepKind_STEP_KIND_LAB_TEST, treatmentv1.StepKind_STEP_KIND_RELEASE, treatmentv1.StepKind_STEP_KIND_ENVIRONMENT,
}

func stepAtPlants(id, person string, confirmation, state []byte) (h tracing.Handling, touched bool, err error) {
	var s State
	if err := json.Unmarshal(state, &s); err != nil {
		return h, false, fmt.Errorf("state of a program: %w", err)
	}
	step, found := s.Find(id)
	if !found || slices.Contains(awayFromPlants, step.Kind) {
		return h, false, nil
	}
	said := &treatmentv1.Confirmation{}
	if err := protojson.Unmarshal(confirmation, said); err != nil {
		return h, false, fmt.Errorf("confirmation of step %s: %w", id, err)
	}
	h = tracing.Handling{Worker: person, Start: said.GetStartTime().AsTime(), End: said.GetEndTime().AsTime()}
	if said.GetPerformer() != "" {
		ids, err := resource.Parse("performer", said.GetPerformer(), "nurseries", "people")
		if err != nil {
			return h, false, err
		}
		h.Worker = ids[1]
	}
	return h, true, nil
}

// trace returns the lots that could have caught it, the most exposed first.
func (k *traceFacts) trace(o spread) []tracing.Exposed {
	if !o.spreads() {
		return nil
	}
	return tracing.Trace(k.facts, o.window(k.nursery.Zone), tracing.Shipped())
}

// routeWord is a route as the files of the knowledge and of the weights write it.
func routeWord(route diagnosisv1.Route) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(route.String(), "ROUTE_")), "_", "-")
}

// benchesOf returns where infected lots stood at a moment and after it. Of one whose
// plants were gone by then, where they stood last: what it left there is still there.
func (k *traceFacts) benchesOf(lots []string, from time.Time) []tracing.BenchID {
	var benches []tracing.BenchID
	for i, stay := range k.stays {
		lasts := i+1 == len(k.stays) || k.stays[i+1].Lot != stay.Lot // stays are sorted by lot and time
		id := tracing.BenchID(stay.Bench)
		if slices.Contains(lots, stay.Lot) && (lasts || stay.Until.After(from)) && !slices.Contains(benches, id) {
			benches = append(benches, id)
		}
	}
	return benches
}
