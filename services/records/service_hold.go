package records

import (
	"context"
	"strconv"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/stock"
)

// PlaceHold says that records must be kept until the hold is lifted.
func (s *Service) PlaceHold(ctx context.Context, request *recordsv1.PlaceHoldRequest) (*recordsv1.Hold, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	h, err := holdFrom(request.GetHold())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.Hold, error) {
		if err := refuseUnknownHouse(ctx, tx, ids[0], h.house); err != nil {
			return nil, err
		}
		if _, err := lockHead(ctx, tx, ids[0]); err != nil {
			return nil, err
		}
		placed := h
		placed.person, placed.placed = caller.Person, s.db.Now()
		var err error
		if placed.number, err = insertHold(ctx, tx, ids[0], placed); err != nil {
			return nil, err
		}
		return placed.contract(ids[0]), nil
	})
}

// refuseUnknownHouse refuses a hold of a house that is not there: it would hold
// nothing, and look as if it did.
func refuseUnknownHouse(ctx context.Context, tx pgx.Tx, nursery, house string) error {
	if house == "" {
		return nil
	}
	ids, err := resource.Parse("hold.house", house, "nurseries", "houses")
	if err != nil {
		return err
	}
	_, err = stock.ReadHouse(ctx, tx, nursery, ids[1])
	if fault.Is(err, fault.NotFoundReason) {
		return fault.Field("hold.house", "there is no house %q", house).With("house", house)
	}
	return err
}

// LiftHold says that a hold has ended.
func (s *Service) LiftHold(ctx context.Context, request *recordsv1.LiftHoldRequest) (*recordsv1.Hold, error) {
	nursery, number, err := parseHoldName(request.GetName())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*recordsv1.Hold, error) {
		if _, err := lockHead(ctx, tx, nursery); err != nil {
			return nil, err
		}
		h, err := readHold(ctx, tx, nursery, number)
		if err != nil {
			return nil, err
		}
		if err := h.refuseLift(nursery); err != nil {
			return nil, err
		}
		h.lifted = &lift{reason: request.GetReason(), person: caller.Person, at: s.db.Now()}
		return h.contract(nursery), insertLift(ctx, tx, nursery, number, *h.lifted)
	})
}

// ListHolds returns the holds that stand, or all that ever were, the oldest first.
func (s *Service) ListHolds(ctx context.Context, request *recordsv1.ListHoldsRequest) (*recordsv1.ListHoldsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	found, err := listHolds(ctx, s.db, ids[0], request.GetLifted(), after, page.Size+1)
	if err != nil {
		return nil, err
	}
	found, next := rpc.Cut(page, found, func(h hold) []string { return []string{strconv.FormatInt(h.number, 10)} })
	response := &recordsv1.ListHoldsResponse{NextPageToken: next}
	for _, h := range found {
		response.Holds = append(response.Holds, h.contract(ids[0]))
	}
	return response, nil
}
