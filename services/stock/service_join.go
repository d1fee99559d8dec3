package stock

import (
	"context"
	"slices"
	"strconv"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
)

// JoinLots moves all plants of other lots into one lot of the same kind. None of
// them may be held.
func (s *Service) JoinLots(ctx context.Context, request *stockv1.JoinLotsRequest) (*stockv1.Lot, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	sources, err := lotsWithin(ctx, "sources", request.GetSources())
	if err != nil {
		return nil, err
	}
	if i := slices.Index(sources, ids[0]); i >= 0 {
		return nil, fault.Field("sources["+strconv.Itoa(i)+"]", "a lot cannot be joined into itself").With("lot", ids[0])
	}
	if err := checkTexts("note", request.GetNote()); err != nil {
		return nil, err
	}
	when, err := s.eventTime(request.GetEventTime())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.Lot, error) {
		lots, err := lockLots(ctx, tx, nursery, slices.Concat(ids, sources)...)
		if err != nil {
			return nil, err
		}
		into := lots[0]
		if err := rpc.CheckETag(request.GetName(), request.GetEtag(), into.Version); err != nil {
			return nil, err
		}
		var events []lotEvent
		for _, source := range lots[1:] {
			if err := checkJoin(into, source); err != nil {
				return nil, err
			}
			events = append(events, transfer{
				from: source, into: into, plants: source.Plants, note: request.GetNote(), person: caller.Person, time: when,
			}.events()...)
		}
		if err := enter(ctx, tx, nursery, events...); err != nil {
			return nil, err
		}
		return readLotContract(ctx, tx, nursery, into.ID)
	})
}

func checkJoin(into, source Lot) error {
	for _, lot := range []Lot{into, source} {
		if err := checkUnheld(lot); err != nil {
			return err
		}
	}
	if err := checkNotEmpty(source); err != nil {
		return err
	}
	return checkJoinable(into, source)
}
