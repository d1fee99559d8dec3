package diagnosis

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/stock"
)

// CreateInspection records what the caller saw on a lot or a bench.
func (s *Service) CreateInspection(ctx context.Context, request *diagnosisv1.CreateInspectionRequest) (*diagnosisv1.Inspection, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	seen := request.GetInspection()
	looked, err := parseTarget("inspection.target", seen.GetTarget())
	if err != nil {
		return nil, err
	}
	if err := checkObservations("inspection.observations", seen.GetObservations()); err != nil {
		return nil, err
	}
	row := inspectionRow{
		nursery: ids[0], target: looked, plantsSampled: seen.GetPlantsSampled(), plantsAffected: seen.GetPlantsAffected(),
		severityPercent: seen.GetSeverityPercent(), note: seen.GetNote(), observations: observationsFrom(seen.GetObservations()),
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Inspection, error) {
		var err error
		if row.inspectTime, err = happened(s.db.Clock(), "inspection.inspect_time", seen.GetInspectTime()); err != nil {
			return nil, err
		}
		if err := checkTarget(ctx, tx, row.nursery, row.target); err != nil {
			return nil, err
		}
		row.id, row.inspector, row.createTime = uuid.NewString(), caller.Person, s.db.Now()
		if err := insertInspection(ctx, tx, row); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

func observationsFrom(observations []*diagnosisv1.Observation) []observation {
	rows := make([]observation, len(observations))
	for i, o := range observations {
		rows[i] = observation{
			Organ: storedOrgan(o.GetOrgan()), Sign: o.GetSign(),
			Observed: o.GetPresence() == diagnosisv1.Presence_PRESENCE_OBSERVED, Note: o.GetNote(),
		}
	}
	return rows
}

// checkTarget returns a NotFound fault when there is no such lot or bench.
func checkTarget(ctx context.Context, tx pgx.Tx, nursery string, t target) error {
	if t.lot != "" {
		_, err := stock.ReadLots(ctx, tx, nursery, []string{t.lot})
		return err
	}
	_, err := stock.ReadBench(ctx, tx, nursery, t.house, t.bench)
	return err
}

// GetInspection returns one inspection.
func (s *Service) GetInspection(ctx context.Context, request *diagnosisv1.GetInspectionRequest) (*diagnosisv1.Inspection, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "inspections")
	if err != nil {
		return nil, err
	}
	row, err := readInspection(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return row.contract(), nil
}

// ListInspections returns a page of inspections, newest first.
func (s *Service) ListInspections(ctx context.Context, request *diagnosisv1.ListInspectionsRequest) (*diagnosisv1.ListInspectionsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var of *target
	if request.GetTarget() != "" {
		wanted, err := parseTarget("target", request.GetTarget())
		if err != nil {
			return nil, err
		}
		of = &wanted
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	before, err := markOf(page)
	if err != nil {
		return nil, err
	}
	rows, err := listInspections(ctx, s.db, ids[0], of, before, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(i inspectionRow) []string { return mark{i.inspectTime, i.id}.keys() })
	response := &diagnosisv1.ListInspectionsResponse{NextPageToken: next}
	for _, row := range rows {
		response.Inspections = append(response.Inspections, row.contract())
	}
	return response, nil
}
