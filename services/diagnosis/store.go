package diagnosis

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/encoding/protojson"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
)

// ReadDiagnosis returns a diagnosis by nursery and id, or a NotFound fault.
func ReadDiagnosis(ctx context.Context, r postgres.Reader, nursery, id string) (Diagnosis, error) {
	row, err := readDiagnosis(ctx, r, nursery, id, noAssessment)
	return row.Diagnosis, err
}

// CheckPhotos refuses the first name that is not a photo of the nursery, with a
// fault of the field "photos".
func CheckPhotos(ctx context.Context, r postgres.Reader, nursery string, names []string) error {
	for i, name := range names {
		field := fmt.Sprintf("photos[%d]", i)
		ids, err := resource.Parse("photos", name, "nurseries", "inspections", "photos")
		if err != nil {
			return err
		}
		if ids[0] != nursery {
			return unknownPhoto(field, name)
		}
		_, found, err := readPhoto(ctx, r, nursery, ids[1], ids[2])
		if err != nil {
			return err
		}
		if !found {
			return unknownPhoto(field, name)
		}
	}
	return nil
}

func unknownPhoto(place, name string) error {
	return fault.Field("photos", "%s: there is no photo %q; upload it first", place, name).With("name", name)
}

// inspectionRow is an inspection as it is kept.
type inspectionRow struct {
	nursery, id     string
	target          target
	plantsSampled   int64
	plantsAffected  int64
	severityPercent int32
	note            string
	inspectTime     time.Time
	inspector       string
	createTime      time.Time
	observations    []observation
	photos          []photo
}

type observation struct {
	Organ    string `json:"organ"`
	Sign     string `json:"sign"`
	Observed bool   `json:"observed"`
	Note     string `json:"note"`
}

// selectInspection reads inspections with what belongs to them; scanInspection
// takes a row.
const selectInspection = `
	SELECT i.nursery, i.id, coalesce(i.lot, ''), coalesce(i.house, ''), coalesce(i.bench, ''),
		i.plants_sampled, i.plants_affected, i.severity_percent, i.note, i.inspect_time, i.inspector, i.create_time,
		coalesce((
			SELECT jsonb_agg(jsonb_build_object('organ', o.organ, 'sign', o.sign, 'observed', o.observed, 'note', o.note) ORDER BY o.position)
			FROM diagnosis.observation o WHERE o.nursery = i.nursery AND o.inspection = i.id), '[]'),
		coalesce((
			SELECT jsonb_agg(jsonb_build_object('sha256', p.sha256, 'media_type', p.media_type, 'size_bytes', p.size_bytes,
				'width', p.width, 'height', p.height, 'create_time', p.create_time, 'shows', coalesce((
					SELECT jsonb_agg(jsonb_build_object('organ', s.organ, 'sign', s.sign) ORDER BY s.organ, s.sign)
					FROM diagnosis.photo_sign s WHERE s.nursery = p.nursery AND s.inspection = p.inspection AND s.sha256 = p.sha256), '[]'))
				ORDER BY p.create_time, p.sha256)
			FROM diagnosis.photo p WHERE p.nursery = i.nursery AND p.inspection = i.id), '[]')
	FROM diagnosis.inspection i`

func scanInspection(row pgx.Row) (inspectionRow, error) {
	var i inspectionRow
	err := row.Scan(&i.nursery, &i.id, &i.target.lot, &i.target.house, &i.target.bench,
		&i.plantsSampled, &i.plantsAffected, &i.severityPercent, &i.note, &i.inspectTime, &i.inspector, &i.createTime,
		&i.observations, &i.photos)
	return i, err
}

func readInspection(ctx context.Context, r postgres.Reader, nursery, id string) (inspectionRow, error) {
	row, err := scanInspection(r.QueryRow(ctx, selectInspection+` WHERE i.nursery = $1 AND i.id = $2`, nursery, id))
	if postgres.NoRows(err) {
		return inspectionRow{}, fault.Missing("inspection", inspectionName(nursery, id))
	}
	return row, postgres.Translate(err)
}

