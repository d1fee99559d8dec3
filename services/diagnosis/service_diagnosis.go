package diagnosis

import (
	"context"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// ConfirmDiagnosis records that the caller holds the plants of some inspections
// to have a disorder. It proposes nothing: the decision is the person's.
func (s *Service) ConfirmDiagnosis(ctx context.Context, request *diagnosisv1.ConfirmDiagnosisRequest) (*diagnosisv1.Diagnosis, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	held := request.GetDiagnosis()
	disorder, found := DisorderByID(held.GetDisorder())
	if !found {
		return nil, fault.Field("diagnosis.disorder", "%q is not a known disorder; ListDisorders has them", held.GetDisorder()).
			With("disorder", held.GetDisorder())
	}
	inspections, err := inspectionIDs("diagnosis.inspections", held.GetInspections())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Diagnosis, error) {
		confirmTime, err := happened(s.db.Clock(), "diagnosis.confirm_time", held.GetConfirmTime())
		if err != nil {
			return nil, err
		}
		if err := checkInspections(ctx, tx, ids[0], inspections); err != nil {
			return nil, err
		}
		row := diagnosisRow{
			Diagnosis: Diagnosis{ID: uuid.NewString(), Disorder: disorder.ID, Class: disorder.Class, Confirmer: caller.Name(), ConfirmTime: confirmTime},
			nursery:   ids[0], inspections: inspections, grounds: held.GetGrounds(), createTime: s.db.Now(),
		}
		if err := insertDiagnosis(ctx, tx, row, caller.Person); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

func inspectionIDs(field string, names []string) ([]string, error) {
	inspections := make([]string, len(names))
	for i, name := range names {
		ids, err := resource.Parse(fmt.Sprintf("%s[%d]", field, i), name, "nurseries", "inspections")
		if err != nil {
			return nil, err
		}
		inspections[i] = ids[1]
	}
	return inspections, nil
}

// GetDiagnosis returns one diagnosis.
func (s *Service) GetDiagnosis(ctx context.Context, request *diagnosisv1.GetDiagnosisRequest) (*diagnosisv1.Diagnosis, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "diagnoses")
	if err != nil {
		return nil, err
	}
	row, err := readDiagnosis(ctx, s.db, ids[0], ids[1])
	if err != nil {
		return nil, err
	}
	return row.contract(), nil
}

// ListDiagnoses returns a page of diagnoses, newest first.
func (s *Service) ListDiagnoses(ctx context.Context, request *diagnosisv1.ListDiagnosesRequest) (*diagnosisv1.ListDiagnosesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	before, err := markOf(page)
	if err != nil {
		return nil, err
	}
	rows, err := listDiagnoses(ctx, s.db, ids[0], before, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(d diagnosisRow) []string { return mark{d.ConfirmTime, d.ID}.keys() })
	response := &diagnosisv1.ListDiagnosesResponse{NextPageToken: next}
	for _, row := range rows {
		response.Diagnoses = append(response.Diagnoses, row.contract())
	}
	return response, nil
}
