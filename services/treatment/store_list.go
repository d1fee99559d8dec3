package treatment

import (
	"context"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
)

// reread is whole for a program whose lots the caller does not hold.
func (s *Service) reread(ctx context.Context, r postgres.Reader, p *program) (*treatmentv1.Program, error) {
	o, err := readOutbreak(ctx, r, p.nursery, p.outbreak, false)
	if err != nil {
		return nil, err
	}
	return s.whole(ctx, r, p, o.lots)
}

// whole returns a program with its lots and steps.
func (s *Service) whole(ctx context.Context, r postgres.Reader, p *program, lots []string) (*treatmentv1.Program, error) {
	groups, err := readGroups(ctx, r, p.nursery, []string{p.id})
	if err != nil {
		return nil, err
	}
	message := p.contract(lots)
	now := s.db.Now()
	for _, step := range p.state.Steps {
		message.Steps = append(message.Steps, p.stepContract(step, lots, groups.before(p.id, step), now))
	}
	return message, nil
}

// groupsUsed are resistance groups by program, step key and round.
type groupsUsed map[string][]string

func groupKey(program, key string, round int) string {
	return program + "/" + key + "/" + strconv.Itoa(round)
}

// before returns the groups that the same step used in the round before.
func (g groupsUsed) before(program string, step Step) []string {
	return g[groupKey(program, step.Key, step.Round-1)]
}

// readGroups returns the resistance groups that programs used.
func readGroups(ctx context.Context, r postgres.Reader, nursery string, programs []string) (groupsUsed, error) {
	rows, err := r.Query(ctx, `
		SELECT DISTINCT program, step_key, round, frac_code FROM treatment.application_group
		WHERE nursery = $1 AND program = ANY($2::text[]) ORDER BY program, step_key, round, frac_code`, nursery, programs)
	if err != nil {
		return nil, err
	}
	used := groupsUsed{}
	var program, key, code string
	var round int
	_, err = pgx.ForEachRow(rows, []any{&program, &key, &round, &code}, func() error {
		at := groupKey(program, key, round)
		used[at] = append(used[at], code)
		return nil
	})
	return used, err
}

// ListCases returns cases, newest first.
func (s *Service) ListCases(ctx context.Context, request *treatmentv1.ListCasesRequest) (*treatmentv1.ListCasesResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	below, err := page.Number(math.MaxInt64)
	if err != nil {
		return nil, err
	}
	rows, err := s.db.Query(ctx, `
		SELECT `+outbreakColumns+` FROM treatment.outbreak o
		WHERE o.nursery = $1 AND o.number < $2 ORDER BY o.number DESC LIMIT $3`, ids[0], below, page.Size+1)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*outbreak, error) { return scanOutbreak(row) })
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, next := rpc.Cut(page, found, func(o *outbreak) []string { return []string{strconv.FormatInt(o.number, 10)} })
	response := &treatmentv1.ListCasesResponse{NextPageToken: next}
	for _, o := range found {
		response.Cases = append(response.Cases, o.contract())
	}
	return response, nil
}

// ListPrograms returns programs, newest first, without their steps.
func (s *Service) ListPrograms(ctx context.Context, request *treatmentv1.ListProgramsRequest) (*treatmentv1.ListProgramsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	below, err := page.Number(math.MaxInt64)
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.ListProgramsResponse{}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `
			SELECT `+programColumns+` FROM treatment.program
			WHERE nursery = $1 AND number < $2 AND (cardinality($3::text[]) = 0 OR status = ANY($3))
			ORDER BY number DESC LIMIT $4`, ids[0], below, statuses(request.GetStates()), page.Size+1)
		if err != nil {
			return err
		}
		found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*program, error) { return scanProgram(row) })
		if err != nil {
			return err
		}
		found, response.NextPageToken = rpc.Cut(page, found, func(p *program) []string { return []string{strconv.FormatInt(p.number, 10)} })
		for _, p := range found {
			o, err := readOutbreak(ctx, tx, p.nursery, p.outbreak, false)
			if err != nil {
				return err
			}
			response.Programs = append(response.Programs, p.contract(o.lots))
		}
		return nil
	})
	return response, err
}

