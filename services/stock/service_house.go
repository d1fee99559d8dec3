package stock

import (
	"context"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/rpc"
)

// CreateHouse adds a house.
func (s *Service) CreateHouse(ctx context.Context, request *stockv1.CreateHouseRequest) (*stockv1.House, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	house, err := houseOf(nursery, request.GetHouseId(), request.GetHouse())
	if err != nil {
		return nil, err
	}
	house.CreateTime = s.db.Now()
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*stockv1.House, error) {
		if err := lockHouses(ctx, tx, nursery); err != nil {
			return nil, err
		}
		if err := insertHouse(ctx, tx, nursery, house); err != nil {
			return nil, err
		}
		if err := writeAdjoining(ctx, tx, nursery, house.ID, nil, house.Adjoining); err != nil {
			return nil, err
		}
		return readHouseContract(ctx, tx, nursery, house.ID)
	})
}

// GetHouse returns one house.
func (s *Service) GetHouse(ctx context.Context, request *stockv1.GetHouseRequest) (*stockv1.House, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "houses")
	if err != nil {
		return nil, err
	}
	house, err := ReadHouse(ctx, s.db, nursery, ids[0])
	if err != nil {
		return nil, err
	}
	return house.contract(nursery), nil
}

// ListHouses returns the houses by name.
func (s *Service) ListHouses(ctx context.Context, request *stockv1.ListHousesRequest) (*stockv1.ListHousesResponse, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
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
	houses, err := listHouses(ctx, s.db, nursery, keys[0], page.Size+1)
	if err != nil {
		return nil, err
	}
	houses, next := rpc.Cut(page, houses, func(h House) []string { return []string{h.ID} })
	response := &stockv1.ListHousesResponse{NextPageToken: next}
	for _, house := range houses {
		response.Houses = append(response.Houses, house.contract(nursery))
	}
	return response, nil
}

// UpdateHouse changes a house.
func (s *Service) UpdateHouse(ctx context.Context, request *stockv1.UpdateHouseRequest) (*stockv1.House, error) {
	nursery, ids, err := within(ctx, "house.name", request.GetHouse().GetName(), "houses")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*stockv1.House, error) {
		return changeHouse(ctx, tx, nursery, ids[0], request)
	})
}

func changeHouse(ctx context.Context, tx pgx.Tx, nursery, id string, request *stockv1.UpdateHouseRequest) (*stockv1.House, error) {
	if err := lockHouses(ctx, tx, nursery); err != nil {
		return nil, err
	}
	before, err := ReadHouse(ctx, tx, nursery, id)
	if err != nil {
		return nil, err
	}
	if err := rpc.CheckETag(request.GetHouse().GetName(), request.GetHouse().GetEtag(), before.Version); err != nil {
		return nil, err
	}
	merged := before.contract(nursery)
	if err := rpc.Merge(merged, request.GetHouse(), request.GetUpdateMask()); err != nil {
		return nil, err
	}
	house, err := houseOf(nursery, id, merged)
	if err != nil {
		return nil, err
	}
	if err := updateHouse(ctx, tx, nursery, house); err != nil {
		return nil, err
	}
	if err := writeAdjoining(ctx, tx, nursery, id, before.Adjoining, house.Adjoining); err != nil {
		return nil, err
	}
	return readHouseContract(ctx, tx, nursery, id)
}

func readHouseContract(ctx context.Context, tx pgx.Tx, nursery, id string) (*stockv1.House, error) {
	house, err := ReadHouse(ctx, tx, nursery, id)
	if err != nil {
		return nil, err
	}
	return house.contract(nursery), nil
}
