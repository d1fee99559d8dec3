package stock

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/services/identity"
)

// RecordHandling records who worked on which lots with which tools and crates.
func (s *Service) RecordHandling(ctx context.Context, request *stockv1.RecordHandlingRequest) (*stockv1.Handling, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	done, err := handlingOf(request.GetHandling(), s.db.Clock())
	if err != nil {
		return nil, err
	}
	if done.Lots, err = lotsWithin(ctx, "handling.lots", request.GetHandling().GetLots()); err != nil {
		return nil, err
	}
	if done.Worker, err = workerWithin(ctx, request.GetHandling().GetWorker()); err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.Handling, error) {
		done := done
		done.ID, done.Person, done.CreateTime = uuid.NewString(), caller.Person, s.db.Now()
		if done.Worker == "" {
			done.Worker = caller.Person
		}
		if err := checkHandled(ctx, tx, nursery, done); err != nil {
			return nil, err
		}
		if err := insertHandling(ctx, tx, nursery, done); err != nil {
			return nil, err
		}
		return done.contract(nursery), nil
	})
}

func workerWithin(ctx context.Context, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	_, ids, err := within(ctx, "handling.worker", name, "people")
	if err != nil {
		return "", err
	}
	return ids[0], nil
}

// checkHandled refuses a worker or lots that do not exist, and lots whose last
// plants had left before the work began.
func checkHandled(ctx context.Context, tx pgx.Tx, nursery string, done Handling) error {
	if _, err := identity.ReadPerson(ctx, tx, nursery, done.Worker); err != nil {
		return err
	}
	if _, err := ReadLots(ctx, tx, nursery, done.Lots); err != nil {
		return err
	}
	gone, err := ReadGone(ctx, tx, nursery, done.Lots, done.Start)
	if err != nil || len(gone) == 0 {
		return err
	}
	i := slices.IndexFunc(done.Lots, func(lot string) bool { return slices.Contains(gone, lot) })
	return fault.FieldReason(fault.Precondition, fault.LotEmpty, "handling.lots["+strconv.Itoa(i)+"]",
		"lot %s had no plants left when the work began", done.Lots[i]).With("lot", done.Lots[i])
}

// ListHandlings returns handlings, newest first.
func (s *Service) ListHandlings(ctx context.Context, request *stockv1.ListHandlingsRequest) (*stockv1.ListHandlingsResponse, error) {
	nursery, _, err := within(ctx, "parent", request.GetParent())
	if err != nil {
		return nil, err
	}
	lot := ""
	if request.GetLot() != "" {
		_, ids, err := within(ctx, "lot", request.GetLot(), "lots")
		if err != nil {
			return nil, err
		}
		if _, err := ReadLots(ctx, s.db, nursery, ids); err != nil {
			return nil, err
		}
		lot = ids[0]
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	before, err := handlingKeyOf(page)
	if err != nil {
		return nil, err
	}
	handlings, err := listHandlings(ctx, s.db, nursery, lot, before, page.Size+1)
	if err != nil {
		return nil, err
	}
	handlings, next := rpc.Cut(page, handlings, func(h Handling) []string {
		return []string{h.Start.Format(time.RFC3339Nano), h.ID}
	})
	response := &stockv1.ListHandlingsResponse{NextPageToken: next}
	for _, handling := range handlings {
		response.Handlings = append(response.Handlings, handling.contract(nursery))
	}
	return response, nil
}

// handlingKey is where a list of handlings goes on.
type handlingKey struct {
	start time.Time
	id    string
}

func handlingKeyOf(page rpc.Page) (handlingKey, error) {
	if page.After == nil {
		return handlingKey{start: endOfTime}, nil
	}
	start, err := time.Parse(time.RFC3339Nano, page.After[0])
	if err != nil {
		return handlingKey{}, rpc.BadToken()
	}
	if _, err := uuid.Parse(page.After[1]); err != nil {
		return handlingKey{}, rpc.BadToken()
	}
	return handlingKey{start: start, id: page.After[1]}, nil
}
