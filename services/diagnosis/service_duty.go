package diagnosis

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
)

// CreateDuty records that the caller suspects a regulated pest. From then on the
// lots are on official hold.
func (s *Service) CreateDuty(ctx context.Context, request *diagnosisv1.CreateDutyRequest) (*diagnosisv1.Duty, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	nursery, asked := ids[0], request.GetDuty()
	lots, err := lastIDs("duty.lots", asked.GetLots(), "lots")
	if err != nil {
		return nil, err
	}
	inspections, err := lastIDs("duty.inspections", asked.GetInspections(), "inspections")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Duty, error) {
		suspected, err := s.suspected(asked.GetSuspectTime())
		if err != nil {
			return nil, err
		}
		place, err := identity.ReadNursery(ctx, tx, nursery)
		if err != nil {
			return nil, err
		}
		pest, err := pestOf("duty.pest", asked.GetPest(), place.Jurisdiction)
		if err != nil {
			return nil, err
		}
		if _, err := stock.ReadLots(ctx, tx, nursery, lots); err != nil {
			return nil, err
		}
		if err := checkInspections(ctx, tx, nursery, inspections); err != nil {
			return nil, err
		}
		if err := checkNotHeld(ctx, tx, nursery, pest, lots); err != nil {
			return nil, err
		}
		row := newDuty(nursery, uuid.NewString(), pest, suspected)
		row.lots, row.inspections, row.raiser, row.createTime = lots, inspections, caller.Person, s.db.Now()
		if err := s.raise(ctx, tx, row); err != nil {
			return nil, err
		}
		return row.contract(s.db.Now()), nil
	})
}

// longestSuspicion is how long ago suspicion of a regulated pest can have begun when it is
// entered: the time to notify counts from it, and a mistyped year would be years overdue.
// Design value.
const longestSuspicion = 366 * 24 * time.Hour

// suspected reads when suspicion began.
func (s *Service) suspected(said *timestamppb.Timestamp) (time.Time, error) {
	const field = "duty.suspect_time"
	moment, err := happened(s.db.Clock(), field, said)
	if err != nil {
		return time.Time{}, err
	}
	if earliest := s.db.Now().Add(-longestSuspicion); moment.Before(earliest) {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "%s lies more than %d days back",
			moment.Format(time.RFC3339), longestSuspicion/(24*time.Hour)).With("earliest", earliest.Format(time.RFC3339))
	}
	return moment, nil
}

// checkNotHeld refuses lots that an open duty holds for the pest already: one suspicion is
// notified once.
func checkNotHeld(ctx context.Context, tx pgx.Tx, nursery string, pest RegulatedPest, lots []string) error {
	open, err := lockOpenDuties(ctx, tx, nursery, pest.ID, lots)
	if err != nil || len(open) == 0 {
		return err
	}
	i := slices.IndexFunc(lots, func(lot string) bool { return slices.Contains(open[0].lots, lot) })
	duty := dutyName(nursery, open[0].id)
	return fault.FieldReason(fault.Precondition, fault.InvalidField, fmt.Sprintf("duty.lots[%d]", i),
		"lot %s is held for this pest by %s already; leave it out", lots[i], duty).With("duty", duty)
}

// lastIDs are the ids of resources of one collection.
func lastIDs(field string, names []string, collection string) ([]string, error) {
	last := make([]string, len(names))
	for i, name := range names {
		ids, err := resource.Parse(fmt.Sprintf("%s[%d]", field, i), name, "nurseries", collection)
		if err != nil {
			return nil, err
		}
		last[i] = ids[1]
	}
	return last, nil
}

// raise keeps a duty and has the stock hold its lots. The hold begins now, however
// long ago suspicion began: the law counts its length from when nothing could leave.
func (s *Service) raise(ctx context.Context, tx pgx.Tx, duty dutyRow) error {
	if err := insertDuty(ctx, tx, duty); err != nil {
		return err
	}
	if len(duty.lots) == 0 {
		return nil
	}
	name := dutyName(duty.nursery, duty.id)
	order := stock.Restrict{Duty: name, NoMasking: duty.noMasking, Disorder: duty.disorder, Time: duty.createTime}
	for _, lot := range duty.lots {
		order.Lots = append(order.Lots, lotName(duty.nursery, lot))
	}
	return s.outbox.Write(ctx, tx, stock.TopicRestrict, duty.nursery, name, order)
}

// RecordNotification records that the caller told the authority.
func (s *Service) RecordNotification(ctx context.Context, request *diagnosisv1.RecordNotificationRequest) (*diagnosisv1.Duty, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "duties")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Duty, error) {
		at, err := happened(s.db.Clock(), "notify_time", request.GetNotifyTime())
		if err != nil {
			return nil, err
		}
		row, err := lockDuty(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		if err := row.notify(at, request.GetReference(), caller.Person); err != nil {
			return nil, err
		}
		if err := updateNotification(ctx, tx, row); err != nil {
			return nil, err
		}
		return row.contract(s.db.Now()), nil
	})
}

// EndDuty records that the authority has ended the hold, or that the suspicion was
// wrong, and has the stock free the lots of it.
func (s *Service) EndDuty(ctx context.Context, request *diagnosisv1.EndDutyRequest) (*diagnosisv1.Duty, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "duties")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Duty, error) {
		at, err := happened(s.db.Clock(), "end_time", request.GetEndTime())
		if err != nil {
			return nil, err
		}
		row, err := lockDuty(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		if err := row.end(at, request.GetGrounds(), caller.Person); err != nil {
			return nil, err
		}
		if err := updateEnd(ctx, tx, row); err != nil {
			return nil, err
		}
		name := dutyName(row.nursery, row.id)
		if err := s.outbox.Write(ctx, tx, stock.TopicUnrestrict, row.nursery, name, stock.Unrestrict{Duty: name}); err != nil {
			return nil, err
		}
		return row.contract(s.db.Now()), nil
	})
}

// GetDuty returns one duty.
func (s *Service) GetDuty(ctx context.Context, request *diagnosisv1.GetDutyRequest) (*diagnosisv1.Duty, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "duties")
	if err != nil {
		return nil, err
	}
	row, err := readDuty(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return row.contract(s.db.Now()), nil
}

// ListDuties returns a page of duties, the most urgent first.
func (s *Service) ListDuties(ctx context.Context, request *diagnosisv1.ListDutiesRequest) (*diagnosisv1.ListDutiesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 3)
	if err != nil {
		return nil, err
	}
	after, err := dutyMarkOf(page)
	if err != nil {
		return nil, err
	}
	rows, err := listDuties(ctx, s.db, ids[0], request.GetState(), after, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(d dutyRow) []string { return d.mark().keys() })
	response := &diagnosisv1.ListDutiesResponse{NextPageToken: next}
	for _, row := range rows {
		response.Duties = append(response.Duties, row.contract(s.db.Now()))
	}
	return response, nil
}
