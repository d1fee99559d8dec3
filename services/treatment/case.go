package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/stock"
)

// openCase opens a case for lots with a confirmed diagnosis and has stock hold
// them.
func (s *Service) openCase(ctx context.Context, tx pgx.Tx, request *treatmentv1.CreateCaseRequest) (*treatmentv1.Case, error) {
	parent, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	nursery := parent[0]
	diagnosed, err := resource.Parse("case.diagnosis", request.GetCase().GetDiagnosis(), "nurseries", "diagnoses")
	if err != nil {
		return nil, err
	}
	if _, err := diagnosis.ReadDiagnosis(ctx, tx, nursery, diagnosed[1]); err != nil {
		return nil, err
	}
	lots, err := liveLots(ctx, tx, "case.lots", nursery, "", request.GetCase().GetLots())
	if err != nil {
		return nil, err
	}
	number, err := nextCaseNumber(ctx, tx, nursery)
	if err != nil {
		return nil, err
	}
	o := &outbreak{
		nursery: nursery, id: fmt.Sprintf("c-%d", number), number: number, diagnosis: diagnosed[1],
		state: treatmentv1.CaseState_CASE_STATE_OPEN, lots: lots, created: s.db.Now(),
	}
	if err := insertOutbreak(ctx, tx, o); err != nil {
		return nil, err
	}
	return o.contract(), s.hold(ctx, tx, o, lots)
}

// abandon closes a case that has no program and frees its lots.
func (s *Service) abandon(ctx context.Context, tx pgx.Tx, request *treatmentv1.CloseCaseRequest, caller rpc.Principal) (*treatmentv1.Case, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "cases")
	if err != nil {
		return nil, err
	}
	o, err := readOutbreak(ctx, tx, ids[0], ids[1], true)
	if err != nil {
		return nil, err
	}
	if o.state != treatmentv1.CaseState_CASE_STATE_OPEN {
		return nil, fault.FieldReason(fault.Precondition, fault.ProgramState, "name",
			"case %s is %s; only a case without a program can be closed", o.id, strings.ToLower(strings.TrimPrefix(o.state.String(), "CASE_STATE_"))).
			With("case", o.name())
	}
	if err := closeOutbreak(ctx, tx, o, request.GetNote(), caller.Person); err != nil {
		return nil, err
	}
	return o.contract(), s.letGo(ctx, tx, o, o.lots)
}

// letGo frees the lots of a case that ends; it no longer holds them.
func (s *Service) letGo(ctx context.Context, tx pgx.Tx, o *outbreak, lots []string) error {
	if err := s.free(ctx, tx, o, lots, true); err != nil {
		return err
	}
	return leaveLots(ctx, tx, o.nursery, o.id, lots, s.db.Now())
}

// liveLots reads lot names and returns their ids in order. Every lot must exist
// and have plants, and no case but the given one may hold it: what was split off
// a lot stays held by the lot's case, and stock would not hold it for another.
func liveLots(ctx context.Context, r postgres.Reader, field, nursery, holdingCase string, names []string) ([]string, error) {
	ids := make([]string, len(names))
	for i, name := range names {
		parts, err := resource.Parse(fmt.Sprintf("%s[%d]", field, i), name, "nurseries", "lots")
		if err != nil {
			return nil, err
		}
		ids[i] = parts[1]
	}
	lots, err := stock.ReadLots(ctx, r, nursery, ids)
	if err != nil {
		return nil, err
	}
	for i, lot := range lots {
		if lot.Plants == 0 {
			return nil, fault.FieldReason(fault.Precondition, fault.LotEmpty, fmt.Sprintf("%s[%d]", field, i),
				"lot %s has no plants left", lot.ID).With("lot", lot.ID)
		}
		if lot.HoldingCase != "" && lot.HoldingCase != holdingCase {
			return nil, fault.FieldReason(fault.Precondition, fault.LotInProgram, fmt.Sprintf("%s[%d]", field, i),
				"lot %s is held by %s", lot.ID, lot.HoldingCase).With("lot", lot.ID).With("case", lot.HoldingCase)
		}
	}
	slices.Sort(ids)
	return slices.Compact(ids), nil
}

func (s *Service) hold(ctx context.Context, tx pgx.Tx, o *outbreak, lots []string) error {
	return s.outbox.Write(ctx, tx, stock.TopicHold, o.nursery, o.name(),
		stock.Hold{Case: o.name(), Lots: lotNames(o.nursery, lots)})
}

// free ends the hold on lots; ended says that the whole case has ended.
func (s *Service) free(ctx context.Context, tx pgx.Tx, o *outbreak, lots []string, ended bool) error {
	return s.outbox.Write(ctx, tx, stock.TopicFree, o.nursery, o.name(),
		stock.Free{Case: o.name(), Lots: lotNames(o.nursery, lots), Ended: ended})
}
