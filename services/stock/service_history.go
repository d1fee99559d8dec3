package stock

import (
	"context"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/rpc"
)

// eventKey is where a lot's history goes on.
type eventKey struct {
	time time.Time
	id   int64
}

// ListLotEvents returns what happened to a lot, oldest first.
func (s *Service) ListLotEvents(ctx context.Context, request *stockv1.ListLotEventsRequest) (*stockv1.ListLotEventsResponse, error) {
	nursery, ids, err := within(ctx, "name", request.GetName(), "lots")
	if err != nil {
		return nil, err
	}
	if _, err := ReadLots(ctx, s.db, nursery, ids); err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	from, err := eventKeyOf(page)
	if err != nil {
		return nil, err
	}
	events, err := listLotEvents(ctx, s.db, nursery, ids[0], from, page.Size+1)
	if err != nil {
		return nil, err
	}
	events, next := rpc.Cut(page, events, func(e lotEvent) []string {
		return []string{e.time.Format(time.RFC3339Nano), strconv.FormatInt(e.id, 10)}
	})
	response := &stockv1.ListLotEventsResponse{NextPageToken: next}
	for _, event := range events {
		response.Events = append(response.Events, event.contract(nursery))
	}
	return response, nil
}

func eventKeyOf(page rpc.Page) (eventKey, error) {
	if page.After == nil {
		return eventKey{}, nil
	}
	when, err := time.Parse(time.RFC3339Nano, page.After[0])
	if err != nil {
		return eventKey{}, rpc.BadToken()
	}
	id, err := strconv.ParseInt(page.After[1], 10, 64)
	if err != nil {
		return eventKey{}, rpc.BadToken()
	}
	return eventKey{time: when, id: id}, nil
}

// GetPlantBalance returns the plant counts of a nursery and whether they agree.
// Events and lots are counted in one snapshot, so that a sale in between cannot
// make them differ.
func (s *Service) GetPlantBalance(ctx context.Context, request *stockv1.GetPlantBalanceRequest) (*stockv1.PlantBalance, error) {
	nursery, _, err := within(ctx, "name", request.GetName())
	if err != nil {
		return nil, err
	}
	var counts *stockv1.PlantBalance
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		started, received, disposed, sold, onHand, err := countPlants(ctx, tx, nursery)
		counts = balance(started, received, disposed, sold, onHand)
		return err
	})
	if err != nil {
		return nil, err
	}
	return counts, nil
}
