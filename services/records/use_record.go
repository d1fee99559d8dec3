package records

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
)

// Caution stands on every use record.
const Caution = "The product label and local law decide, and licensed advice comes first. " +
	"This record holds what was confirmed in velamen; check that it has every fact that the law of your place asks for " +
	"before you hand it in."

// period is a run of whole days in a nursery's zone.
type period struct {
	from, to string
	// begin is when the first day begins and end when the day after the last does.
	begin, end time.Time
}

// readPeriod reads the days of a request. prefix is the path of the request in
// the one that carries it.
func readPeriod(prefix string, request *recordsv1.GetUseRecordRequest, zone *time.Location) (period, error) {
	p := period{from: request.GetFromDate().GetValue(), to: request.GetToDate().GetValue()}
	var err error
	if p.begin, _, err = clock.Day(p.from, zone); err != nil {
		return period{}, fault.Field(prefix+"from_date", "%s", err).With("from_date", p.from)
	}
	if _, p.end, err = clock.Day(p.to, zone); err != nil {
		return period{}, fault.Field(prefix+"to_date", "%s", err).With("to_date", p.to)
	}
	if !p.begin.Before(p.end) {
		return period{}, fault.Field(prefix+"to_date", "%s is before the first day, %s", p.to, p.from).
			With("from_date", p.from).With("to_date", p.to)
	}
	return p, nil
}

// useRecord puts the record of a house together from the entries that stand.
func useRecord(nursery identity.Nursery, house stock.House, p period, entries []kept) (*recordsv1.UseRecord, error) {
	record := &recordsv1.UseRecord{
		House: resource.Of("nurseries", nursery.ID, "houses", house.ID), HouseDisplayName: house.DisplayName,
		NurseryDisplayName: nursery.DisplayName, TimeZone: nursery.Zone.String(),
		FromDate: &typev1.Date{Value: p.from}, ToDate: &typev1.Date{Value: p.to},
		Caution: Caution,
	}
	for _, e := range entries {
		message, err := e.contract()
		if err != nil {
			return nil, err
		}
		record.Entries = append(record.Entries, message)
	}
	var err error
	record.Totals, err = totals(entries)
	return record, err
}

// totals adds up each active ingredient in g, by identifier. One that changed
// its FRAC code between two entries has a total for each code.
func totals(entries []kept) ([]*recordsv1.ActiveUse, error) {
	type group struct{ active, code string }
	sums := map[group]quantity.Quantity{}
	for _, e := range entries {
		for _, active := range e.Actives {
			key := group{active.ActiveIngredient, active.FRACCode}
			sum, found := sums[key]
			if !found {
				sum = quantity.Must("0", quantity.Gram)
			}
			sum, err := sum.Add(active.Amount)
			if err != nil {
				return nil, fmt.Errorf("total of %s: %w", active.ActiveIngredient, err)
			}
			sums[key] = sum
		}
	}
	uses := make([]*recordsv1.ActiveUse, 0, len(sums))
	for key, sum := range sums {
		uses = append(uses, &recordsv1.ActiveUse{ActiveIngredient: key.active, FracCode: key.code, Amount: sum.Contract()})
	}
	slices.SortFunc(uses, func(a, b *recordsv1.ActiveUse) int {
		return cmp.Or(cmp.Compare(a.GetActiveIngredient(), b.GetActiveIngredient()), cmp.Compare(a.GetFracCode(), b.GetFracCode()))
	})
	return uses, nil
}
