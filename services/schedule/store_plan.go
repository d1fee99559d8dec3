package schedule

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/services/schedule/model"
)

const planStatePrefix = "DAY_PLAN_STATE_"

func planStateText(state schedulev1.DayPlanState) string {
	return strings.TrimPrefix(state.String(), planStatePrefix)
}

func planStateOf(text string) schedulev1.DayPlanState {
	return schedulev1.DayPlanState(schedulev1.DayPlanState_value[planStatePrefix+text])
}

// searched is what a search is asked: with seed, rounds and engine it gives the
// same plan again.
type searched struct {
	Problem *model.Problem `json:"problem"`
	// Start is the plan from which the first segment began; nil for none.
	Start model.Plan `json:"start,omitempty"`
}

// pack compresses a value for a column.
func pack(value any) ([]byte, error) {
	var packed bytes.Buffer
	w := gzip.NewWriter(&packed)
	if err := json.NewEncoder(w).Encode(value); err != nil {
		return nil, fmt.Errorf("pack: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("pack: %w", err)
	}
	return packed.Bytes(), nil
}

// unpack reads what pack wrote.
func unpack(packed []byte, value any) error {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return fmt.Errorf("unpack: %w", err)
	}
	body, err := io.ReadAll(r)
	if err = errors.Join(err, r.Close()); err != nil {
		return fmt.Errorf("unpack: %w", err)
	}
	return json.Unmarshal(body, value)
}

// asked is a plan that is asked for.
type asked struct {
	nursery, reason string
	// origin is empty, or tells a workflow's asking from any other, so that it is
	// kept once.
	origin                    string
	horizonDays, solveSeconds int
	seed                      int64
}

// insertPlan keeps a plan that is asked for and returns its id, and false when its
// origin had asked before.
func insertPlan(ctx context.Context, tx pgx.Tx, a asked, now time.Time) (id string, made bool, err error) {
	if a.origin != "" {
		err = tx.QueryRow(ctx, `SELECT id FROM schedule.day_plan WHERE nursery = $1 AND origin = $2`, a.nursery, a.origin).Scan(&id)
		if !postgres.NoRows(err) {
			return id, false, err
		}
	}
	var number int64
	err = tx.QueryRow(ctx, `
		INSERT INTO schedule.day_plan_number (nursery, last) VALUES ($1, 1)
		ON CONFLICT ON CONSTRAINT day_plan_number_pk DO UPDATE SET last = day_plan_number.last + 1
		RETURNING last`, a.nursery).Scan(&number)
	if err != nil {
		return "", false, err
	}
	id = fmt.Sprintf("d-%d", number)
	_, err = tx.Exec(ctx, `
		INSERT INTO schedule.day_plan (nursery, id, number, state, reason, origin, horizon_days, solve_seconds, seed, create_time)
		VALUES (@nursery, @id, @number, 'SOLVING', @reason, @origin, @horizon_days, @solve_seconds, @seed, @now)`,
		pgx.NamedArgs{
			"nursery": a.nursery, "id": id, "number": number, "reason": a.reason, "origin": a.origin,
			"horizon_days": a.horizonDays, "solve_seconds": a.solveSeconds, "seed": a.seed, "now": now,
		})
	return id, true, err
}

const planColumns = `
	nursery, id, number, state, reason, horizon_days, solve_seconds, seed, read_time, engine, input_hash, learnt, attempt, segment,
	idle, rounds, spent_ms, %s, planned, left_out, skipped, cost, skipped_bound, cost_bound, %s, plan_hash, before, failure,
	create_time, solve_time, decide_time, decider, version`

// wholeColumns are those of a plan with its jobs, headColumns those without.
var (
	wholeColumns = fmt.Sprintf(planColumns, "best", "body")
	headColumns  = fmt.Sprintf(planColumns, "NULL::bytea", "head")
)