// checkInspections returns a NotFound fault for the first of the inspections
// that the nursery does not have.
func checkInspections(ctx context.Context, r postgres.Reader, nursery string, ids []string) error {
	var missing string
	err := r.QueryRow(ctx, `
		SELECT asked.id FROM unnest($2::text[]) WITH ORDINALITY AS asked (id, position)
		WHERE NOT EXISTS (SELECT FROM diagnosis.inspection i WHERE i.nursery = $1 AND i.id = asked.id)
		ORDER BY asked.position LIMIT 1`, nursery, ids).Scan(&missing)
	if postgres.NoRows(err) {
		return nil
	}
	if err != nil {
		return postgres.Translate(err)
	}
	return fault.Missing("inspection", inspectionName(nursery, missing))
}

// readInspections returns the inspections with some ids, in the order of the ids. A
// NotFound fault names the first that there is not.
func readInspections(ctx context.Context, r postgres.Reader, nursery string, ids []string) ([]inspectionRow, error) {
	inspections := make([]inspectionRow, len(ids))
	for i, id := range ids {
		var err error
		if inspections[i], err = readInspection(ctx, r, nursery, id); err != nil {
			return nil, err
		}
	}
	return inspections, nil
}

// mark is where a listing that runs from new to old goes on: before a moment,
// and at that moment before an id.
type mark struct {
	time time.Time
	id   string
}

// listInspections returns up to limit inspections before a mark, newest first,
// of one target when of is not nil.
func listInspections(ctx context.Context, r postgres.Reader, nursery string, of *target, before *mark, limit int) ([]inspectionRow, error) {
	query := selectInspection + ` WHERE i.nursery = @nursery`
	args := pgx.NamedArgs{"nursery": nursery, "limit": limit}
	switch {
	case of == nil:
	case of.lot != "":
		query += ` AND i.lot = @lot`
		args["lot"] = of.lot
	default:
		query += ` AND i.house = @house AND i.bench = @bench`
		args["house"], args["bench"] = of.house, of.bench
	}
	if before != nil {
		query += ` AND (i.inspect_time, i.id) < (@time, @id)`
		args["time"], args["id"] = before.time, before.id
	}
	rows, err := r.Query(ctx, query+` ORDER BY i.inspect_time DESC, i.id DESC LIMIT @limit`, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	inspections, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (inspectionRow, error) { return scanInspection(row) })
	return inspections, postgres.Translate(err)
}

func insertInspection(ctx context.Context, tx pgx.Tx, i inspectionRow) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO diagnosis.inspection (nursery, id, lot, house, bench, plants_sampled, plants_affected,
			severity_percent, note, inspect_time, inspector, create_time)
		VALUES (@nursery, @id, nullif(@lot, ''), nullif(@house, ''), nullif(@bench, ''), @sampled, @affected,
			@severity, @note, @inspect_time, @inspector, @create_time)`,
		pgx.NamedArgs{"nursery": i.nursery, "id": i.id, "lot": i.target.lot, "house": i.target.house, "bench": i.target.bench,
			"sampled": i.plantsSampled, "affected": i.plantsAffected, "severity": i.severityPercent, "note": i.note,
			"inspect_time": i.inspectTime, "inspector": i.inspector, "create_time": i.createTime})
	if err != nil {
		return err
	}
	for position, o := range i.observations {
		_, err := tx.Exec(ctx, `
			INSERT INTO diagnosis.observation (nursery, inspection, position, organ, sign, observed, note)
			VALUES (@nursery, @inspection, @position, @organ, @sign, @observed, @note)`,
			pgx.NamedArgs{"nursery": i.nursery, "inspection": i.id, "position": position,
				"organ": o.Organ, "sign": o.Sign, "observed": o.Observed, "note": o.Note})
		if err != nil {
			return err
		}
	}
	return nil
}

// insertPhoto keeps a photo's row unless it is there already.
func insertPhoto(ctx context.Context, tx pgx.Tx, nursery, inspection, uploader string, p photo) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO diagnosis.photo (nursery, inspection, sha256, media_type, size_bytes, width, height, uploader, create_time)
		VALUES (@nursery, @inspection, @sha256, @media_type, @size_bytes, @width, @height, @uploader, @create_time)
		ON CONFLICT ON CONSTRAINT photo_pk DO NOTHING`,
		pgx.NamedArgs{"nursery": nursery, "inspection": inspection, "sha256": p.SHA256, "media_type": p.MediaType,
			"size_bytes": p.SizeBytes, "width": p.Width, "height": p.Height, "uploader": uploader, "create_time": p.CreateTime})
	return err
}

