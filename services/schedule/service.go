package schedule

import (
	"context"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// Service is the ScheduleService of the contract.
type Service struct {
	schedulev1.UnimplementedScheduleServiceServer
	db     *postgres.DB
	outbox *postgres.Outbox
}

var _ schedulev1.ScheduleServiceServer = (*Service)(nil)

// New returns the service on a database. The outbox carries what the planner of a
// nursery must learn.
func New(db *postgres.DB, outbox *postgres.Outbox) *Service {
	return &Service{db: db, outbox: outbox}
}

// CreateSprayer adds a sprayer or bath station.
func (s *Service) CreateSprayer(ctx context.Context, request *schedulev1.CreateSprayerRequest) (*schedulev1.Sprayer, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	sprayer, err := fromContract(request.GetSprayerId(), request.GetSprayer())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.Sprayer, error) {
		if err := insertSprayer(ctx, tx, ids[0], sprayer, s.db.Now()); err != nil {
			return nil, err
		}
		return get(ctx, tx, ids[0], sprayer.ID)
	})
}

// GetSprayer returns one sprayer.
func (s *Service) GetSprayer(ctx context.Context, request *schedulev1.GetSprayerRequest) (*schedulev1.Sprayer, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "sprayers")
	if err != nil {
		return nil, err
	}
	return get(ctx, s.db, ids[0], ids[1])
}

// ListSprayers returns the sprayers by name.
func (s *Service) ListSprayers(ctx context.Context, request *schedulev1.ListSprayersRequest) (*schedulev1.ListSprayersResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	sprayers, err := listSprayers(ctx, s.db, ids[0], page.Key(), page.Size+1)
	if err != nil {
		return nil, err
	}
	sprayers, next := rpc.Cut(page, sprayers, func(sprayer stored) []string { return []string{sprayer.ID} })
	response := &schedulev1.ListSprayersResponse{NextPageToken: next}
	for _, sprayer := range sprayers {
		response.Sprayers = append(response.Sprayers, sprayer.message(ids[0]))
	}
	return response, nil
}

// UpdateSprayer changes a sprayer.
func (s *Service) UpdateSprayer(ctx context.Context, request *schedulev1.UpdateSprayerRequest) (*schedulev1.Sprayer, error) {
	ids, err := resource.Parse("sprayer.name", request.GetSprayer().GetName(), "nurseries", "sprayers")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, _ rpc.Principal) (*schedulev1.Sprayer, error) {
		before, err := readSprayer(ctx, tx, ids[0], ids[1], "FOR UPDATE")
		if err != nil {
			return nil, err
		}
		merged := before.message(ids[0])
		if err := rpc.CheckETag(merged.GetName(), request.GetSprayer().GetEtag(), before.version); err != nil {
			return nil, err
		}
		if err := rpc.Merge(merged, request.GetSprayer(), request.GetUpdateMask()); err != nil {
			return nil, err
		}
		sprayer, err := fromContract(ids[1], merged)
		if err != nil {
			return nil, err
		}
		if err := updateSprayer(ctx, tx, ids[0], sprayer); err != nil {
			return nil, err
		}
		if err := s.serviceChanged(ctx, tx, ids[0], before.Sprayer, sprayer); err != nil {
			return nil, err
		}
		return get(ctx, tx, ids[0], ids[1])
	})
}

// serviceChanged tells the planner of a sprayer that broke or was mended.
func (s *Service) serviceChanged(ctx context.Context, tx pgx.Tx, nursery string, before, after Sprayer) error {
	switch {
	case before.OutOfService == after.OutOfService:
		return nil
	case after.OutOfService:
		return s.conditionsChanged(ctx, tx, nursery, "sprayer "+after.DisplayName+" is out of service")
	default:
		return s.conditionsChanged(ctx, tx, nursery, "sprayer "+after.DisplayName+" is in service again")
	}
}

func get(ctx context.Context, r postgres.Reader, nursery, id string) (*schedulev1.Sprayer, error) {
	sprayer, err := readSprayer(ctx, r, nursery, id, "")
	if err != nil {
		return nil, err
	}
	return sprayer.message(nursery), nil
}

func (s stored) message(nursery string) *schedulev1.Sprayer {
	message := s.contract(nursery)
	message.Etag = rpc.ETag(s.version)
	message.CreateTime = timestamppb.New(s.createTime)
	return message
}
