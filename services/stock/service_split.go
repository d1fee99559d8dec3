package stock

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

// SplitLot moves some plants of a lot into a new lot. The part of a held lot goes
// to isolation benches only and stays held.
func (s *Service) SplitLot(ctx context.Context, request *stockv1.SplitLotRequest) (*stockv1.SplitLotResponse, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	to, err := benchWithin(ctx, "bench", request.GetBench())
	if err != nil {
		return nil, err
	}
	if request.GetNewLotId() == ids[0] {
		return nil, fault.Field("new_lot_id", "must not be the lot that gives the plants").With("lot", ids[0])
	}
	if err := checkTexts("note", request.GetNote()); err != nil {
		return nil, err
	}
	when, err := s.eventTime(request.GetEventTime())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.SplitLotResponse, error) {
		source, err := lockLot(ctx, tx, nursery, ids[0], request.GetEtag())
		if err != nil {
			return nil, err
		}
		if err := checkOfficiallyFree(source); err != nil {
			return nil, err
		}
		created := source
		created.ID, created.House, created.Bench, created.CreateTime = request.GetNewLotId(), to.house, to.bench, s.db.Now()
		if err := checkPlants(source, request.GetPlants()); err != nil {
			return nil, err
		}
		if err := addPart(ctx, tx, nursery, created); err != nil {
			return nil, err
		}
		events := transfer{
			from: source, into: created, plants: request.GetPlants(),
			note: request.GetNote(), person: caller.Person, time: when,
		}.events()
		if err := enter(ctx, tx, nursery, events...); err != nil {
			return nil, err
		}
		after, err := ReadLots(ctx, tx, nursery, []string{source.ID, created.ID})
		if err != nil {
			return nil, err
		}
		return &stockv1.SplitLotResponse{Source: after[0].contract(nursery), Created: after[1].contract(nursery)}, nil
	})
}

// addPart adds the lot that is split off.
func addPart(ctx context.Context, tx pgx.Tx, nursery string, part Lot) error {
	bench, err := readBench(ctx, tx, nursery, part.House, part.Bench, keepBench)
	if err != nil {
		return err
	}
	if err := checkIsolation(part, bench, benchName(nursery, bench.House, bench.ID)); err != nil {
		return err
	}
	return insertLot(ctx, tx, nursery, part)
}

// transfer is plants that go from one lot into another.
type transfer struct {
	from, into   Lot
	plants       int64
	note, person string
	time         time.Time
}

// events are the two entries of a transfer, which cancel out.
func (t transfer) events() []lotEvent {
	id := uuid.New()
	out := lotEvent{
		lot: t.from.ID, kind: kindTransferredOut, plants: -t.plants, place: place{house: t.from.House, bench: t.from.Bench},
		transfer: &id, otherLot: t.into.ID, note: t.note, person: t.person, time: t.time,
	}
	in := lotEvent{
		lot: t.into.ID, kind: kindTransferredIn, plants: t.plants, place: place{house: t.into.House, bench: t.into.Bench},
		transfer: &id, otherLot: t.from.ID, note: t.note, person: t.person, time: t.time,
	}
	return []lotEvent{out, in}
}