func statuses(states []treatmentv1.ProgramState) []string {
	names := make([]string, len(states))
	for i, state := range states {
		names[i] = strings.TrimPrefix(state.String(), "PROGRAM_STATE_")
	}
	return names
}

// ListSteps returns steps by due time. Steps without a due time come last.
func (s *Service) ListSteps(ctx context.Context, request *treatmentv1.ListStepsRequest) (*treatmentv1.ListStepsResponse, error) {
	ids, err := resource.ParseParent("parent", request.GetParent(), "nurseries", "programs")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 3)
	if err != nil {
		return nil, err
	}
	response := &treatmentv1.ListStepsResponse{}
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		now := s.db.Now()
		refs, err := readStepRefs(ctx, tx, ids[0], ids[1], request.GetStates(), page, now)
		if err != nil {
			return err
		}
		refs, response.NextPageToken = rpc.Cut(page, refs, stepRef.keys)
		steps, err := describe(ctx, tx, ids[0], refs, now)
		for _, step := range steps {
			response.Steps = append(response.Steps, step.Step)
		}
		return err
	})
	return response, err
}

// stepRef is where a step stands in the listing by due time.
type stepRef struct {
	due         string
	program, id string
}

func (r stepRef) keys() []string { return []string{r.due, r.program, r.id} }

func scanStepRef(row pgx.CollectableRow) (stepRef, error) {
	var ref stepRef
	err := row.Scan(&ref.due, &ref.program, &ref.id)
	return ref, err
}

// stepStateSQL derives the state of the contract from a row and the moment @now;
// stepState in contract.go is its twin.
const stepStateSQL = `
	CASE WHEN status <> 'READY' THEN status
		WHEN @now < open_time THEN 'SCHEDULED'
		WHEN @now < overdue_time THEN 'OPEN'
		ELSE 'OVERDUE' END`

// stepDueSQL writes when a step is due as a cursor carries it; dueLayout reads it.
const (
	stepDueSQL = `coalesce(to_char(due_time AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US'), '` + neverDue + `')`
	dueLayout  = "2006-01-02T15:04:05.000000"
	// neverDue stands for a step that waits, in a cursor.
	neverDue = "never"
)

// dueAfter reads the due time of a cursor and refuses one that was never handed out.
func dueAfter(text string) (time.Time, error) {
	due, err := time.Parse(dueLayout, text)
	if err != nil {
		return time.Time{}, rpc.BadToken()
	}
	return due, nil
}

func readStepRefs(ctx context.Context, r postgres.Reader, nursery, program string, states []treatmentv1.StepState, page rpc.Page, now time.Time) ([]stepRef, error) {
	wanted := make([]string, len(states))
	for i, state := range states {
		wanted[i] = strings.TrimPrefix(state.String(), "STEP_STATE_")
	}
	args := pgx.NamedArgs{
		"nursery": nursery, "program": program, "any": resource.Any, "now": now, "states": wanted, "limit": page.Size + 1,
		"due": "-infinity", "after_program": "", "after_id": "",
	}
	begun := page.After != nil
	if begun {
		args["after_program"], args["after_id"] = page.After[1], page.After[2]
	}
	var refs []stepRef
	if !begun || page.After[0] != neverDue {
		if begun {
			due, err := dueAfter(page.After[0])
			if err != nil {
				return nil, err
			}
			args["due"] = due.Format(time.RFC3339Nano)
		}
		var err error
		refs, err = queryStepRefs(ctx, r, `due_time IS NOT NULL AND (due_time, program, id) > (@due::text::timestamptz, @after_program, @after_id)`, args)
		if err != nil || len(refs) > page.Size {
			return refs, err
		}
		args["after_program"], args["after_id"] = "", ""
	}
	args["limit"] = page.Size + 1 - len(refs)
	waiting, err := queryStepRefs(ctx, r, `due_time IS NULL AND (program, id) > (@after_program, @after_id)`, args)
	return append(refs, waiting...), err
}

