package stock

import (
	"context"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Service is the stock's gRPC service. Each use case stands in a file of its own.
type Service struct {
	stockv1.UnimplementedStockServiceServer
	db *postgres.DB
}

var _ stockv1.StockServiceServer = (*Service)(nil)

// New returns the service on a database.
func New(db *postgres.DB) *Service { return &Service{db: db} }

// within reads a resource name and holds it to be in the caller's nursery, so
// that a caller inside the process is held to the same rule as one outside. It
// returns the nursery's id and the ids after it.
func within(ctx context.Context, field, name string, collections ...string) (nursery string, ids []string, err error) {
	all, err := resource.Parse(field, name, append([]string{"nurseries"}, collections...)...)
	if err != nil {
		return "", nil, err
	}
	if err := ownNursery(ctx, all[0], name); err != nil {
		return "", nil, err
	}
	return all[0], all[1:], nil
}

func ownNursery(ctx context.Context, nursery, name string) error {
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return err
	}
	if caller.Nursery != nursery {
		return fault.New(fault.Denied, fault.PermissionDenied, "%q is not in your nursery", name).With("name", name)
	}
	return nil
}

// benchWithin is within for a bench.
func benchWithin(ctx context.Context, field, name string) (place, error) {
	_, ids, err := within(ctx, field, name, "houses", "benches")
	if err != nil {
		return place{}, err
	}
	return place{house: ids[0], bench: ids[1]}, nil
}

// lotsWithin is within for the lots of a repeated field.
func lotsWithin(ctx context.Context, field string, names []string) ([]string, error) {
	lots := make([]string, len(names))
	for i, name := range names {
		_, ids, err := within(ctx, field+"["+strconv.Itoa(i)+"]", name, "lots")
		if err != nil {
			return nil, err
		}
		lots[i] = ids[0]
	}
	return lots, nil
}

// eventTime reads when something happened; absent is now.
func (s *Service) eventTime(given *timestamppb.Timestamp) (time.Time, error) {
	if given == nil {
		return s.db.Now(), nil
	}
	if err := given.CheckValid(); err != nil {
		return time.Time{}, fault.Field("event_time", "is not a time")
	}
	when := clock.Stored(given.AsTime())
	if clock.InFuture(s.db.Clock(), when) {
		return time.Time{}, fault.Field("event_time", "must not lie in the future").
			With("event_time", when.Format(time.RFC3339)).With("now", s.db.Now().Format(time.RFC3339))
	}
	return when, nil
}

// after returns the sort keys of the last row of the page before, n empty ones at
// the beginning. A token is a client's text, so its keys are held to the same
// rule as every text.
func after(page rpc.Page, n int) ([]string, error) {
	if page.After == nil {
		return make([]string, n), nil
	}
	for _, key := range page.After {
		if checkText(key) != nil {
			return nil, rpc.BadToken()
		}
	}
	return page.After, nil
}
