package diagnosis

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// CreateSample records that the caller sent a sample, or began a test.
func (s *Service) CreateSample(ctx context.Context, request *diagnosisv1.CreateSampleRequest) (*diagnosisv1.Sample, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	taken := request.GetSample()
	inspection, err := resource.Parse("sample.inspection", taken.GetInspection(), "nurseries", "inspections")
	if err != nil {
		return nil, err
	}
	test, err := testOf("sample.test", taken.GetTest())
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Sample, error) {
		sendTime, err := happened(s.db.Clock(), "sample.send_time", taken.GetSendTime())
		if err != nil {
			return nil, err
		}
		looked, err := readInspection(ctx, tx, ids[0], inspection[1])
		if err != nil {
			return nil, err
		}
		if err := notBeforeSeen("sample.send_time", sendTime, []inspectionRow{looked}); err != nil {
			return nil, err
		}
		if err := checkSample(taken, test, looked); err != nil {
			return nil, err
		}
		row := sampleRow{
			nursery: ids[0], id: uuid.NewString(), inspection: looked.id, test: test.ID, organs: storedOrgans(taken.GetOrgans()),
			plants: taken.GetPlants(), laboratory: taken.GetLaboratory(), reference: taken.GetReference(), sendTime: sendTime,
			note: taken.GetNote(), sender: caller.Person, createTime: s.db.Now(),
		}
		if err := insertSample(ctx, tx, row); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

// ReceiveSample records that the laboratory has a sample.
func (s *Service) ReceiveSample(ctx context.Context, request *diagnosisv1.ReceiveSampleRequest) (*diagnosisv1.Sample, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "samples")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Sample, error) {
		at, err := happened(s.db.Clock(), "receive_time", request.GetReceiveTime())
		if err != nil {
			return nil, err
		}
		row, err := readSample(ctx, tx, ids[0], ids[1], forUpdate)
		if err != nil {
			return nil, err
		}
		if err := row.receive(at, request.GetReference()); err != nil {
			return nil, err
		}
		if err := updateReceipt(ctx, tx, row, caller.Person); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

// RecordSampleResult records what a test found. A positive result decides nothing by
// itself: AssessSigns weighs it, and a person confirms.
func (s *Service) RecordSampleResult(ctx context.Context, request *diagnosisv1.RecordSampleResultRequest) (*diagnosisv1.Sample, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "samples")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Sample, error) {
		at, err := happened(s.db.Clock(), "report_time", request.GetReportTime())
		if err != nil {
			return nil, err
		}
		row, err := readSample(ctx, tx, ids[0], ids[1], forUpdate)
		if err != nil {
			return nil, err
		}
		test, err := testOf("name", row.test)
		if err != nil {
			return nil, err
		}
		if err := checkNamed(request.GetDisorder(), request.GetOutcome(), test); err != nil {
			return nil, err
		}
		if err := row.result(at, request.GetOutcome(), request.GetDisorder(), request.GetReport(), caller.Person); err != nil {
			return nil, err
		}
		if err := updateResult(ctx, tx, row); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

// GetSample returns one sample.
func (s *Service) GetSample(ctx context.Context, request *diagnosisv1.GetSampleRequest) (*diagnosisv1.Sample, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "samples")
	if err != nil {
		return nil, err
	}
	row, err := readSample(ctx, s.db, ids[0], ids[1], "")
	if err != nil {
		return nil, err
	}
	return row.contract(), nil
}

// ListSamples returns a page of samples, newest first.
func (s *Service) ListSamples(ctx context.Context, request *diagnosisv1.ListSamplesRequest) (*diagnosisv1.ListSamplesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var inspection string
	if request.GetInspection() != "" {
		of, err := resource.Parse("inspection", request.GetInspection(), "nurseries", "inspections")
		if err != nil {
			return nil, err
		}
		inspection = of[1]
	}
	page, before, err := pageOf(request)
	if err != nil {
		return nil, err
	}
	rows, err := listSamples(ctx, s.db, ids[0], inspection, before, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(s sampleRow) []string { return mark{s.sendTime, s.id}.keys() })
	response := &diagnosisv1.ListSamplesResponse{NextPageToken: next}
	for _, row := range rows {
		response.Samples = append(response.Samples, row.contract())
	}
	return response, nil
}