// queryStepRefs returns steps of a nursery in the order of their due times, which is
// that of an index.
func queryStepRefs(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]stepRef, error) {
	rows, err := r.Query(ctx, `
		SELECT `+stepDueSQL+`, program, id FROM treatment.step
		WHERE nursery = @nursery AND (@program = @any OR program = @program)
		  AND (cardinality(@states::text[]) = 0 OR `+stepStateSQL+` = ANY(@states)) AND `+where+`
		ORDER BY due_time, program, id LIMIT @limit`, args)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanStepRef)
}

// OpenStep is a step that can be done, with what the scheduler needs of it.
type OpenStep struct {
	// Step is the step as the contract shows it.
	Step *treatmentv1.Step
	// LotIDs are the ids of its lots.
	LotIDs []string
	// Method is how chemical is applied, unspecified for other kinds.
	Method productsv1.Method
	// Cursor continues a listing after this step.
	Cursor string
}

// ReadOpenSteps returns the steps of running programs that open by a time:
// overdue ones first, then by due time. after is the cursor of the last step of
// the page before, or empty.
func ReadOpenSteps(ctx context.Context, r postgres.Reader, nursery string, now, openBy time.Time, after string, limit int) ([]OpenStep, error) {
	args := pgx.NamedArgs{"nursery": nursery, "now": now, "by": openBy}
	parts := []string{overdueCursor, "-infinity", "", ""}
	if after != "" {
		if parts = strings.Split(after, "/"); len(parts) != 4 || (parts[0] != overdueCursor && parts[0] != laterCursor) {
			return nil, rpc.BadToken()
		}
		due, err := dueAfter(parts[1])
		if err != nil {
			return nil, err
		}
		parts[1] = due.Format(time.RFC3339Nano)
	}
	var steps []OpenStep
	for _, kind := range []string{overdueCursor, laterCursor} {
		if parts[0] > kind || len(steps) >= limit {
			continue
		}
		args["overdue"], args["limit"] = kind == overdueCursor, limit-len(steps)
		args["due"], args["after_program"], args["after_id"] = parts[1], parts[2], parts[3]
		refs, err := queryOpenSteps(ctx, r, args)
		if err != nil {
			return nil, err
		}
		found, err := describe(ctx, r, nursery, refs, now)
		if err != nil {
			return nil, err
		}
		for i := range found {
			found[i].Cursor = strings.Join([]string{kind, refs[i].due, refs[i].program, refs[i].id}, "/")
		}
		steps = append(steps, found...)
		parts = []string{laterCursor, "-infinity", "", ""}
	}
	return steps, nil
}

// How the cursors of overdue steps and of all others begin.
const (
	overdueCursor = "0"
	laterCursor   = "1"
)

// queryOpenSteps returns open steps, overdue or not, in the order of an index.
func queryOpenSteps(ctx context.Context, r postgres.Reader, args pgx.NamedArgs) ([]stepRef, error) {
	rows, err := r.Query(ctx, `
		SELECT `+stepDueSQL+`, s.program, s.id FROM treatment.step s
		JOIN treatment.program p ON p.nursery = s.nursery AND p.id = s.program
		WHERE s.nursery = @nursery AND s.status = 'READY' AND s.open_time <= @by AND p.status IN ('RUNNING', 'GIVEN_UP')
		  AND (s.overdue_time <= @now) = @overdue
		  AND (s.due_time, s.program, s.id) > (@due::text::timestamptz, @after_program, @after_id)
		ORDER BY s.due_time, s.program, s.id LIMIT @limit`, args)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanStepRef)
}

