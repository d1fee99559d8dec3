package treatment

import (
	"context"
	"maps"
	"slices"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/services/stock"
)

// RoutineInspection is a house in which lots should be looked at that no step of a
// program looks at.
type RoutineInspection struct {
	// House is the house's id.
	House string
	// Lots to look at, the weightiest first.
	Lots []LotToInspect
	// Reason is the weightiest, as a sentence, and Lot the id of the lot it is about.
	Reason, Lot string
}

// LotToInspect is a lot with how many of its plants to look at.
type LotToInspect struct {
	Lot    stock.Lot
	Plants int64
}

// ReadRoutineInspections returns, for each of some days (YYYY-MM-DD, today or later),
// the houses in which lots should be looked at by its end, by house. What is due by a
// step of a program is left to that step.
func ReadRoutineInspections(ctx context.Context, r postgres.Reader, nursery string, dates []string, now time.Time) ([][]RoutineInspection, error) {
	var cases *tracedCases
	var all [][]RoutineInspection
	for _, date := range dates {
		due, err := newRound(ctx, r, nursery, &treatmentv1.ProposeInspectionsRequest{Date: date}, now)
		if err != nil {
			return nil, err
		}
		if cases == nil {
			if cases, err = due.readCases(ctx, r); err != nil {
				return nil, err
			}
		}
		due.cases = cases
		if err := due.fill(ctx, r); err != nil {
			return nil, err
		}
		all = append(all, due.routine())
	}
	return all, nil
}

// routine returns what is to be looked at, by house.
func (r *round) routine() []RoutineInspection {
	byHouse := map[string]*RoutineInspection{}
	weightiest := map[string]reason{}
	for _, id := range slices.Sorted(maps.Keys(r.wanted)) {
		w, lot := r.wanted[id], r.lots[id]
		slices.SortFunc(w.reasons, heaviestReason)
		why := w.reasons[0]
		if why.kind == treatmentv1.InspectionReasonKind_INSPECTION_REASON_KIND_STEP_DUE {
			continue
		}
		found := byHouse[lot.House]
		if found == nil {
			found = &RoutineInspection{House: lot.House, Reason: why.sentence, Lot: id}
			byHouse[lot.House], weightiest[lot.House] = found, why
		}
		if heaviestReason(why, weightiest[lot.House]) < 0 {
			found.Reason, found.Lot, weightiest[lot.House] = why.sentence, id, why
		}
		found.Lots = append(found.Lots, LotToInspect{Lot: lot, Plants: w.plants})
	}
	var all []RoutineInspection
	for _, house := range slices.Sorted(maps.Keys(byHouse)) {
		found := byHouse[house]
		slices.SortStableFunc(found.Lots, func(a, b LotToInspect) int {
			return heaviestReason(r.wanted[a.Lot.ID].reasons[0], r.wanted[b.Lot.ID].reasons[0])
		})
		all = append(all, *found)
	}
	return all
}
