package identity

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	identityv1 "velamen/gen/velamen/identity/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// RecordQualification keeps that a person was trained, cleared, fitted or equipped, or is
// of full age.
func (s *Service) RecordQualification(ctx context.Context, request *identityv1.RecordQualificationRequest) (*identityv1.Qualification, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries", "people")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*identityv1.Qualification, error) {
		nursery, err := ReadNursery(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		if _, err := ReadPerson(ctx, tx, ids[0], ids[1]); err != nil {
			return nil, err
		}
		now := s.db.Now()
		q, err := qualificationFrom(request.GetQualification(), now.In(nursery.Zone).Format(time.DateOnly))
		if err != nil {
			return nil, err
		}
		row := qualificationRow{
			Qualification: q, nursery: ids[0], person: ids[1], id: uuid.NewString(), recorder: caller.Person, createTime: now,
		}
		return row.contract(), insertQualification(ctx, tx, row)
	})
}

// VoidQualification says that a qualification was entered in error.
func (s *Service) VoidQualification(ctx context.Context, request *identityv1.VoidQualificationRequest) (*identityv1.Qualification, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "people", "qualifications")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*identityv1.Qualification, error) {
		row, err := lockQualification(ctx, tx, ids[0], ids[1], ids[2])
		if err != nil {
			return nil, err
		}
		if !row.voidTime.IsZero() {
			return nil, fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "it was voided before: %s", row.voidReason).
				With("void_time", row.voidTime.Format(time.RFC3339))
		}
		row.voidReason, row.voider, row.voidTime = request.GetReason(), caller.Person, s.db.Now()
		return row.contract(), voidQualification(ctx, tx, row)
	})
}

// ListQualifications returns what is on record of one person or of all. Workers see their
// own: what a physician said is nobody else's among them.
func (s *Service) ListQualifications(ctx context.Context, request *identityv1.ListQualificationsRequest) (*identityv1.ListQualificationsResponse, error) {
	ids, err := resource.ParseParent("parent", request.GetParent(), "nurseries", "people")
	if err != nil {
		return nil, err
	}
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	if caller.Role == identityv1.Role_ROLE_WORKER && ids[1] != caller.Person {
		return nil, fault.New(fault.Denied, fault.PermissionDenied, "workers see their own qualifications only").
			With("parent", personName(caller.Nursery, caller.Person))
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	person := ids[1]
	if person == resource.Any {
		person = ""
	} else if _, err := ReadPerson(ctx, s.db, ids[0], person); err != nil {
		return nil, err
	}
	var before *time.Time
	var beforeID string
	if page.After != nil {
		moment, err := time.Parse(time.RFC3339Nano, page.After[0])
		if err != nil {
			return nil, rpc.BadToken().Because(err)
		}
		before, beforeID = &moment, page.After[1]
	}
	rows, err := listQualifications(ctx, s.db, ids[0], person, before, beforeID, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(row qualificationRow) []string { return []string{row.createTime.Format(time.RFC3339Nano), row.id} })
	response := &identityv1.ListQualificationsResponse{NextPageToken: next}
	for _, row := range rows {
		response.Qualifications = append(response.Qualifications, row.contract())
	}
	return response, nil
}

// soon is how many days ahead an end is told when nobody says. Design value: a course or
// a physician's appointment takes weeks to get.
const soon = 60

// ListExpiries returns which certificates and qualifications of people who work here have
// ended or end soon.
func (s *Service) ListExpiries(ctx context.Context, request *identityv1.ListExpiriesRequest) (*identityv1.ListExpiriesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	days := int(request.GetDays())
	if days == 0 {
		days = soon
	}
	response := &identityv1.ListExpiriesResponse{}
	return response, s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		nursery, err := ReadNursery(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		people, err := ReadPeople(ctx, tx, ids[0])
		if err != nil {
			return err
		}
		today := s.db.Now().In(nursery.Zone)
		for _, e := range expiries(people, today.AddDate(0, 0, days).Format(time.DateOnly)) {
			if caller.Role == identityv1.Role_ROLE_WORKER && e.person.ID != caller.Person {
				continue
			}
			response.Expiries = append(response.Expiries, &identityv1.Expiry{
				Person: personName(ids[0], e.person.ID), DisplayName: e.person.DisplayName, What: e.what,
				EndDate: &typev1.Date{Value: e.endDate}, Ended: e.endDate < today.Format(time.DateOnly),
			})
		}
		return nil
	})
}