// insertPhotoSigns keeps what a photo shows; a sign that is there already is left. One
// that the inspection did not find is refused.
func insertPhotoSigns(ctx context.Context, tx pgx.Tx, nursery, inspection, sha string, signs []photoSign) error {
	for i, s := range signs {
		args := pgx.NamedArgs{"nursery": nursery, "inspection": inspection, "sha256": sha, "organ": s.Organ, "sign": s.Sign}
		var found bool
		err := tx.QueryRow(ctx, `
			SELECT EXISTS (SELECT FROM diagnosis.observation
				WHERE nursery = @nursery AND inspection = @inspection AND organ = @organ AND sign = @sign AND observed)`, args).Scan(&found)
		if err != nil {
			return err
		}
		if !found {
			return fault.Field(fmt.Sprintf("shows[%d]", i), "the inspection did not find %q on the %s", s.Sign, organNames([]diagnosisv1.Organ{organOf(s.Organ)})).
				With("sign", s.Sign)
		}
		_, err = tx.Exec(ctx, `
			INSERT INTO diagnosis.photo_sign (nursery, inspection, sha256, organ, sign)
			VALUES (@nursery, @inspection, @sha256, @organ, @sign)
			ON CONFLICT ON CONSTRAINT photo_sign_pk DO NOTHING`, args)
		if err != nil {
			return err
		}
	}
	return nil
}

func readPhoto(ctx context.Context, r postgres.Reader, nursery, inspection, sha string) (photo, bool, error) {
	p := photo{SHA256: sha}
	err := r.QueryRow(ctx, `
		SELECT media_type, size_bytes, coalesce(width, 0), coalesce(height, 0), create_time, coalesce((
			SELECT jsonb_agg(jsonb_build_object('organ', s.organ, 'sign', s.sign) ORDER BY s.organ, s.sign)
			FROM diagnosis.photo_sign s WHERE s.nursery = p.nursery AND s.inspection = p.inspection AND s.sha256 = p.sha256), '[]')
		FROM diagnosis.photo p
		WHERE nursery = $1 AND inspection = $2 AND sha256 = $3`, nursery, inspection, sha).
		Scan(&p.MediaType, &p.SizeBytes, &p.Width, &p.Height, &p.CreateTime, &p.Shows)
	if postgres.NoRows(err) {
		return photo{}, false, nil
	}
	return p, err == nil, postgres.Translate(err)
}

// diagnosisRow is a diagnosis with what only this service shows.
type diagnosisRow struct {
	Diagnosis
	nursery     string
	inspections []string // ids
	samples     []string // ids
	duties      []string // ids
	grounds     string
	createTime  time.Time
	// assessment is what was proposed then; nil when nothing was.
	assessment *diagnosisv1.Assessment
}

// selectDiagnosis reads diagnoses; scanDiagnosis takes a row. assessment is the
// column of what was proposed, or noAssessment: it is long, and a list goes without.
func selectDiagnosis(assessment string) string {
	return `
	SELECT d.nursery, d.id, d.disorder, d.grounds, d.confirmer, d.confirm_time, d.create_time, ` + assessment + `,
		ARRAY(SELECT g.inspection FROM diagnosis.ground g WHERE g.nursery = d.nursery AND g.diagnosis = d.id ORDER BY g.position),
		ARRAY(SELECT g.sample FROM diagnosis.ground_sample g WHERE g.nursery = d.nursery AND g.diagnosis = d.id ORDER BY g.position),
		ARRAY(SELECT c.duty FROM diagnosis.diagnosis_duty c WHERE c.nursery = d.nursery AND c.diagnosis = d.id ORDER BY c.position)
	FROM diagnosis.diagnosis d`
}

const (
	withAssessment = `d.assessment`
	noAssessment   = `NULL::jsonb`
)

