package stock

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// CreateLot starts or receives plants as a new lot on a bench.
func (s *Service) CreateLot(ctx context.Context, request *stockv1.CreateLotRequest) (*stockv1.Lot, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	at, err := benchWithin(ctx, "lot.bench", request.GetLot().GetBench())
	if err != nil {
		return nil, err
	}
	lot, err := lotOf(request.GetLotId(), at, request.GetLot())
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
	lot.CreateTime = s.db.Now()
	lot.Origin = Origin(strings.TrimPrefix(request.GetOrigin().String(), kindPrefix))
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.Lot, error) {
		if _, err := readBench(ctx, tx, nursery, at.house, at.bench, keepBench); err != nil {
			return nil, err
		}
		if err := insertLot(ctx, tx, nursery, lot); err != nil {
			return nil, err
		}
		err := enter(ctx, tx, nursery, lotEvent{
			lot: lot.ID, kind: string(lot.Origin), plants: request.GetPlants(), place: at,
			note: request.GetNote(), person: caller.Person, time: when,
		})
		if err != nil {
			return nil, err
		}
		return readLotContract(ctx, tx, nursery, lot.ID)
	})
}

// GetLot returns one lot.
func (s *Service) GetLot(ctx context.Context, request *stockv1.GetLotRequest) (*stockv1.Lot, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	lots, err := ReadLots(ctx, s.db, nursery, ids)
	if err != nil {
		return nil, err
	}
	return lots[0].contract(nursery), nil
}

// ListLots returns lots by name.
func (s *Service) ListLots(ctx context.Context, request *stockv1.ListLotsRequest) (*stockv1.ListLotsResponse, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	if err := checkTexts("query", strings.TrimSpace(request.GetQuery())); err != nil {
		return nil, err
	}
	filter := lotFilter{query: strings.TrimSpace(request.GetQuery()), includeEmpty: request.GetIncludeEmpty()}
	if filter.place, err = s.placeFilter(ctx, request.GetPlace()); err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	keys, err := after(page, 1)
	if err != nil {
		return nil, err
	}
	lots, err := listLots(ctx, s.db, nursery, filter, keys[0], page.Size+1)
	if err != nil {
		return nil, err
	}
	lots, next := rpc.Cut(page, lots, func(l Lot) []string { return []string{l.ID} })
	response := &stockv1.ListLotsResponse{NextPageToken: next}
	for _, lot := range lots {
		response.Lots = append(response.Lots, lot.contract(nursery))
	}
	return response, nil
}

// placeFilter reads the house or bench that a listing is about. One that does not
// exist is refused, so that a mistyped name does not pass for an empty house.
func (s *Service) placeFilter(ctx context.Context, name string) (place, error) {
	if name == "" {
		return place{}, nil
	}
	if strings.Contains(name, "/benches/") {
		at, err := benchWithin(ctx, "place", name)
		if err != nil {
			return place{}, err
		}
		nursery, _ := resource.NurseryOf(name)
		_, err = ReadBench(ctx, s.db, nursery, at.house, at.bench)
		return at, err
	}
	nursery, ids, err := within(ctx, "place", name, "houses")
	if err != nil {
		return place{}, err
	}
	_, err = ReadHouse(ctx, s.db, nursery, ids[0])
	return place{house: ids[0]}, err
}

// UpdateLot changes what is known about a lot, never its plants or place.
func (s *Service) UpdateLot(ctx context.Context, request *stockv1.UpdateLotRequest) (*stockv1.Lot, error) {
	nursery, ids, err := within(ctx, "lot.name", request.GetLot().GetName(), "lots")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*stockv1.Lot, error) {
		before, err := lockLot(ctx, tx, nursery, ids[0], request.GetLot().GetEtag())
		if err != nil {
			return nil, err
		}
		merged := before.contract(nursery)
		if err := rpc.Merge(merged, request.GetLot(), request.GetUpdateMask()); err != nil {
			return nil, err
		}
		lot, err := lotOf(before.ID, place{house: before.House, bench: before.Bench}, merged)
		if err != nil {
			return nil, err
		}
		if err := updateLot(ctx, tx, nursery, lot); err != nil {
			return nil, err
		}
		return readLotContract(ctx, tx, nursery, lot.ID)
	})
}

// lockLot locks one lot and holds it to be the one that the caller read.
func lockLot(ctx context.Context, tx pgx.Tx, nursery, id, etag string) (Lot, error) {
	lots, err := lockLots(ctx, tx, nursery, id)
	if err != nil {
		return Lot{}, err
	}
	return lots[0], rpc.CheckETag(lotName(nursery, id), etag, lots[0].Version)
}

func readLotContract(ctx context.Context, tx pgx.Tx, nursery, id string) (*stockv1.Lot, error) {
	lots, err := ReadLots(ctx, tx, nursery, []string{id})
	if err != nil {
		return nil, err
	}
	return lots[0].contract(nursery), nil
}