func scanPlan(row pgx.CollectableRow) (*planRow, error) {
	var (
		p                                       planRow
		state                                   string
		readTime, solved, decided               *time.Time
		told                                    []byte
		spent                                   int64
		best, body                              []byte
		skipped, cost, skippedBound, costsBound *int64
		before, decider                         *string
	)
	err := row.Scan(&p.nursery, &p.id, &p.number, &state, &p.reason, &p.horizonDays, &p.solveSeconds, &p.seed, &readTime, &p.engine,
		&p.inputHash, &told, &p.attempt, &p.segment, &p.idle, &p.rounds, &spent, &best, &p.planned, &p.leftOut,
		&skipped, &cost, &skippedBound, &costsBound, &body, &p.planHash, &before, &p.failure,
		&p.created, &solved, &decided, &decider, &p.version)
	if err != nil {
		return nil, err
	}
	p.state, p.spent = planStateOf(state), time.Duration(spent)*time.Millisecond
	p.readTime, p.solved, p.decided = moment(readTime), moment(solved), moment(decided)
	p.before, p.decider = text(before), text(decider)
	p.found = cost != nil
	p.cost = costs{number(skipped), number(cost)}
	p.bound = costs{number(skippedBound), number(costsBound)}
	if err := json.Unmarshal(told, &p.learnt); err != nil {
		return nil, fmt.Errorf("plan %s: what the rules said: %w", p.id, err)
	}
	if best != nil {
		if err := unpack(best, &p.best); err != nil {
			return nil, fmt.Errorf("plan %s: the best so far: %w", p.id, err)
		}
	}
	if body != nil {
		p.body = &schedulev1.DayPlan{}
		if err := proto.Unmarshal(body, p.body); err != nil {
			return nil, fmt.Errorf("plan %s: %w", p.id, err)
		}
	}
	return &p, nil
}

