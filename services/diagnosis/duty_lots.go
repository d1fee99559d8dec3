package diagnosis

import (
	"context"
	"slices"

	"velamen/internal/postgres"
	"velamen/services/stock"
)

// lotsToHold returns the lots in which the plants of some inspections may be now:
// those inspected, those that stood on an inspected bench then or stand there now, and
// those into which plants of them went since.
func lotsToHold(ctx context.Context, r postgres.Reader, nursery string, inspections []inspectionRow) ([]stock.Lot, error) {
	lots, err := lotsOf(ctx, r, nursery, inspections)
	if err != nil {
		return nil, err
	}
	known := make([]string, len(lots))
	for i, lot := range lots {
		known[i] = lot.ID
	}
	var more []string
	for _, inspection := range inspections {
		then, err := lotsThen(ctx, r, inspection)
		if err != nil {
			return nil, err
		}
		offspring, err := stock.ReadOffspring(ctx, r, nursery, then, inspection.inspectTime)
		if err != nil {
			return nil, err
		}
		for _, lot := range slices.Concat(then, offspring) {
			if !slices.Contains(known, lot) {
				known, more = append(known, lot), append(more, lot)
			}
		}
	}
	added, err := stock.ReadLots(ctx, r, nursery, more)
	return append(lots, added...), err
}

// lotsThen returns the ids of the lots whose plants an inspection looked at.
func lotsThen(ctx context.Context, r postgres.Reader, inspection inspectionRow) ([]string, error) {
	at := inspection.target
	if at.lot != "" {
		return []string{at.lot}, nil
	}
	stays, err := stock.ReadStays(ctx, r, inspection.nursery, inspection.inspectTime)
	if err != nil {
		return nil, err
	}
	var lots []string
	for _, stay := range stays {
		there := stay.Bench == stock.BenchID{House: at.house, Bench: at.bench}
		if there && !stay.From.After(inspection.inspectTime) && !stay.Until.Before(inspection.inspectTime) {
			lots = append(lots, stay.Lot)
		}
	}
	return lots, nil
}
