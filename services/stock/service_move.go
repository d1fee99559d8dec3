package stock

import (
	"context"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

// MoveLot moves a whole lot to another bench. A held lot goes to isolation
// benches only, one that an authority holds nowhere.
func (s *Service) MoveLot(ctx context.Context, request *stockv1.MoveLotRequest) (*stockv1.Lot, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	to, err := benchWithin(ctx, "bench", request.GetBench())
	if err != nil {
		return nil, err
	}
	if err := checkTexts("note", request.GetNote()); err != nil {
		return nil, err
	}
	when, err := s.eventTime(request.GetEventTime())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.Lot, error) {
		lot, err := lockLot(ctx, tx, nursery, ids[0], request.GetEtag())
		if err != nil {
			return nil, err
		}
		moved := lotEvent{lot: lot.ID, kind: kindMoved, place: to, note: request.GetNote(), person: caller.Person, time: when}
		if err := moveLot(ctx, tx, nursery, lot, moved); err != nil {
			return nil, err
		}
		return readLotContract(ctx, tx, nursery, lot.ID)
	})
}

// moveLot moves a locked lot to the place of an event.
func moveLot(ctx context.Context, tx pgx.Tx, nursery string, lot Lot, moved lotEvent) error {
	if err := checkOfficiallyFree(lot); err != nil {
		return err
	}
	if err := checkNotEmpty(lot); err != nil {
		return err
	}
	bench, err := readBench(ctx, tx, nursery, moved.place.house, moved.place.bench, keepBench)
	if err != nil {
		return err
	}
	name := benchName(nursery, bench.House, bench.ID)
	if lot.House == bench.House && lot.Bench == bench.ID {
		return fault.Field("bench", "lot %s stands on %s already", lot.ID, name).With("lot", lot.ID).With("bench", name)
	}
	if err := checkIsolation(lot, bench, name); err != nil {
		return err
	}
	return enter(ctx, tx, nursery, moved)
}
