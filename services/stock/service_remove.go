package stock

import (
	"context"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/rpc"
)

// DisposePlants removes dead, culled or diseased plants from a lot, held or
// not: an authority that holds a lot may itself have ordered them destroyed.
func (s *Service) DisposePlants(ctx context.Context, request *stockv1.DisposePlantsRequest) (*stockv1.Lot, error) {
	return s.remove(ctx, request, kindDisposed, func(Lot) error { return nil })
}

// SellPlants removes sold plants from a lot that neither a case nor an authority
// holds.
func (s *Service) SellPlants(ctx context.Context, request *stockv1.SellPlantsRequest) (*stockv1.Lot, error) {
	return s.remove(ctx, request, kindSold, checkUnheld)
}

// removal is a request that takes plants out of the nursery.
type removal interface {
	rpc.Request
	GetName() string
	GetPlants() int64
	GetNote() string
	GetEventTime() *timestamppb.Timestamp
	GetEtag() string
}

func (s *Service) remove(ctx context.Context, request removal, kind string, allowed func(Lot) error) (*stockv1.Lot, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
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
		if err := allowed(lot); err != nil {
			return nil, err
		}
		if err := checkPlants(lot, request.GetPlants()); err != nil {
			return nil, err
		}
		err = enter(ctx, tx, nursery, lotEvent{
			lot: lot.ID, kind: kind, plants: -request.GetPlants(), place: place{house: lot.House, bench: lot.Bench},
			note: request.GetNote(), person: caller.Person, time: when,
		})
		if err != nil {
			return nil, err
		}
		return readLotContract(ctx, tx, nursery, lot.ID)
	})
}
