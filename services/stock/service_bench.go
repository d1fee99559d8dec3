package stock

import (
	"context"
	"strings"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// CreateBench adds a bench to a house.
func (s *Service) CreateBench(ctx context.Context, request *stockv1.CreateBenchRequest) (*stockv1.Bench, error) {
	nursery, ids, err := within(ctx, "parent", request.GetParent(), "houses")
	if err != nil {
		return nil, err
	}
	bench, err := benchOf(nursery, place{house: ids[0], bench: request.GetBenchId()}, request.GetBench())
	if err != nil {
		return nil, err
	}
	bench.CreateTime = s.db.Now()
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*stockv1.Bench, error) {
		if err := addBench(ctx, tx, nursery, bench); err != nil {
			return nil, err
		}
		return readBenchContract(ctx, tx, nursery, place{house: bench.House, bench: bench.ID})
	})
}

func addBench(ctx context.Context, tx pgx.Tx, nursery string, bench Bench) error {
	if len(bench.Neighbours) > 0 {
		if err := lockHouses(ctx, tx, nursery); err != nil {
			return err
		}
	}
	if err := insertBench(ctx, tx, nursery, bench); err != nil {
		return err
	}
	return writeNeighbours(ctx, tx, nursery, Bench{House: bench.House, ID: bench.ID}, bench)
}

// GetBench returns one bench.
func (s *Service) GetBench(ctx context.Context, request *stockv1.GetBenchRequest) (*stockv1.Bench, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "houses", "benches")
	if err != nil {
		return nil, err
	}
	bench, err := ReadBench(ctx, s.db, nursery, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return bench.contract(nursery), nil
}

// ListBenches returns the benches of a house, or of all houses with "houses/-".
func (s *Service) ListBenches(ctx context.Context, request *stockv1.ListBenchesRequest) (*stockv1.ListBenchesResponse, error) {
	nursery, house, err := s.benchesParent(ctx, request.GetParent())
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	keys, err := after(page, 2)
	if err != nil {
		return nil, err
	}
	benches, err := listBenches(ctx, s.db, nursery, house, place{house: keys[0], bench: keys[1]}, page.Size+1)
	if err != nil {
		return nil, err
	}
	benches, next := rpc.Cut(page, benches, func(b Bench) []string { return []string{b.House, b.ID} })
	response := &stockv1.ListBenchesResponse{NextPageToken: next}
	for _, bench := range benches {
		response.Benches = append(response.Benches, bench.contract(nursery))
	}
	return response, nil
}

// benchesParent reads whose benches are wanted; an empty house means all.
func (s *Service) benchesParent(ctx context.Context, parent string) (nursery, house string, err error) {
	ids, err := resource.ParseParent("parent", parent, "nurseries", "houses")
	if err != nil {
		return "", "", err
	}
	if err := ownNursery(ctx, ids[0], parent); err != nil {
		return "", "", err
	}
	if ids[1] == resource.Any {
		return ids[0], "", nil
	}
	_, err = ReadHouse(ctx, s.db, ids[0], ids[1])
	return ids[0], ids[1], err
}

// UpdateBench changes a bench.
func (s *Service) UpdateBench(ctx context.Context, request *stockv1.UpdateBenchRequest) (*stockv1.Bench, error) {
	nursery, ids, err := within(ctx, "bench.name", request.GetBench().GetName(), "houses", "benches")
	if err != nil {
		return nil, err
	}
	at := place{house: ids[0], bench: ids[1]}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*stockv1.Bench, error) {
		return changeBenchAt(ctx, tx, nursery, at, request)
	})
}

// changeBenchAt locks the houses first: which benches stand beside each other
// changes in one transaction at a time, as which houses adjoin does.
func changeBenchAt(ctx context.Context, tx pgx.Tx, nursery string, at place, request *stockv1.UpdateBenchRequest) (*stockv1.Bench, error) {
	if err := lockHouses(ctx, tx, nursery); err != nil {
		return nil, err
	}
	before, err := readBench(ctx, tx, nursery, at.house, at.bench, changeBench)
	if err != nil {
		return nil, err
	}
	if err := rpc.CheckETag(request.GetBench().GetName(), request.GetBench().GetEtag(), before.Version); err != nil {
		return nil, err
	}
	merged := before.contract(nursery)
	if err := rpc.Merge(merged, request.GetBench(), request.GetUpdateMask()); err != nil {
		return nil, err
	}
	bench, err := benchOf(nursery, at, merged)
	if err != nil {
		return nil, err
	}
	if before.Isolation && !bench.Isolation {
		if err := checkNoHeldLots(ctx, tx, nursery, at); err != nil {
			return nil, err
		}
	}
	if err := updateBench(ctx, tx, nursery, bench); err != nil {
		return nil, err
	}
	if err := writeNeighbours(ctx, tx, nursery, before, bench); err != nil {
		return nil, err
	}
	return readBenchContract(ctx, tx, nursery, at)
}

// checkNoHeldLots refuses to open up a bench on which lots are kept apart.
func checkNoHeldLots(ctx context.Context, tx pgx.Tx, nursery string, at place) error {
	held, err := heldLotsOn(ctx, tx, nursery, at)
	if err != nil || len(held) == 0 {
		return err
	}
	lots := strings.Join(held, ", ")
	return fault.FieldReason(fault.Precondition, fault.LotHeld, "bench.isolation",
		"lots are kept apart on this bench; move them to another isolation bench first: %s", lots).With("lots", lots)
}

func readBenchContract(ctx context.Context, tx pgx.Tx, nursery string, at place) (*stockv1.Bench, error) {
	bench, err := ReadBench(ctx, tx, nursery, at.house, at.bench)
	if err != nil {
		return nil, err
	}
	return bench.contract(nursery), nil
}
