package treatment

import (
	"context"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// changeRequest is a request that changes a program as a whole.
type changeRequest interface {
	rpc.Request
	GetName() string
	GetNote() string
	GetEtag() string
}

// change pauses, resumes or gives up a program.
func change(ctx context.Context, s *Service, request changeRequest, kind EventKind) (*treatmentv1.Program, error) {
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.Program, error) {
		p, err := s.lock(ctx, tx, request)
		if err != nil {
			return nil, err
		}
		return s.note(ctx, tx, p, kind, request.GetNote(), caller)
	})
}

// lock reads the program of a request for change and checks its etag.
func (s *Service) lock(ctx context.Context, tx pgx.Tx, request changeRequest) (*program, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs")
	if err != nil {
		return nil, err
	}
	p, err := readProgram(ctx, tx, ids[0], ids[1], true)
	if err != nil {
		return nil, err
	}
	return p, rpc.CheckETag(p.name(), request.GetEtag(), p.state.Sequence)
}

// note writes an event that a person caused and returns the program after it.
func (s *Service) note(ctx context.Context, tx pgx.Tx, p *program, kind EventKind, note string, caller rpc.Principal) (*treatmentv1.Program, error) {
	event := Event{Sequence: p.state.Sequence + 1, Kind: kind, At: s.db.Now()}
	after, err := Apply(p.plan, p.state, event)
	if err != nil {
		return nil, err
	}
	p.state = after
	if err := insertEvent(ctx, tx, p.nursery, p.id, record{Event: event, person: caller.Person, note: note, created: event.At}); err != nil {
		return nil, err
	}
	if err := updateProgram(ctx, tx, p); err != nil {
		return nil, err
	}
	if err := s.advanced(ctx, tx, p, event); err != nil {
		return nil, err
	}
	return s.reread(ctx, tx, p)
}

// advanced tells the workflow of an event.
func (s *Service) advanced(ctx context.Context, tx pgx.Tx, p *program, event Event) error {
	return s.outbox.Write(ctx, tx, TopicProgramAdvanced, p.nursery, p.name(), ProgramAdvanced{Program: p.id, Event: event})
}

// amend adds lots to a program and takes lots out. Lots that join are held, lots
// that leave are free.
func (s *Service) amend(ctx context.Context, tx pgx.Tx, request *treatmentv1.AmendProgramRequest, caller rpc.Principal) (*treatmentv1.Program, error) {
	p, err := s.lock(ctx, tx, request)
	if err != nil {
		return nil, err
	}
	if p.state.Status.Ended() {
		return nil, p.state.refuse("the program has ended")
	}
	o, err := readOutbreak(ctx, tx, p.nursery, p.outbreak, true)
	if err != nil {
		return nil, err
	}
	if err := s.join(ctx, tx, p, o, request.GetAddLots()); err != nil {
		return nil, err
	}
	if err := s.leave(ctx, tx, o, request); err != nil {
		return nil, err
	}
	return s.note(ctx, tx, p, EventAmended, amendment(request), caller)
}

// amendment is the note of an amendment: why, and which lots.
func amendment(request *treatmentv1.AmendProgramRequest) string {
	note := request.GetNote()
	if joined := request.GetAddLots(); len(joined) > 0 {
		note += "; joined: " + strings.Join(joined, ", ")
	}
	if left := request.GetRemoveLots(); len(left) > 0 {
		note += "; left: " + strings.Join(left, ", ")
	}
	return note
}

// join adds lots. A lot that comes after chemical was applied in the round would
// be released without it, so it needs a case of its own.
func (s *Service) join(ctx context.Context, tx pgx.Tx, p *program, o *outbreak, names []string) error {
	if len(names) == 0 {
		return nil
	}
	late, err := applied(ctx, tx, p)
	if err != nil {
		return err
	}
	if late {
		return fault.FieldReason(fault.Precondition, fault.ProgramState, "add_lots",
			"chemical was applied in this round already, and these lots would be released without it; open a case of their own")
	}
	lots, err := liveLots(ctx, tx, "add_lots", o.nursery, o.name(), names)
	if err != nil {
		return err
	}
	if err := joinLots(ctx, tx, o.nursery, o.id, lots, s.db.Now()); err != nil {
		return err
	}
	o.lots = append(o.lots, lots...)
	return s.hold(ctx, tx, o, lots)
}

func (s *Service) leave(ctx context.Context, tx pgx.Tx, o *outbreak, request *treatmentv1.AmendProgramRequest) error {
	names := request.GetRemoveLots()
	if len(names) == 0 {
		if len(request.GetAddLots()) == 0 {
			return fault.Field("add_lots", "name lots to add or to remove")
		}
		return nil
	}
	var lots []string
	for _, name := range names {
		ids, err := resource.Parse("remove_lots", name, "nurseries", "lots")
		if err != nil {
			return err
		}
		if !slices.Contains(o.lots, ids[1]) || slices.Contains(request.GetAddLots(), name) {
			return fault.Field("remove_lots", "lot %s is not in the program", ids[1]).With("lot", ids[1])
		}
		lots = append(lots, ids[1])
	}
	if len(lots) >= len(o.lots) {
		return fault.Field("remove_lots", "at least one lot must stay; give the program up or release it instead")
	}
	if err := leaveLots(ctx, tx, o.nursery, o.id, lots, s.db.Now()); err != nil {
		return err
	}
	return s.free(ctx, tx, o, lots, false)
}
