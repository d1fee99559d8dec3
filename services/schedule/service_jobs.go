package schedule

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// ListJobs returns the steps that can be done by a time, most urgent first.
func (s *Service) ListJobs(ctx context.Context, request *schedulev1.ListJobsRequest) (*schedulev1.ListJobsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	now := s.db.Now()
	openBy, err := readOpenBy(request, now)
	if err != nil {
		return nil, err
	}
	var response *schedulev1.ListJobsResponse
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		response, err = listJobs(ctx, tx, ids[0], page, now, openBy)
		return err
	})
	return response, err
}

func readOpenBy(request *schedulev1.ListJobsRequest, now time.Time) (time.Time, error) {
	if request.GetOpenBy() == nil {
		return now, nil
	}
	if err := request.GetOpenBy().CheckValid(); err != nil {
		return time.Time{}, fault.Field("open_by", "is not a time between the years 1 and 9999")
	}
	return request.GetOpenBy().AsTime(), nil
}

func listJobs(ctx context.Context, tx pgx.Tx, nurseryID string, page rpc.Page, now, openBy time.Time) (*schedulev1.ListJobsResponse, error) {
	nursery, err := identity.ReadNursery(ctx, tx, nurseryID)
	if err != nil {
		return nil, err
	}
	steps, err := treatment.ReadOpenSteps(ctx, tx, nurseryID, now, openBy, page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	steps, next := rpc.Cut(page, steps, func(step treatment.OpenStep) []string { return []string{step.Cursor} })
	lots, err := lotsOf(ctx, tx, nurseryID, steps)
	if err != nil {
		return nil, err
	}
	sprayers, err := inService(ctx, tx, nurseryID)
	if err != nil {
		return nil, err
	}
	response := &schedulev1.ListJobsResponse{NextPageToken: next}
	for _, step := range steps {
		response.Jobs = append(response.Jobs, job(nursery, step, lots, sprayers, now))
	}
	return response, nil
}

// lotsOf reads the lots of all steps of a page at once, by id.
func lotsOf(ctx context.Context, tx pgx.Tx, nursery string, steps []treatment.OpenStep) (map[string]stock.Lot, error) {
	wanted := map[string]bool{}
	for _, step := range steps {
		for _, id := range step.LotIDs {
			wanted[id] = true
		}
	}
	lots, err := stock.ReadLots(ctx, tx, nursery, slices.Sorted(maps.Keys(wanted)))
	if err != nil {
		return nil, err
	}
	byID := make(map[string]stock.Lot, len(lots))
	for _, lot := range lots {
		byID[lot.ID] = lot
	}
	return byID, nil
}
