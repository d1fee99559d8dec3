package stock

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
)

// ReadLots returns lots of a nursery by their ids, in the order asked for. The
// fault names the first that does not exist.
func ReadLots(ctx context.Context, r postgres.Reader, nursery string, ids []string) ([]Lot, error) {
	rows, err := r.Query(ctx, `SELECT `+lotColumns+` FROM stock.lot WHERE nursery = @nursery AND id = ANY(@ids)`,
		pgx.NamedArgs{"nursery": nursery, "ids": ids})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scanLot)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	byID := make(map[string]Lot, len(found))
	for _, lot := range found {
		byID[lot.ID] = lot
	}
	lots := make([]Lot, len(ids))
	for i, id := range ids {
		lot, ok := byID[id]
		if !ok {
			return nil, fault.Missing("lot", lotName(nursery, id))
		}
		lots[i] = lot
	}
	return lots, nil
}

// ReadLotsIn returns the lots with plants that stand in a house, by id.
func ReadLotsIn(ctx context.Context, r postgres.Reader, nursery, house string) ([]Lot, error) {
	rows, err := r.Query(ctx, `
		SELECT `+lotColumns+` FROM stock.lot WHERE nursery = @nursery AND house = @house AND plants > 0`,
		pgx.NamedArgs{"nursery": nursery, "house": house})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	lots, err := pgx.CollectRows(rows, scanLot)
	slices.SortFunc(lots, func(a, b Lot) int { return strings.Compare(a.ID, b.ID) })
	return lots, postgres.Translate(err)
}

// ReadHeld returns the ids of the lots with plants that a case (name) holds, in
// order: those that were put in it, and what was split off them since.
func ReadHeld(ctx context.Context, r postgres.Reader, nursery, holdingCase string) ([]string, error) {
	rows, err := r.Query(ctx, `
		SELECT id FROM stock.lot
		WHERE nursery = @nursery AND holding_case = @case AND holding_case <> '' AND plants > 0`,
		pgx.NamedArgs{"nursery": nursery, "case": holdingCase})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	held, err := pgx.CollectRows(rows, pgx.RowTo[string])
	slices.Sort(held) // here, so that the database is not led to walk all lots by id
	return held, postgres.Translate(err)
}

// ReadBench returns a bench of a house, or a NotFound fault.
func ReadBench(ctx context.Context, r postgres.Reader, nursery, house, bench string) (Bench, error) {
	return readBench(ctx, r, nursery, house, bench, "")
}

// ReadHouse returns a house, or a NotFound fault.
func ReadHouse(ctx context.Context, r postgres.Reader, nursery, house string) (House, error) {
	rows, err := r.Query(ctx, `SELECT `+houseColumns+` FROM stock.house h WHERE h.nursery = @nursery AND h.id = @house`,
		pgx.NamedArgs{"nursery": nursery, "house": house})
	if err != nil {
		return House{}, postgres.Translate(err)
	}
	found, err := pgx.CollectExactlyOneRow(rows, scanHouse)
	if postgres.NoRows(err) {
		return House{}, fault.Missing("house", houseName(nursery, house))
	}
	return found, postgres.Translate(err)
}

// Names of resources.
func houseName(nursery, house string) string {
	return resource.Of("nurseries", nursery, "houses", house)
}

func benchName(nursery, house, bench string) string {
	return resource.Of("nurseries", nursery, "houses", house, "benches", bench)
}

func lotName(nursery, lot string) string { return resource.Of("nurseries", nursery, "lots", lot) }

// stored reads an amount that the database returned as text; an empty one is no
// quantity.
func stored(amount string, unit quantity.Unit) (quantity.Quantity, error) {
	if amount == "" {
		return quantity.Quantity{}, nil
	}
	q, err := quantity.New(amount, unit)
	if err != nil {
		return q, fmt.Errorf("stored quantity: %w", err)
	}
	return q, nil
}

// amountOrNull is how an optional quantity is stored.
func amountOrNull(q quantity.Quantity) any {
	if q.IsZero() {
		return nil
	}
	return q.Plain()
}

// unitOrNull is how the unit of an optional quantity is stored.
func unitOrNull(q quantity.Quantity) any {
	if q.IsZero() {
		return nil
	}
	return string(q.Unit)
}

// exists is the fault of a resource that is there already.
func exists(kind, name string) error {
	return fault.New(fault.Exists, fault.AlreadyExists, "there is a %s %q already", kind, name).
		With("resource", kind).With("name", name)
}
