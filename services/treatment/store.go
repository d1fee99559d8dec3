package treatment

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/encoding/protojson"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/treatment/rules"
)

// program is a row of treatment.program.
type program struct {
	nursery, id   string
	number        int64
	outbreak      string
	template      *treatmentv1.Template
	plan          Plan
	disorder      string
	disorderClass diagnosisv1.DisorderClass
	state         State
	created       time.Time
}

func (p *program) name() string { return programName(p.nursery, p.id) }

func programName(nursery, id string) string {
	return resource.Of("nurseries", nursery, "programs", id)
}

func stepName(nursery, program, id string) string {
	return resource.Of("nurseries", nursery, "programs", program, "steps", id)
}

const programColumns = `nursery, id, number, outbreak, template, disorder, disorder_class, state, create_time`

func scanProgram(row pgx.Row) (*program, error) {
	p := &program{template: &treatmentv1.Template{}}
	var template, state []byte
	var class string
	err := row.Scan(&p.nursery, &p.id, &p.number, &p.outbreak, &template, &p.disorder, &class, &state, &p.created)
	if err != nil {
		return nil, err
	}
	if err := protojson.Unmarshal(template, p.template); err != nil {
		return nil, fmt.Errorf("template of program %s: %w", p.id, err)
	}
	if err := json.Unmarshal(state, &p.state); err != nil {
		return nil, fmt.Errorf("state of program %s: %w", p.id, err)
	}
	p.plan = PlanOf(p.template)
	p.disorderClass = diagnosisv1.DisorderClass(diagnosisv1.DisorderClass_value["DISORDER_CLASS_"+class])
	return p, nil
}

// readProgram returns a program; lock holds it until the transaction ends, so
// that its events are written one after another.
func readProgram(ctx context.Context, r postgres.Reader, nursery, id string, lock bool) (*program, error) {
	sql := `SELECT ` + programColumns + ` FROM treatment.program WHERE nursery = $1 AND id = $2`
	if lock {
		sql += ` FOR UPDATE`
	}
	p, err := scanProgram(r.QueryRow(ctx, sql, nursery, id))
	if postgres.NoRows(err) {
		return nil, fault.Missing("program", programName(nursery, id))
	}
	return p, err
}

// programRef names a program.
type programRef struct{ nursery, id string }

// readOpenPrograms returns the programs of all nurseries that go on.
func readOpenPrograms(ctx context.Context, r postgres.Reader) ([]programRef, error) {
	rows, err := r.Query(ctx, `
		SELECT nursery, id FROM treatment.program WHERE status IN ('RUNNING', 'PAUSED', 'GIVEN_UP') ORDER BY nursery, number`)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (programRef, error) {
		var ref programRef
		err := row.Scan(&ref.nursery, &ref.id)
		return ref, err
	})
}

// applied reports whether chemical was applied in a round of a program.
func applied(ctx context.Context, r postgres.Reader, p *program) (bool, error) {
	var found bool
	err := r.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM treatment.application_group WHERE nursery = $1 AND program = $2 AND round = $3)`,
		p.nursery, p.id, p.state.Round).Scan(&found)
	return found, err
}

func insertProgram(ctx context.Context, tx pgx.Tx, p *program) error {
	template, err := protojson.Marshal(p.template)
	if err != nil {
		return err
	}
	state, err := json.Marshal(p.state)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO treatment.program (nursery, id, number, outbreak, template, disorder, disorder_class,
			status, round, sequence, state, start_time, create_time)
		VALUES (@nursery, @id, @number, @outbreak, @template, @disorder, @class,
			@status, @round, @sequence, @state, @start, @created)`,
		pgx.NamedArgs{
			"nursery": p.nursery, "id": p.id, "number": p.number, "outbreak": p.outbreak, "template": template,
			"disorder": p.disorder, "class": strings.TrimPrefix(p.disorderClass.String(), "DISORDER_CLASS_"),
			"status": p.state.Status, "round": p.state.Round, "sequence": p.state.Sequence, "state": state,
			"start": p.state.Started, "created": p.created,
		})
	if postgres.Violates(err, "program_one_per_outbreak") {
		return fault.FieldReason(fault.Precondition, fault.ProgramState, "case", "the case has a program already")
	}
	if err != nil {
		return err
	}
	return saveSteps(ctx, tx, p)
}

