package diagnosis

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis/knowledge"
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
	if err := checkAffected(seen); err != nil {
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
		plant, err := checkTarget(ctx, tx, row)
		if err != nil {
			return nil, err
		}
		if err := checkConsistent("inspection.observations", plant, seen.GetObservations()); err != nil {
			return nil, err
		}
		row.id, row.inspector, row.createTime = uuid.NewString(), caller.Person, s.db.Now()
		if err := insertInspection(ctx, tx, row); err != nil {
			return nil, err
		}
		if err := s.inspected(ctx, tx, row); err != nil {
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

// checkTarget returns what is known of the plants of a lot; of those on a bench
// nothing, for several kinds may stand there. It returns a NotFound fault when there
// is no such lot or bench, and refuses more plants looked at than the lot had.
func checkTarget(ctx context.Context, tx pgx.Tx, row inspectionRow) (knowledge.Plant, error) {
	if row.target.lot == "" {
		_, err := stock.ReadBench(ctx, tx, row.nursery, row.target.house, row.target.bench)
		return knowledge.Plant{}, err
	}
	ids := []string{row.target.lot}
	lots, err := stock.ReadLots(ctx, tx, row.nursery, ids)
	if err != nil {
		return knowledge.Plant{}, err
	}
	plant := knowledge.Shipped().PlantOf(lots[0].BotanicalName)
	plants, err := stock.ReadPlantsAt(ctx, tx, row.nursery, ids, []time.Time{row.inspectTime})
	if err != nil || row.plantsSampled <= plants[0] {
		return plant, err
	}
	return knowledge.Plant{}, fault.Field("inspection.plants_sampled", "lot %s had %d plants then, so %d cannot have been looked at", row.target.lot, plants[0], row.plantsSampled).
		With("lot", row.target.lot).With("plants", strconv.FormatInt(plants[0], 10)).With("plants_sampled", strconv.FormatInt(row.plantsSampled, 10))
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
	page, before, err := pageOf(request)
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
