package diagnosis

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/postgres"
	"velamen/internal/rpc"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/diagnosis/regulation"
)

var _ diagnosisv1.DiagnosisServiceServer = (*Service)(nil)

// Service implements velamen.diagnosis.v1.DiagnosisService.
type Service struct {
	diagnosisv1.UnimplementedDiagnosisServiceServer
	db     *postgres.DB
	album  album
	outbox *postgres.Outbox
}

// New returns the service. Photos are kept as files under photoFolder, which is
// made when the first one arrives; what an authority orders goes to the stock through
// the outbox. It panics when the embedded knowledge or regulation is broken, which
// tests exclude.
func New(db *postgres.DB, photoFolder string, outbox *postgres.Outbox) *Service {
	knowledge.Shipped()
	regulation.All()
	return &Service{db: db, album: newAlbum(photoFolder, db.Clock()), outbox: outbox}
}

// keys are the sort keys of a listing that runs from new to old; pageOf reads
// them back.
func (m mark) keys() []string { return []string{m.time.Format(time.RFC3339Nano), m.id} }

// pageOf reads where such a listing goes on; before is nil on its first page.
func pageOf(request rpc.PagedRequest) (page rpc.Page, before *mark, err error) {
	if page, err = rpc.PageOf(request, 2); err != nil || page.After == nil {
		return page, nil, err
	}
	moment, err := time.Parse(time.RFC3339Nano, page.After[0])
	if err != nil {
		return page, nil, rpc.BadToken().Because(err)
	}
	return page, &mark{time: moment, id: page.After[1]}, nil
}

func (i inspectionRow) contract() *diagnosisv1.Inspection {
	inspection := &diagnosisv1.Inspection{
		Name:            inspectionName(i.nursery, i.id),
		Target:          i.target.name(i.nursery),
		PlantsSampled:   i.plantsSampled,
		PlantsAffected:  i.plantsAffected,
		SeverityPercent: i.severityPercent,
		Note:            i.note,
		InspectTime:     timestamppb.New(i.inspectTime),
		Inspector:       personName(i.nursery, i.inspector),
		CreateTime:      timestamppb.New(i.createTime),
	}
	for _, o := range i.observations {
		presence := diagnosisv1.Presence_PRESENCE_ABSENT
		if o.Observed {
			presence = diagnosisv1.Presence_PRESENCE_OBSERVED
		}
		inspection.Observations = append(inspection.Observations, &diagnosisv1.Observation{
			Organ: organOf(o.Organ), Sign: o.Sign, Presence: presence, Note: o.Note,
		})
	}
	for _, p := range i.photos {
		inspection.Photos = append(inspection.Photos, p.contract(i.nursery, i.id))
	}
	return inspection
}

func (p photo) contract(nursery, inspection string) *diagnosisv1.Photo {
	message := &diagnosisv1.Photo{
		Name:       photoName(nursery, inspection, p.SHA256),
		MediaType:  p.MediaType,
		SizeBytes:  p.SizeBytes,
		Width:      int32(p.Width),
		Height:     int32(p.Height),
		CreateTime: timestamppb.New(p.CreateTime),
	}
	for _, shown := range p.Shows {
		message.Shows = append(message.Shows, &diagnosisv1.PhotoSign{Organ: organOf(shown.Organ), Sign: shown.Sign})
	}
	return message
}

func (d diagnosisRow) contract() *diagnosisv1.Diagnosis {
	diagnosis := &diagnosisv1.Diagnosis{
		Name:          diagnosisName(d.nursery, d.ID),
		Disorder:      d.Disorder,
		DisorderClass: d.Class,
		Grounds:       d.grounds,
		ConfirmTime:   timestamppb.New(d.ConfirmTime),
		Confirmer:     d.Confirmer,
		CreateTime:    timestamppb.New(d.createTime),
		Assessment:    d.assessment,
	}
	for _, id := range d.inspections {
		diagnosis.Inspections = append(diagnosis.Inspections, inspectionName(d.nursery, id))
	}
	for _, id := range d.samples {
		diagnosis.Samples = append(diagnosis.Samples, sampleName(d.nursery, id))
	}
	for _, id := range d.duties {
		diagnosis.Duties = append(diagnosis.Duties, dutyName(d.nursery, id))
	}
	return diagnosis
}