func updateProgram(ctx context.Context, tx pgx.Tx, p *program) error {
	state, err := json.Marshal(p.state)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		UPDATE treatment.program
		SET status = @status, round = @round, sequence = @sequence, state = @state, end_time = @end
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{
			"status": p.state.Status, "round": p.state.Round, "sequence": p.state.Sequence, "state": state,
			"end": orNull(p.state.Ended), "nursery": p.nursery, "id": p.id,
		})
	if err != nil {
		return err
	}
	return saveSteps(ctx, tx, p)
}

func orNull(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

// saveSteps writes the steps that differ from their rows.
func saveSteps(ctx context.Context, tx pgx.Tx, p *program) error {
	var ids, statuses []string
	var positions []int32
	var open, due, overdue []*time.Time
	for i, step := range p.state.Steps {
		ids, statuses, positions = append(ids, step.ID()), append(statuses, string(step.Status)), append(positions, int32(i))
		open, due, overdue = append(open, orNull(step.Open)), append(due, orNull(step.Due)), append(overdue, orNull(step.Overdue))
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.step (nursery, program, id, position, status, open_time, due_time, overdue_time)
		SELECT @nursery, @program, s.* FROM unnest(@ids::text[], @positions::int[], @statuses::text[],
			@open::timestamptz[], @due::timestamptz[], @overdue::timestamptz[]) AS s
		ON CONFLICT ON CONSTRAINT step_pk DO UPDATE
		SET status = EXCLUDED.status, open_time = EXCLUDED.open_time,
			due_time = EXCLUDED.due_time, overdue_time = EXCLUDED.overdue_time
		WHERE (step.status, step.open_time, step.due_time, step.overdue_time)
			IS DISTINCT FROM (EXCLUDED.status, EXCLUDED.open_time, EXCLUDED.due_time, EXCLUDED.overdue_time)`,
		pgx.NamedArgs{
			"nursery": p.nursery, "program": p.id, "ids": ids, "positions": positions, "statuses": statuses,
			"open": open, "due": due, "overdue": overdue,
		})
	return err
}

// record is an event with what only the database keeps of it.
type record struct {
	Event
	person, note string
	confirmation *treatmentv1.Confirmation
	created      time.Time
	// statement is what the inspections show, for a release.
	statement string
}

func insertEvent(ctx context.Context, tx pgx.Tx, nursery, program string, r record) error {
	var confirmation []byte
	if r.confirmation != nil {
		var err error
		if confirmation, err = protojson.Marshal(r.confirmation); err != nil {
			return err
		}
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.program_event (nursery, program, sequence, kind, step, outcome, person, note,
			confirmation, event_time, create_time, statement)
		VALUES (@nursery, @program, @sequence, @kind, @step, @outcome, @person, @note, @confirmation, @at, @created, @statement)`,
		pgx.NamedArgs{
			"nursery": nursery, "program": program, "sequence": r.Sequence, "kind": r.Kind, "step": r.Step,
			"outcome": r.Outcome, "person": r.person, "note": r.note, "confirmation": confirmation,
			"at": r.At, "created": r.created, "statement": r.statement,
		})
	return err
}

func scanRecord(row pgx.CollectableRow) (record, error) {
	var r record
	var confirmation []byte
	err := row.Scan(&r.Sequence, &r.Kind, &r.Step, &r.Outcome, &r.person, &r.note, &confirmation, &r.At, &r.created, &r.statement)
	if err != nil || confirmation == nil {
		return r, err
	}
	r.confirmation = &treatmentv1.Confirmation{}
	return r, protojson.Unmarshal(confirmation, r.confirmation)
}

const recordColumns = `sequence, kind, step, outcome, person, note, confirmation, event_time, create_time, statement`

// readConfirmations returns what was confirmed in a program, in order.
func readConfirmations(ctx context.Context, r postgres.Reader, p *program) ([]record, error) {
	rows, err := r.Query(ctx, `
		SELECT `+recordColumns+` FROM treatment.program_event
		WHERE nursery = $1 AND program = $2 AND kind = $3 ORDER BY sequence`, p.nursery, p.id, EventStepConfirmed)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanRecord)
}

