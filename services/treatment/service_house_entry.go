package treatment

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
)

// CheckEntry asks whether somebody may enter a house, without recording anything.
func (s *Service) CheckEntry(ctx context.Context, request *treatmentv1.CheckEntryRequest) (*treatmentv1.CheckEntryResponse, error) {
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	asked, err := s.houseEntryAsked(request.GetParent(), request.GetEntry(), caller)
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.CheckEntryResponse{Caution: Caution}
	return response, s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		e, err := s.readEntering(ctx, tx, asked)
		if err != nil {
			return err
		}
		verdict := e.judge()
		response.Grounds, response.Allowed = verdict.grounds, len(verdict.refused()) == 0
		if response.GetAllowed() {
			response.Conditions = verdict.conditions
		}
		for _, closure := range verdict.closures {
			response.Closures = append(response.Closures, e.premises.closureContract(asked.nursery, asked.house, closure, e.start))
		}
		return nil
	})
}

// RecordEntry records that somebody goes or went into a house.
func (s *Service) RecordEntry(ctx context.Context, request *treatmentv1.RecordEntryRequest) (*treatmentv1.HouseEntry, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.HouseEntry, error) {
		recorded, err := s.houseEntryAsked(request.GetParent(), request.GetEntry(), caller)
		if err != nil {
			return nil, err
		}
		// Two entries of a person written down at once would each be held to a log without
		// the other, and to houses without what is confirmed at that moment.
		if err := lockApplications(ctx, tx, recorded.nursery); err != nil {
			return nil, err
		}
		e, err := s.readEntering(ctx, tx, recorded)
		if err != nil {
			return nil, err
		}
		verdict := e.judge()
		if err := e.settleBreach(verdict.refused(), caller); err != nil {
			return nil, err
		}
		recorded.id, recorded.grounds, recorded.recorder, recorded.created = uuid.NewString(), verdict.grounds, caller.Person, s.db.Now()
		return recorded.contract(), insertHouseEntry(ctx, tx, recorded)
	})
}

// settleBreach decides over what rules forbid: it is refused, unless a manager or an owner
// says why it happened all the same.
func (e entering) settleBreach(refused []*treatmentv1.EntryGround, caller rpc.Principal) error {
	switch {
	case len(refused) == 0 && e.breachNote != "":
		return fault.Field("entry.breach_note", "no rule forbids it: leave the note out")
	case len(refused) == 0:
		return nil
	case e.breachNote == "":
		return e.refusalOf(refused)
	case !mayOverride(caller):
		return fault.New(fault.Denied, fault.PermissionDenied, "only an owner or a manager may record an entry that a rule forbids: %s", refused[0].GetMessage()).
			With("person", caller.Person).With("rule", refused[0].GetRule())
	case e.start.After(e.now.Add(clock.Skew)):
		return fault.FieldReason(fault.Precondition, fault.HouseClosed, "entry.start_time",
			"a breach is recorded when it has happened; nobody may plan it: %s", refused[0].GetMessage()).With("rule", refused[0].GetRule())
	}
	return nil
}

// houseEntryAsked reads the entry of a request.
func (s *Service) houseEntryAsked(parent string, asked *treatmentv1.HouseEntry, caller rpc.Principal) (houseEntry, error) {
	ids, err := resource.Parse("parent", parent, "nurseries", "houses")
	if err != nil {
		return houseEntry{}, err
	}
	return houseEntryFrom(ids[0], ids[1], caller.Person, asked, s.db.Clock())
}

// visitsWithin is the time over which early entries are counted (40 CFR 170.603, from
// memory).
const visitsWithin = 24 * time.Hour

// readEntering reads what the rules look at.
func (s *Service) readEntering(ctx context.Context, r postgres.Reader, asked houseEntry) (entering, error) {
	e := entering{houseEntry: asked, now: s.db.Now()}
	var err error
	if e.nursery, err = identity.ReadNursery(ctx, r, asked.nursery); err != nil {
		return e, err
	}
	house, err := stock.ReadHouse(ctx, r, asked.nursery, asked.house)
	if err != nil {
		return e, err
	}
	e.houseName = house.DisplayName
	if e.who, err = identity.ReadPerson(ctx, r, asked.nursery, asked.person); err != nil {
		return e, err
	}
	if e.who.Disabled {
		return e, fault.FieldReason(fault.Precondition, fault.PersonUnqualified, "entry.person", "%s no longer works here", e.who.DisplayName).
			With("person", asked.person)
	}
	from, until := e.until().Add(-visitsWithin), e.start.Add(visitsWithin)
	if e.others, err = readEntriesOf(ctx, r, asked.nursery, asked.person, from, until); err != nil {
		return e, err
	}
	e.premises, err = ReadPremises(ctx, r, asked.nursery, from)
	return e, err
}

// EndEntry records when somebody came out.
func (s *Service) EndEntry(ctx context.Context, request *treatmentv1.EndEntryRequest) (*treatmentv1.HouseEntry, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "houses", "entries")
	if err != nil {
		return nil, err
	}
	end, err := momentOf("end_time", request.GetEndTime())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.HouseEntry, error) {
		e, err := lockHouseEntry(ctx, tx, ids[0], ids[1], ids[2])
		if err != nil {
			return nil, err
		}
		if !e.end.IsZero() {
			return nil, fault.FieldReason(fault.Precondition, fault.InvalidField, "name", "its end is recorded: %s", e.end.Format(time.RFC3339)).
				With("end_time", e.end.Format(time.RFC3339))
		}
		e.end = end
		if err := e.checkEnd("end_time", s.db.Clock()); err != nil {
			return nil, err
		}
		return e.contract(), endHouseEntry(ctx, tx, e, caller.Person, s.db.Now())
	})
}

// ListHouseEntries returns who went into a house, or into all with "houses/-", the newest
// first.
func (s *Service) ListHouseEntries(ctx context.Context, request *treatmentv1.ListHouseEntriesRequest) (*treatmentv1.ListHouseEntriesResponse, error) {
	ids, err := resource.ParseParent("parent", request.GetParent(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	house, person := ids[1], ""
	if house == resource.Any {
		house = ""
	}
	if request.GetPerson() != "" {
		named, err := resource.Parse("person", request.GetPerson(), "nurseries", "people")
		if err != nil {
			return nil, err
		}
		person = named[1]
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	before, err := houseEntryKeyOf(page)
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.ListHouseEntriesResponse{}
	return response, s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		if house != "" {
			if _, err := stock.ReadHouse(ctx, tx, ids[0], house); err != nil {
				return err
			}
		}
		if person != "" {
			if _, err := identity.ReadPerson(ctx, tx, ids[0], person); err != nil {
				return err
			}
		}
		found, err := listHouseEntries(ctx, tx, ids[0], house, person, before, page.Size+1)
		if err != nil {
			return err
		}
		found, response.NextPageToken = rpc.Cut(page, found, func(e houseEntry) []string { return []string{e.start.Format(time.RFC3339Nano), e.id} })
		for _, e := range found {
			response.Entries = append(response.Entries, e.contract())
		}
		return nil
	})
}

func houseEntryKeyOf(page rpc.Page) (*houseEntryKey, error) {
	if page.After == nil {
		return nil, nil
	}
	start, err := time.Parse(time.RFC3339Nano, page.After[0])
	if err != nil {
		return nil, rpc.BadToken().Because(err)
	}
	return &houseEntryKey{start: start, id: page.After[1]}, nil
}