// describe reads the steps of a listing with their programs, each program once.
func describe(ctx context.Context, r postgres.Reader, nursery string, refs []stepRef, now time.Time) ([]OpenStep, error) {
	programs := map[string]*program{}
	lots := map[string][]string{}
	var ids []string
	for _, ref := range refs {
		if programs[ref.program] != nil {
			continue
		}
		p, err := readProgram(ctx, r, nursery, ref.program, false)
		if err != nil {
			return nil, err
		}
		o, err := readOutbreak(ctx, r, nursery, p.outbreak, false)
		if err != nil {
			return nil, err
		}
		programs[ref.program], lots[ref.program] = p, o.lots
		ids = append(ids, ref.program)
	}
	groups, err := readGroups(ctx, r, nursery, ids)
	if err != nil {
		return nil, err
	}
	steps := make([]OpenStep, 0, len(refs))
	for _, ref := range refs {
		p := programs[ref.program]
		step, ok := p.state.Find(ref.id)
		if !ok {
			return nil, fault.Missing("step", stepName(nursery, ref.program, ref.id))
		}
		steps = append(steps, OpenStep{
			Step:   p.stepContract(step, lots[p.id], groups.before(p.id, step), now),
			LotIDs: lots[p.id], Method: methodOf(step.Kind),
		})
	}
	return steps, nil
}

// ListProgramEvents returns what happened to a program, oldest first.
func (s *Service) ListProgramEvents(ctx context.Context, request *treatmentv1.ListProgramEventsRequest) (*treatmentv1.ListProgramEventsResponse, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 1)
	if err != nil {
		return nil, err
	}
	if _, err := readProgram(ctx, s.db, ids[0], ids[1], false); err != nil {
		return nil, postgres.Translate(err)
	}
	after, err := page.Number(0)
	if err != nil {
		return nil, err
	}
	rows, err := s.db.Query(ctx, `
		SELECT `+recordColumns+` FROM treatment.program_event
		WHERE nursery = $1 AND program = $2 AND sequence > $3 ORDER BY sequence LIMIT $4`, ids[0], ids[1], after, page.Size+1)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	records, err := pgx.CollectRows(rows, scanRecord)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	records, next := rpc.Cut(page, records, func(r record) []string { return []string{strconv.FormatInt(r.Sequence, 10)} })
	response := &treatmentv1.ListProgramEventsResponse{NextPageToken: next}
	for _, r := range records {
		response.Events = append(response.Events, r.contract(ids[0], ids[1]))
	}
	return response, nil
}

// ListApplications returns applications, newest first.
func (s *Service) ListApplications(ctx context.Context, request *treatmentv1.ListApplicationsRequest) (*treatmentv1.ListApplicationsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	where, args := `nursery = $1 ORDER BY end_time DESC, id DESC LIMIT $2`, []any{ids[0], page.Size + 1}
	if page.After != nil {
		if _, err := time.Parse(time.RFC3339Nano, page.After[0]); err != nil {
			return nil, rpc.BadToken()
		}
		where = `nursery = $1 AND (end_time, id) < ($3::text::timestamptz, $4) ORDER BY end_time DESC, id DESC LIMIT $2`
		args = append(args, page.After[0], page.After[1])
	}
	found, err := readApplications(ctx, s.db, where, args...)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, next := rpc.Cut(page, found, func(a *application) []string { return []string{a.end.UTC().Format(time.RFC3339Nano), a.id} })
	response := &treatmentv1.ListApplicationsResponse{NextPageToken: next}
	for _, a := range found {
		response.Applications = append(response.Applications, a.contract())
	}
	return response, nil
}

func readApplications(ctx context.Context, r postgres.Reader, where string, args ...any) ([]*application, error) {
	rows, err := r.Query(ctx, `SELECT `+applicationColumns+` FROM treatment.application WHERE `+where, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, scanApplication)
}