// readLastJoined returns when the last of the lots that are in a program joined it.
func readLastJoined(ctx context.Context, r postgres.Reader, p *program) (time.Time, error) {
	var joined *time.Time
	err := r.QueryRow(ctx, `
		SELECT max(joined) FROM treatment.outbreak_lot WHERE nursery = $1 AND outbreak = $2 AND left_time IS NULL`,
		p.nursery, p.outbreak).Scan(&joined)
	if err != nil || joined == nil {
		return time.Time{}, err
	}
	return *joined, nil
}

// outbreak is a row of treatment.outbreak: a case. The word case is kept by Go.
type outbreak struct {
	nursery, id string
	number      int64
	diagnosis   string
	state       treatmentv1.CaseState
	lots        []string
	program     string
	// closeNote says why it was closed without a program.
	closeNote string
	created   time.Time
}

func (o *outbreak) name() string { return resource.Of("nurseries", o.nursery, "cases", o.id) }

// outbreakColumns reads a case with its lots: those in it now, or when it ended
// those that were in it at the end.
const outbreakColumns = `
	o.nursery, o.id, o.number, o.diagnosis, o.state, o.close_note, o.create_time,
	coalesce((SELECT p.id FROM treatment.program p WHERE p.nursery = o.nursery AND p.outbreak = o.id), ''),
	ARRAY(
		SELECT l.lot FROM treatment.outbreak_lot l
		WHERE l.nursery = o.nursery AND l.outbreak = o.id
		  AND l.left_time IS NOT DISTINCT FROM (
			SELECT CASE WHEN count(*) FILTER (WHERE m.left_time IS NULL) > 0 THEN NULL ELSE max(m.left_time) END
			FROM treatment.outbreak_lot m WHERE m.nursery = o.nursery AND m.outbreak = o.id)
		ORDER BY l.lot)`

func scanOutbreak(row pgx.Row) (*outbreak, error) {
	o := &outbreak{}
	var state string
	err := row.Scan(&o.nursery, &o.id, &o.number, &o.diagnosis, &state, &o.closeNote, &o.created, &o.program, &o.lots)
	o.state = treatmentv1.CaseState(treatmentv1.CaseState_value["CASE_STATE_"+state])
	return o, err
}

func readOutbreak(ctx context.Context, r postgres.Reader, nursery, id string, lock bool) (*outbreak, error) {
	sql := `SELECT ` + outbreakColumns + ` FROM treatment.outbreak o WHERE o.nursery = $1 AND o.id = $2`
	if lock {
		sql += ` FOR UPDATE OF o`
	}
	o, err := scanOutbreak(r.QueryRow(ctx, sql, nursery, id))
	if postgres.NoRows(err) {
		return nil, fault.Missing("case", resource.Of("nurseries", nursery, "cases", id))
	}
	return o, err
}

func nextCaseNumber(ctx context.Context, tx pgx.Tx, nursery string) (int64, error) {
	var number int64
	err := tx.QueryRow(ctx, `
		INSERT INTO treatment.case_number (nursery, last) VALUES ($1, 1)
		ON CONFLICT ON CONSTRAINT case_number_pk DO UPDATE SET last = case_number.last + 1
		RETURNING last`, nursery).Scan(&number)
	return number, err
}

