package treatment

import (
	"context"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// ListNotices returns the signs, words, displays and supplies that applications ask for,
// with what was done, by what is due first.
func (s *Service) ListNotices(ctx context.Context, request *treatmentv1.ListNoticesRequest) (*treatmentv1.ListNoticesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.ListNoticesResponse{Caution: Caution}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		_, all, err := s.notices(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		for _, t := range all {
			if t.toDo() || (request.GetShowDone() && !t.done.time.IsZero()) {
				response.Notices = append(response.Notices, t.contract(ids[0], s.db.Now()))
			}
		}
		return nil
	})
	return response, err
}

// notices reads the notices of a nursery that can still matter.
func (s *Service) notices(ctx context.Context, r postgres.Reader, nursery string) (Premises, []notice, error) {
	now := s.db.Now()
	premises, err := ReadPremises(ctx, r, nursery, now.Add(-longestNoticed))
	if err != nil {
		return Premises{}, nil, err
	}
	done, err := readNoticesDone(ctx, r, nursery, premises.Applications)
	if err != nil {
		return Premises{}, nil, err
	}
	return premises, noticesOf(premises, done, now), nil
}

// RecordNotice records that a notice was given, put up or taken down.
func (s *Service) RecordNotice(ctx context.Context, request *treatmentv1.RecordNoticeRequest) (*treatmentv1.Notice, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "notices")
	if err != nil {
		return nil, err
	}
	nursery, id := ids[0], ids[1]
	at, err := momentOf("done_time", request.GetDoneTime())
	if err != nil {
		return nil, err
	}
	if clock.InFuture(s.db.Clock(), at) {
		return nil, fault.FieldReason(fault.Invalid, fault.InvalidTimes, "done_time", "is in the future; record what was done")
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Notice, error) {
		if err := lockApplications(ctx, tx, nursery); err != nil {
			return nil, err
		}
		premises, all, err := s.notices(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		t, err := findNotice(all, nursery, id)
		if err != nil {
			return nil, err
		}
		if err := t.checkDone(at, premises.Nursery.Zone); err != nil {
			return nil, err
		}
		t.done = noticeDone{application: t.application, house: t.house, kind: t.kind, time: at, person: caller.Person, note: request.GetNote()}
		if err := insertNoticeDone(ctx, tx, nursery, t.done, s.db.Now()); err != nil {
			return nil, err
		}
		if t.kind == signsUp || t.kind == signsDown {
			if err := s.closuresChanged(ctx, tx, nursery, t.house); err != nil {
				return nil, err
			}
		}
		return t.contract(nursery, s.db.Now()), nil
	})
}
