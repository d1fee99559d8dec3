package diagnosis

import (
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/stock"
)

// ConfirmDiagnosis records that the caller holds the plants of some inspections
// to have a disorder, with what velamen proposed beside it. The decision is the
// person's, whatever was ranked first. Where the law names the pest, the duty is
// raised in the same transaction.
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
	inspections, err := lastIDs("diagnosis.inspections", held.GetInspections(), "inspections")
	if err != nil {
		return nil, err
	}
	samples, err := lastIDs("diagnosis.samples", held.GetSamples(), "samples")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.Diagnosis, error) {
		confirmTime, err := happened(s.db.Clock(), "diagnosis.confirm_time", held.GetConfirmTime())
		if err != nil {
			return nil, err
		}
		looked, err := readInspections(ctx, tx, ids[0], inspections)
		if err != nil {
			return nil, err
		}
		if err := notBeforeSeen("diagnosis.confirm_time", confirmTime, looked); err != nil {
			return nil, err
		}
		if err := checkGroundSamples(ctx, tx, ids[0], inspections, samples); err != nil {
			return nil, err
		}
		row := diagnosisRow{
			Diagnosis: Diagnosis{ID: uuid.NewString(), Disorder: disorder.ID, Class: disorder.Class, Confirmer: caller.Name(), ConfirmTime: confirmTime},
			nursery:   ids[0], inspections: inspections, samples: samples, grounds: held.GetGrounds(), createTime: s.db.Now(),
		}
		if row.assessment, err = s.proposedFor(ctx, tx, ids[0], looked); err != nil {
			return nil, err
		}
		if err := insertDiagnosis(ctx, tx, row, caller.Person); err != nil {
			return nil, err
		}
		if row.duties, err = s.raiseDuties(ctx, tx, row, looked, caller.Person); err != nil {
			return nil, err
		}
		return row.contract(), nil
	})
}

// proposedFor is what velamen proposes from some inspections; nil when it can propose
// nothing, because they contradict themselves. A person may confirm all the same.
func (s *Service) proposedFor(ctx context.Context, tx pgx.Tx, nursery string, looked []inspectionRow) (*diagnosisv1.Assessment, error) {
	proposed, err := s.propose(ctx, tx, asked{nursery: nursery, inspections: looked}, 0)
	if fault.Is(err, fault.SignsContradict) {
		return nil, nil
	}
	return proposed, err
}

// checkGroundSamples refuses samples of other inspections and such that have no
// result.
func checkGroundSamples(ctx context.Context, tx pgx.Tx, nursery string, inspections, samples []string) error {
	rows, err := readSamples(ctx, tx, nursery, samples)
	if err != nil {
		return err
	}
	for i, sample := range rows {
		field, name := fmt.Sprintf("diagnosis.samples[%d]", i), sampleName(nursery, sample.id)
		if !slices.Contains(inspections, sample.inspection) {
			taken := inspectionName(nursery, sample.inspection)
			return fault.Field(field, "%s was taken at %s, which the diagnosis does not rest on", name, taken).
				With("name", name).With("inspection", taken)
		}
		if sample.state() != diagnosisv1.SampleState_SAMPLE_STATE_REPORTED {
			return fault.Field(field, "%s has no result yet", name).With("name", name)
		}
	}
	return nil
}

// raiseDuties raises what the law asks for when the disorder is a regulated pest on
// the plants, for the lots that no duty holds for it yet, and returns all duties that
// follow, those that a suspicion had raised before included. Those stay locked: one
// that ended meanwhile holds nothing, and one that a diagnosis now rests on must not
// end as a wrong suspicion.
func (s *Service) raiseDuties(ctx context.Context, tx pgx.Tx, row diagnosisRow, looked []inspectionRow, raiser string) ([]string, error) {
	place, err := identity.ReadNursery(ctx, tx, row.nursery)
	if err != nil {
		return nil, err
	}
	pests := RegulatedPestsFor(row.Disorder, "", place.Jurisdiction)
	if len(pests) == 0 {
		return nil, nil
	}
	lots, err := lotsToHold(ctx, tx, row.nursery, looked)
	if err != nil {
		return nil, err
	}
	var duties []string
	for _, pest := range pests {
		hosts := hostsAmong(pest, lots)
		if len(hosts) == 0 && len(lots) > 0 {
			continue // the law does not name it on these plants
		}
		open, err := lockOpenDuties(ctx, tx, row.nursery, pest.ID, hosts)
		if err != nil {
			return nil, err
		}
		for _, duty := range open {
			duties = append(duties, duty.id)
			hosts = slices.DeleteFunc(hosts, func(lot string) bool { return slices.Contains(duty.lots, lot) })
		}
		if len(open) > 0 && len(hosts) == 0 {
			continue
		}
		duty := newDuty(row.nursery, uuid.NewString(), pest, row.ConfirmTime)
		duty.diagnosis, duty.lots, duty.inspections, duty.raiser, duty.createTime = row.ID, hosts, row.inspections, raiser, row.createTime
		if err := s.raise(ctx, tx, duty); err != nil {
			return nil, err
		}
		duties = append(duties, duty.id)
	}
	return duties, insertConsequences(ctx, tx, row.nursery, row.ID, duties)
}

// hostsAmong are the ids of the lots on which the law names a pest.
func hostsAmong(pest RegulatedPest, lots []stock.Lot) []string {
	var hosts []string
	for _, lot := range lots {
		if pest.On(lot.BotanicalName) {
			hosts = append(hosts, lot.ID)
		}
	}
	return hosts
}

// GetDiagnosis returns one diagnosis.
func (s *Service) GetDiagnosis(ctx context.Context, request *diagnosisv1.GetDiagnosisRequest) (*diagnosisv1.Diagnosis, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "diagnoses")
	if err != nil {
		return nil, err
	}
	row, err := readDiagnosis(ctx, s.db, ids[0], ids[1], withAssessment)
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
	page, before, err := pageOf(request)
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