func insertOutbreak(ctx context.Context, tx pgx.Tx, o *outbreak) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.outbreak (nursery, id, number, diagnosis, state, create_time)
		VALUES ($1, $2, $3, $4, 'OPEN', $5)`, o.nursery, o.id, o.number, o.diagnosis, o.created)
	if err != nil {
		return err
	}
	return joinLots(ctx, tx, o.nursery, o.id, o.lots, o.created)
}

func setOutbreakState(ctx context.Context, tx pgx.Tx, nursery, id string, state treatmentv1.CaseState) error {
	_, err := tx.Exec(ctx, `UPDATE treatment.outbreak SET state = $3 WHERE nursery = $1 AND id = $2`,
		nursery, id, strings.TrimPrefix(state.String(), "CASE_STATE_"))
	return err
}

// closeOutbreak closes a case without a program, in the database and in memory.
func closeOutbreak(ctx context.Context, tx pgx.Tx, o *outbreak, note, person string) error {
	o.state, o.closeNote = treatmentv1.CaseState_CASE_STATE_CLOSED, note
	_, err := tx.Exec(ctx, `
		UPDATE treatment.outbreak SET state = 'CLOSED', close_note = $3, closed_by = $4 WHERE nursery = $1 AND id = $2`,
		o.nursery, o.id, note, person)
	return err
}

func joinLots(ctx context.Context, tx pgx.Tx, nursery, outbreak string, lots []string, at time.Time) error {
	lots = slices.Sorted(slices.Values(lots))
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.outbreak_lot (nursery, outbreak, lot, joined)
		SELECT $1, $2, lot, $4 FROM unnest($3::text[]) AS lot`, nursery, outbreak, lots, at)
	if postgres.Violates(err, "outbreak_lot_one_open_case") {
		return fault.FieldReason(fault.Precondition, fault.LotInProgram, "lots", "a lot is in another open case").
			With("lots", strings.Join(lots, ","))
	}
	return err
}

func leaveLots(ctx context.Context, tx pgx.Tx, nursery, outbreak string, lots []string, at time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE treatment.outbreak_lot SET left_time = greatest($4, joined)
		WHERE nursery = $1 AND outbreak = $2 AND lot = ANY($3::text[]) AND left_time IS NULL`, nursery, outbreak, lots, at)
	return err
}

// application is a row of treatment.application.
type application struct {
	nursery, id, program, step string
	method                     productsv1.Method
	disorder                   string
	treatments                 []*treatmentv1.HouseTreatment
	lots                       []string
	start, end                 time.Time
	applicator                 string
	// reiHours is empty where a label lacks the interval.
	reiHours   string
	created    time.Time
	conditions *treatmentv1.Conditions
	// verdicts are what the rules say while it is entered; kept are those of them that
	// were no plain pass, as they are read back.
	verdicts  []rules.Verdict
	kept      []*treatmentv1.Verdict
	overrides []*treatmentv1.Override
	// breachNote says why it confirmed no step; empty where it did.
	breachNote string
}

func (a *application) name() string { return resource.Of("nurseries", a.nursery, "applications", a.id) }

// said is what an application keeps of the conditions and of what rules and people
// said, in the contract's form: names in the code may change.
func (a *application) said() ([]byte, error) {
	return protojson.Marshal(&treatmentv1.Application{
		Conditions: a.conditions, Verdicts: verdictsContract(a.nursery, worthKeeping(a.verdicts)), Overrides: a.overrides,
	})
}

func insertApplication(ctx context.Context, tx pgx.Tx, a *application, stepKey string, round int, groups []string) error {
	treatments, err := protojson.Marshal(&treatmentv1.Confirmation{Treatments: a.treatments})
	if err != nil {
		return err
	}
	said, err := a.said()
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		WITH applied AS (
			INSERT INTO treatment.application (nursery, id, program, step, method, disorder, treatments, lots,
				start_time, end_time, applicator, rei_hours, create_time, said, breach_note)
			VALUES (@nursery, @id, nullif(@program, ''), @step, @method, @disorder, @treatments, @lots,
				@start, @end, @applicator, nullif(@rei::text, '')::numeric, @created, @said, @breach)
			RETURNING nursery, id, coalesce(program, '') AS program
		)
		INSERT INTO treatment.application_group (nursery, application, program, step_key, round, frac_code)
		SELECT applied.nursery, applied.id, applied.program, @key, @round, code FROM applied, unnest(@groups::text[]) AS code`,
		pgx.NamedArgs{
			"nursery": a.nursery, "id": a.id, "program": a.program, "step": a.step,
			"method": strings.TrimPrefix(a.method.String(), "METHOD_"), "disorder": a.disorder, "treatments": treatments,
			"lots": a.lots, "start": a.start, "end": a.end, "applicator": a.applicator, "rei": a.reiHours,
			"created": a.created, "key": stepKey, "round": round, "groups": groups,
			"said": said, "breach": a.breachNote,
		})
	return err
}