// moment, text and number read columns that may be empty.
func moment(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

func text(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}

func number(n *int64) int64 {
	if n == nil {
		return 0
	}
	return *n
}

// orNull writes an empty text as nothing.
func orNull(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func queryPlans(ctx context.Context, r postgres.Reader, columns, where string, args pgx.NamedArgs) ([]*planRow, error) {
	rows, err := r.Query(ctx, `SELECT `+columns+` FROM schedule.day_plan WHERE `+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scanPlan)
	return found, postgres.Translate(err)
}

// readPlan returns a plan or a NotFound fault. lock is empty or a locking clause.
func readPlan(ctx context.Context, r postgres.Reader, nursery, id, lock string) (*planRow, error) {
	return onePlan(ctx, r, wholeColumns, nursery, id, lock)
}

// readWatched returns how far a plan has come, or a NotFound fault.
func readWatched(ctx context.Context, r postgres.Reader, nursery, id string) (*planRow, error) {
	return onePlan(ctx, r, headColumns, nursery, id, "")
}

func onePlan(ctx context.Context, r postgres.Reader, columns, nursery, id, lock string) (*planRow, error) {
	found, err := queryPlans(ctx, r, columns, `nursery = @nursery AND id = @id `+lock, pgx.NamedArgs{"nursery": nursery, "id": id})
	if err != nil {
		return nil, err
	}
	if len(found) == 0 {
		return nil, fault.Missing("day plan", planName(nursery, id))
	}
	return found[0], nil
}

// readDayPlan returns a plan as the contract carries it, with its etag, or a
// NotFound fault.
func readDayPlan(ctx context.Context, r postgres.Reader, nursery, id string) (*schedulev1.DayPlan, error) {
	row, err := readPlan(ctx, r, nursery, id, "")
	if err != nil {
		return nil, err
	}
	return row.message(), nil
}

// listPlans returns plans without their jobs below a number, newest first.
func listPlans(ctx context.Context, r postgres.Reader, nursery string, states []schedulev1.DayPlanState, below int64, limit int) ([]*planRow, error) {
	wanted := make([]string, len(states))
	for i, state := range states {
		wanted[i] = planStateText(state)
	}
	return queryPlans(ctx, r, headColumns, `
		nursery = @nursery AND number < @below AND (cardinality(@states::text[]) = 0 OR state = ANY (@states::text[]))
		ORDER BY number DESC LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "below": below, "states": wanted, "limit": limit})
}

// problemOf returns what the search of a plan was asked, or a NotFound fault when it
// has not begun.
func problemOf(ctx context.Context, r postgres.Reader, nursery, id string) (searched, error) {
	var packed []byte
	err := r.QueryRow(ctx, `SELECT problem FROM schedule.day_plan WHERE nursery = $1 AND id = $2`, nursery, id).Scan(&packed)
	if postgres.NoRows(err) || err == nil && packed == nil {
		return searched{}, fault.Missing("problem of the day plan", planName(nursery, id))
	}
	if err != nil {
		return searched{}, postgres.Translate(err)
	}
	var found searched
	return found, unpack(packed, &found)
}

// errPlanGone says that a plan is not being worked out any more as this try began it:
// another one has finished it, or began again from newer facts.
var errPlanGone = errors.New("the plan is not being worked out any more")

// beginAttempt keeps what the search of an attempt is asked, before its first
// segment.
func beginAttempt(ctx context.Context, tx pgx.Tx, row *planRow, asked searched) error {
	packed, err := pack(asked)
	if err != nil {
		return err
	}
	told, err := json.Marshal(row.learnt)
	if err != nil {
		return fmt.Errorf("write what the rules said: %w", err)
	}
	if row.learnt == nil {
		told = []byte("[]")
	}
	tag, err := tx.Exec(ctx, `
		UPDATE schedule.day_plan SET read_time = @read_time, engine = @engine, input_hash = @input_hash, problem = @problem,
			learnt = @learnt, attempt = @attempt, segment = 0, idle = 0, rounds = 0, spent_ms = @spent_ms,
			best = NULL, skipped = NULL, cost = NULL, skipped_bound = NULL, cost_bound = NULL, planned = 0, left_out = @left_out
		WHERE nursery = @nursery AND id = @id AND state = 'SOLVING'`,
		pgx.NamedArgs{
			"nursery": row.nursery, "id": row.id, "read_time": row.readTime, "engine": row.engine, "input_hash": row.inputHash,
			"problem": packed, "learnt": told, "attempt": row.attempt, "spent_ms": row.spent.Milliseconds(), "left_out": row.leftOut,
		})
	return ifGone(tag.RowsAffected(), err)
}

// saveProgress keeps what a segment brought.
func saveProgress(ctx context.Context, tx pgx.Tx, row *planRow) error {
	best, err := pack(row.best)
	if err != nil {
		return err
	}
	tag, err := tx.Exec(ctx, `
		UPDATE schedule.day_plan SET segment = @segment, idle = @idle, rounds = @rounds, spent_ms = @spent_ms, best = @best,
			planned = @planned, left_out = @left_out, skipped = @skipped, cost = @cost,
			skipped_bound = @skipped_bound, cost_bound = @cost_bound
		WHERE nursery = @nursery AND id = @id AND state = 'SOLVING' AND attempt = @attempt AND input_hash = @input_hash`,
		pgx.NamedArgs{
			"nursery": row.nursery, "id": row.id, "attempt": row.attempt, "input_hash": row.inputHash, "segment": row.segment, "idle": row.idle, "rounds": row.rounds,
			"spent_ms": row.spent.Milliseconds(), "best": best, "planned": row.planned, "left_out": row.leftOut,
			"skipped": row.cost.skipped, "cost": row.cost.total, "skipped_bound": row.bound.skipped, "cost_bound": row.bound.total,
		})
	return ifGone(tag.RowsAffected(), err)
}

func ifGone(changed int64, err error) error {
	if err == nil && changed == 0 {
		return errPlanGone
	}
	return err
}

// propose makes a plan that is worked out the proposal of its nursery. The one
// before is superseded; when a later plan is proposed already, this one is.
func propose(ctx context.Context, tx pgx.Tx, row *planRow, now time.Time) error {
	body, short, err := bodies(row.body)
	if err != nil {
		return err
	}
	// The nursery's counter is held until the end, so that two proposals follow one
	// another.
	_, err = tx.Exec(ctx, `SELECT FROM schedule.day_plan_number WHERE nursery = $1 FOR UPDATE`, row.nursery)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		UPDATE schedule.day_plan SET state = 'SUPERSEDED', version = version + 1
		WHERE nursery = $1 AND state = 'PROPOSED' AND number < $2`, row.nursery, row.number)
	if err != nil {
		return err
	}
	tag, err := tx.Exec(ctx, `
		UPDATE schedule.day_plan SET body = @body, head = @head, plan_hash = @plan_hash, solve_time = @now, best = NULL,
			skipped_bound = @skipped_bound, cost_bound = @cost_bound,
			state = CASE WHEN EXISTS (SELECT FROM schedule.day_plan p WHERE p.nursery = @nursery AND p.state = 'PROPOSED')
				THEN 'SUPERSEDED' ELSE 'PROPOSED' END,
			before = (SELECT p.id FROM schedule.day_plan p WHERE p.nursery = @nursery AND p.state = 'ACCEPTED'
				ORDER BY p.decide_time DESC, p.number DESC LIMIT 1),
			version = version + 1
		WHERE nursery = @nursery AND id = @id AND state = 'SOLVING' AND attempt = @attempt AND input_hash = @input_hash`,
		pgx.NamedArgs{
			"nursery": row.nursery, "id": row.id, "attempt": row.attempt, "input_hash": row.inputHash,
			"body": body, "head": short, "plan_hash": row.planHash, "now": now,
			"skipped_bound": row.bound.skipped, "cost_bound": row.bound.total,
		})
	return ifGone(tag.RowsAffected(), err)
}

func bodies(plan *schedulev1.DayPlan) (body, short []byte, err error) {
	if body, err = proto.Marshal(plan); err != nil {
		return nil, nil, fmt.Errorf("write a plan: %w", err)
	}
	if short, err = proto.Marshal(head(plan)); err != nil {
		return nil, nil, fmt.Errorf("write a plan: %w", err)
	}
	return body, short, nil
}

// failPlan says why a plan could not be worked out.
func failPlan(ctx context.Context, tx pgx.Tx, nursery, id, why string, now time.Time) error {
	tag, err := tx.Exec(ctx, `
		UPDATE schedule.day_plan SET state = 'FAILED', failure = @why, best = NULL, solve_time = @now, version = version + 1
		WHERE nursery = @nursery AND id = @id AND state = 'SOLVING'`,
		pgx.NamedArgs{"nursery": nursery, "id": id, "why": why, "now": now})
	return ifGone(tag.RowsAffected(), err)
}

// decidePlan accepts or rejects a proposed plan, which the caller holds.
func decidePlan(ctx context.Context, tx pgx.Tx, row *planRow, note string) error {
	body, short, err := bodies(row.body)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, `
		UPDATE schedule.day_plan SET state = @state, body = @body, head = @head, plan_hash = @plan_hash, decide_time = @now,
			decider = @decider, decide_note = @note, version = version + 1
		WHERE nursery = @nursery AND id = @id`,
		pgx.NamedArgs{
			"nursery": row.nursery, "id": row.id, "state": planStateText(row.state), "body": body, "head": short,
			"plan_hash": row.planHash, "now": row.decided, "decider": row.decider, "note": note,
		})
	return err
}

// waitingPlan is a plan that waits to be worked out.
type waitingPlan struct{ nursery, id string }

// readSolving returns the plans of all nurseries that wait to be worked out, oldest
// first.
func readSolving(ctx context.Context, r postgres.Reader) ([]waitingPlan, error) {
	rows, err := r.Query(ctx, `SELECT nursery, id FROM schedule.day_plan WHERE state = 'SOLVING' ORDER BY nursery, number`)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (waitingPlan, error) {
		var w waitingPlan
		err := row.Scan(&w.nursery, &w.id)
		return w, err
	})
	return found, postgres.Translate(err)
}

// plansMatter reports whether a nursery has anything that a change could make worse: a
// plan that is worked out or proposed, or work that people were told to do.
func plansMatter(ctx context.Context, r postgres.Reader, nursery string) (bool, error) {
	var matter bool
	err := r.QueryRow(ctx, `
		SELECT EXISTS (SELECT FROM schedule.day_plan WHERE nursery = $1 AND state IN ('SOLVING', 'PROPOSED'))
			OR EXISTS (SELECT FROM schedule.assignment WHERE nursery = $1 AND state = 'ASSIGNED')`, nursery).Scan(&matter)
	return matter, postgres.Translate(err)
}
