package schedule

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/postgres"
)

const assignmentStatePrefix = "ASSIGNMENT_STATE_"

func assignmentStateText(state schedulev1.AssignmentState) string {
	return strings.TrimPrefix(state.String(), assignmentStatePrefix)
}

func assignmentStateOf(text string) schedulev1.AssignmentState {
	return schedulev1.AssignmentState(schedulev1.AssignmentState_value[assignmentStatePrefix+text])
}

// tell withdraws what people of a nursery were told and have not done, and tells
// them anew. Jobs that go on stay as they were told.
func tell(ctx context.Context, tx pgx.Tx, nursery string, all []assignment, goOn []string, now time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE schedule.assignment SET state = 'WITHDRAWN', withdraw_time = $3
		WHERE nursery = $1 AND state = 'ASSIGNED' AND job <> ALL ($2::text[])`, nursery, append([]string{}, goOn...), now)
	if err != nil {
		return err
	}
	batch := &pgx.Batch{}
	for _, a := range all {
		body, err := proto.Marshal(a.job)
		if err != nil {
			return fmt.Errorf("write an assignment: %w", err)
		}
		batch.Queue(`
			INSERT INTO schedule.assignment (nursery, id, day_plan, job, person, sprayer, prepare_time, start_time, end_time, body, create_time)
			VALUES (@nursery, @id, @day_plan, @job, @person, @sprayer, @prepare, @start, @end, @body, @now)`,
			pgx.NamedArgs{
				"nursery": nursery, "id": a.id, "day_plan": a.plan, "job": a.job.GetJob(),
				"person": orNull(lastPart(a.job.GetPerson())), "sprayer": orNull(lastPart(a.job.GetSprayer())),
				"prepare": a.job.GetPrepareTime().AsTime(), "start": a.job.GetStartTime().AsTime(), "end": a.job.GetEndTime().AsTime(),
				"body": body, "now": now,
			})
	}
	return tx.SendBatch(ctx, batch).Close()
}

// lastPart returns the id at the end of a name, empty for none.
func lastPart(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }

const selectAssignments = `SELECT nursery, id, day_plan, body, state, done_time FROM schedule.assignment WHERE `

func scanAssignment(row pgx.CollectableRow) (assignment, error) {
	var (
		a     assignment
		body  []byte
		state string
		done  *time.Time
	)
	if err := row.Scan(&a.nursery, &a.id, &a.plan, &body, &state, &done); err != nil {
		return a, err
	}
	a.state, a.done, a.job = assignmentStateOf(state), moment(done), &schedulev1.PlannedJob{}
	if err := proto.Unmarshal(body, a.job); err != nil {
		return a, fmt.Errorf("assignment %s: %w", a.id, err)
	}
	return a, nil
}

func queryAssignments(ctx context.Context, r postgres.Reader, where string, args pgx.NamedArgs) ([]assignment, error) {
	rows, err := r.Query(ctx, selectAssignments+where, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, scanAssignment)
	return found, postgres.Translate(err)
}

// assignmentsWanted says which assignments are listed.
type assignmentsWanted struct {
	nursery string
	// person is an id; empty for everybody.
	person string
	// endsAfter and beginsBefore are zero for no limit.
	endsAfter, beginsBefore time.Time
	states                  []schedulev1.AssignmentState
}

// listAssignments returns assignments by start and id after one of them.
func listAssignments(ctx context.Context, r postgres.Reader, w assignmentsWanted, after time.Time, afterID string, limit int) ([]assignment, error) {
	states := make([]string, len(w.states))
	for i, state := range w.states {
		states[i] = assignmentStateText(state)
	}
	where := `nursery = @nursery AND (start_time, id COLLATE "C") > (@after, @after_id)`
	if w.person != "" {
		where += ` AND person = @person`
	}
	if !w.endsAfter.IsZero() {
		where += ` AND end_time > @ends_after`
	}
	if !w.beginsBefore.IsZero() {
		where += ` AND start_time < @begins_before`
	}
	if len(states) > 0 {
		where += ` AND state = ANY (@states::text[])`
	}
	return queryAssignments(ctx, r, where+` ORDER BY start_time, id COLLATE "C" LIMIT @limit`, pgx.NamedArgs{
		"nursery": w.nursery, "person": w.person, "ends_after": w.endsAfter, "begins_before": w.beginsBefore,
		"states": states, "after": after, "after_id": afterID, "limit": limit,
	})
}

// readTold returns what people of a nursery were told and have not done, by job.
// People and sprayers stand as ids.
func readTold(ctx context.Context, r postgres.Reader, nursery string) ([]Told, error) {
	found, err := queryAssignments(ctx, r, `nursery = @nursery AND state = 'ASSIGNED' ORDER BY job COLLATE "C"`, pgx.NamedArgs{"nursery": nursery})
	if err != nil {
		return nil, err
	}
	return toldOf(found), nil
}

// readBegunSince returns what people of a nursery were told to begin between two moments
// and was not taken away before, done or not, by start.
func readBegunSince(ctx context.Context, r postgres.Reader, nursery string, since, until time.Time) ([]Told, error) {
	found, err := queryAssignments(ctx, r, `nursery = @nursery AND start_time >= @since AND start_time <= @until
		AND (state IN ('ASSIGNED', 'DONE') OR withdraw_time > start_time)
		ORDER BY start_time, id COLLATE "C"`, pgx.NamedArgs{"nursery": nursery, "since": since, "until": until})
	return toldOf(found), err
}

func toldOf(found []assignment) []Told {
	told := make([]Told, len(found))
	for i, a := range found {
		told[i] = Told{
			Assignment: a.id, Job: a.job.GetJob(), Prepare: a.job.GetPrepareTime().AsTime(), Start: a.job.GetStartTime().AsTime(),
			End: a.job.GetEndTime().AsTime(), Person: lastPart(a.job.GetPerson()), Sprayer: lastPart(a.job.GetSprayer()), As: a.job,
		}
	}
	return told
}

// mostClosed is how long ago work can have begun that still closes something. No label
// asks for so long an interval, as far as velamen knows. Design value.
const mostClosed = 90 * 24 * time.Hour

// readBegun returns what people of a nursery were told to begin by a moment and nobody
// has confirmed, by start: it may be done, and its worker writes it down in the
// evening. What was withdrawn only after it should have begun is among it.
func readBegun(ctx context.Context, r postgres.Reader, nursery string, by time.Time) ([]assignment, error) {
	return queryAssignments(ctx, r, `nursery = @nursery AND start_time <= @by AND start_time > @since
		AND (state = 'ASSIGNED' OR withdraw_time > start_time)
		AND NOT EXISTS (SELECT FROM schedule.assignment d
			WHERE d.nursery = assignment.nursery AND d.job = assignment.job AND d.state = 'DONE')
		ORDER BY start_time, id COLLATE "C"`,
		pgx.NamedArgs{"nursery": nursery, "by": by, "since": by.Add(-mostClosed)})
}

// assignedFor returns what people were told to do for jobs whose names begin with a
// prefix and was neither done nor withdrawn.
func assignedFor(ctx context.Context, r postgres.Reader, nursery, prefix string) ([]assignment, error) {
	return queryAssignments(ctx, r, `nursery = @nursery AND state = 'ASSIGNED' AND starts_with(job, @prefix) ORDER BY id COLLATE "C"`,
		pgx.NamedArgs{"nursery": nursery, "prefix": prefix})
}

// toldLast returns what was told last for a job, done or not; nil when nothing was.
func toldLast(ctx context.Context, r postgres.Reader, nursery, job string) (*assignment, error) {
	found, err := queryAssignments(ctx, r, `nursery = @nursery AND job = @job AND state <> 'WITHDRAWN'
		ORDER BY create_time DESC, id COLLATE "C" DESC LIMIT 1`, pgx.NamedArgs{"nursery": nursery, "job": job})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return &found[0], nil
}

// finish notes that an assignment was done, when its work ended.
func finish(ctx context.Context, tx pgx.Tx, nursery, job string, done time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE schedule.assignment SET state = 'DONE', done_time = $3 WHERE nursery = $1 AND job = $2 AND state = 'ASSIGNED'`,
		nursery, job, done)
	return err
}

// finishSinceTold is finish for work that is not confirmed by its name: what ended
// before people were told was something else.
func finishSinceTold(ctx context.Context, tx pgx.Tx, nursery, job string, done time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE schedule.assignment SET state = 'DONE', done_time = $3
		WHERE nursery = $1 AND job = $2 AND state = 'ASSIGNED' AND create_time <= $3`, nursery, job, done)
	return err
}

// withdraw takes an assignment away at a moment.
func withdraw(ctx context.Context, tx pgx.Tx, nursery, id string, now time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE schedule.assignment SET state = 'WITHDRAWN', withdraw_time = $3
		WHERE nursery = $1 AND id = $2 AND state = 'ASSIGNED'`, nursery, id, now)
	return err
}