const applicationColumns = `nursery, id, coalesce(program, ''), step, method, disorder, treatments, lots, start_time, end_time,
	applicator, coalesce(rei_hours::text, ''), create_time, said, breach_note`

func scanApplication(row pgx.CollectableRow) (*application, error) {
	a := &application{}
	var method string
	var treatments, said []byte
	err := row.Scan(&a.nursery, &a.id, &a.program, &a.step, &method, &a.disorder, &treatments, &a.lots,
		&a.start, &a.end, &a.applicator, &a.reiHours, &a.created, &said, &a.breachNote)
	if err != nil {
		return nil, err
	}
	if err := a.read(said); err != nil {
		return nil, err
	}
	a.method = productsv1.Method(productsv1.Method_value["METHOD_"+method])
	var holder treatmentv1.Confirmation
	if err := protojson.Unmarshal(treatments, &holder); err != nil {
		return nil, fmt.Errorf("treatments of application %s: %w", a.id, err)
	}
	a.treatments = holder.GetTreatments()
	return a, nil
}

// read is the inverse of said.
func (a *application) read(said []byte) error {
	var kept treatmentv1.Application
	if err := protojson.Unmarshal(said, &kept); err != nil {
		return fmt.Errorf("what was said of application %s: %w", a.id, err)
	}
	a.conditions, a.kept, a.overrides = kept.GetConditions(), kept.GetVerdicts(), kept.GetOverrides()
	return nil
}

// lockApplications holds the applications of a nursery until the transaction ends:
// two that were made at once would each be held to a history without the other.
func lockApplications(ctx context.Context, tx pgx.Tx, nursery string) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.application_number (nursery, last) VALUES ($1, 0)
		ON CONFLICT ON CONSTRAINT application_number_pk DO UPDATE SET last = application_number.last`, nursery)
	return err
}

func nextApplicationNumber(ctx context.Context, tx pgx.Tx, nursery string) (int64, error) {
	var number int64
	err := tx.QueryRow(ctx, `
		INSERT INTO treatment.application_number (nursery, last) VALUES ($1, 1)
		ON CONFLICT ON CONSTRAINT application_number_pk DO UPDATE SET last = application_number.last + 1
		RETURNING last`, nursery).Scan(&number)
	return number, err
}

// readTemplate returns the newest version of a template: the nursery's own, or
// the one that came with the binary.
func readTemplate(ctx context.Context, r postgres.Reader, nursery, id string) (*treatmentv1.Template, error) {
	var body []byte
	err := r.QueryRow(ctx, `
		SELECT body FROM treatment.template WHERE nursery = $1 AND id = $2 ORDER BY version DESC LIMIT 1`, nursery, id).
		Scan(&body)
	if err != nil && !postgres.NoRows(err) {
		return nil, err
	}
	name := resource.Of("nurseries", nursery, "templates", id)
	if postgres.NoRows(err) {
		template, ok, err := shippedTemplate(id)
		if err == nil && !ok {
			err = fault.Missing("template", name)
		}
		if err != nil {
			return nil, err
		}
		template.Name = name
		return template, nil
	}
	template := &treatmentv1.Template{}
	return template, protojson.Unmarshal(body, template)
}

func insertTemplate(ctx context.Context, tx pgx.Tx, nursery, id, person string, template *treatmentv1.Template, now time.Time) error {
	body, err := protojson.Marshal(template)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO treatment.template (nursery, id, version, body, person, create_time) VALUES ($1, $2, $3, $4, $5, $6)`,
		nursery, id, template.GetVersion(), body, person, now)
	if postgres.Violates(err, "template_pk") {
		return fault.New(fault.Aborted, fault.AlreadyExists, "somebody else published a version just now; look at it first").Because(err)
	}
	return err
}

// templateIDs returns the ids of all templates of a nursery, shipped ones
// included, in order.
func templateIDs(ctx context.Context, r postgres.Reader, nursery string) ([]string, error) {
	templates, err := shipped()
	if err != nil {
		return nil, err
	}
	rows, err := r.Query(ctx, `SELECT DISTINCT id FROM treatment.template WHERE nursery = $1`, nursery)
	if err != nil {
		return nil, err
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[string])
	for id := range templates {
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.Sort(ids)
	return ids, err
}