func scanDiagnosis(row pgx.Row) (diagnosisRow, error) {
	var d diagnosisRow
	var confirmer string
	var assessment []byte
	err := row.Scan(&d.nursery, &d.ID, &d.Disorder, &d.grounds, &confirmer, &d.ConfirmTime, &d.createTime, &assessment,
		&d.inspections, &d.samples, &d.duties)
	if err != nil {
		return diagnosisRow{}, err
	}
	if assessment != nil {
		d.assessment = &diagnosisv1.Assessment{}
		// What a later version has dropped from the contract is not shown any more.
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(assessment, d.assessment); err != nil {
			return diagnosisRow{}, fmt.Errorf("the assessment of diagnosis %s: %w", d.ID, err)
		}
	}
	d.Confirmer = personName(d.nursery, confirmer)
	d.Class, err = classOf(d.Disorder)
	return d, err
}

// classOf looks a disorder up whose id stands in a record; ids are never taken
// out of the knowledge.
func classOf(disorder string) (diagnosisv1.DisorderClass, error) {
	known, found := DisorderByID(disorder)
	if !found {
		return 0, fmt.Errorf("a diagnosis names the disorder %q, which this version does not know", disorder)
	}
	return known.Class, nil
}

func readDiagnosis(ctx context.Context, r postgres.Reader, nursery, id, assessment string) (diagnosisRow, error) {
	row, err := scanDiagnosis(r.QueryRow(ctx, selectDiagnosis(assessment)+` WHERE d.nursery = $1 AND d.id = $2`, nursery, id))
	if postgres.NoRows(err) {
		return diagnosisRow{}, fault.Missing("diagnosis", diagnosisName(nursery, id))
	}
	return row, postgres.Translate(err)
}

// listDiagnoses returns up to limit diagnoses before a mark, newest first.
func listDiagnoses(ctx context.Context, r postgres.Reader, nursery string, before *mark, limit int) ([]diagnosisRow, error) {
	query := selectDiagnosis(noAssessment) + ` WHERE d.nursery = @nursery`
	args := pgx.NamedArgs{"nursery": nursery, "limit": limit}
	if before != nil {
		query += ` AND (d.confirm_time, d.id) < (@time, @id)`
		args["time"], args["id"] = before.time, before.id
	}
	rows, err := r.Query(ctx, query+` ORDER BY d.confirm_time DESC, d.id DESC LIMIT @limit`, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	diagnoses, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (diagnosisRow, error) { return scanDiagnosis(row) })
	return diagnoses, postgres.Translate(err)
}

// insertDiagnosis writes a diagnosis of a person, whose id it is given.
func insertDiagnosis(ctx context.Context, tx pgx.Tx, d diagnosisRow, confirmer string) error {
	var assessment []byte
	if d.assessment != nil {
		var err error
		if assessment, err = protojson.Marshal(d.assessment); err != nil {
			return fmt.Errorf("keep the assessment: %w", err)
		}
	}
	args := pgx.NamedArgs{"nursery": d.nursery, "id": d.ID, "disorder": d.Disorder, "grounds": d.grounds, "confirmer": confirmer,
		"confirm_time": d.ConfirmTime, "create_time": d.createTime, "assessment": assessment, "inspections": d.inspections, "samples": d.samples}
	for _, statement := range []string{`
		INSERT INTO diagnosis.diagnosis (nursery, id, disorder, grounds, confirmer, confirm_time, create_time, assessment)
		VALUES (@nursery, @id, @disorder, @grounds, @confirmer, @confirm_time, @create_time, @assessment)`, `
		INSERT INTO diagnosis.ground (nursery, diagnosis, position, inspection)
		SELECT @nursery, @id, position, inspection
		FROM unnest(@inspections::text[]) WITH ORDINALITY AS g (inspection, position)`, `
		INSERT INTO diagnosis.ground_sample (nursery, diagnosis, position, sample)
		SELECT @nursery, @id, position, sample
		FROM unnest(@samples::text[]) WITH ORDINALITY AS g (sample, position)`,
	} {
		if _, err := tx.Exec(ctx, statement, args); err != nil {
			return err
		}
	}
	return nil
}

// insertConsequences keeps which duties follow from a diagnosis.
func insertConsequences(ctx context.Context, tx pgx.Tx, nursery, diagnosis string, duties []string) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO diagnosis.diagnosis_duty (nursery, diagnosis, position, duty)
		SELECT @nursery, @diagnosis, position, duty FROM unnest(@duties::text[]) WITH ORDINALITY AS d (duty, position)`,
		pgx.NamedArgs{"nursery": nursery, "diagnosis": diagnosis, "duties": duties})
	return err
}
