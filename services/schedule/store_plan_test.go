package schedule

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
	"velamen/services/schedule/model"
)

func planDatabase(t *testing.T) *postgres.DB {
	t.Helper()
	db := pgtest.NewAt(t, &movable{now: begin})
	pgtest.AddNursery(t, db)
	return db.DB
}

func inTx(t *testing.T, db *postgres.DB, work func(tx pgx.Tx) error) {
	t.Helper()
	require.NoError(t, db.InTx(context.Background(), work))
}

// askedFor keeps a plan that is asked for and returns it.
func askedFor(t *testing.T, db *postgres.DB, origin string) *planRow {
	t.Helper()
	var id string
	inTx(t, db, func(tx pgx.Tx) (err error) {
		id, _, err = insertPlan(context.Background(), tx, asked{
			nursery: "test", reason: "asked for by Mira Manager", origin: origin, horizonDays: 7, solveSeconds: 5, seed: 1,
		}, begin)
		return err
	})
	return reread(t, db, id)
}

func reread(t *testing.T, db *postgres.DB, id string) *planRow {
	t.Helper()
	row, err := readPlan(context.Background(), db, "test", id, "")
	require.NoError(t, err)
	return row
}

// solved brings a plan to its proposal with the jobs given.
func solved(t *testing.T, db *postgres.DB, jobs ...*schedulev1.PlannedJob) *planRow {
	t.Helper()
	row := askedFor(t, db, "")
	row.readTime, row.engine, row.inputHash = begin, engine, []byte{1, 2}
	row.best, row.segment, row.rounds, row.planned = model.Plan{{Placed: true, Start: 5, Person: 1}}, 3, 17, len(jobs)
	row.cost, row.bound = costs{0, 1_500_000}, costs{0, 1_000_000}
	row.body, row.planHash = &schedulev1.DayPlan{Points: "1.5", Jobs: jobs}, []byte{3}
	inTx(t, db, func(tx pgx.Tx) error {
		return beginAttempt(context.Background(), tx, row, searched{Problem: &model.Problem{Horizon: 60}, Start: row.best})
	})
	inTx(t, db, func(tx pgx.Tx) error { return saveProgress(context.Background(), tx, row) })
	inTx(t, db, func(tx pgx.Tx) error { return propose(context.Background(), tx, row, begin.Add(time.Minute)) })
	return reread(t, db, row.id)
}

func toldJob(job, person string, start time.Time, length time.Duration) *schedulev1.PlannedJob {
	return &schedulev1.PlannedJob{
		Job: job, Title: job, Person: "nurseries/test/people/" + person,
		PrepareTime: timestamppb.New(start), StartTime: timestamppb.New(start), EndTime: timestamppb.New(start.Add(length)),
	}
}

func TestHowFarAPlanHasComeIsKept(t *testing.T) {
	db := planDatabase(t)
	row := askedFor(t, db, "")
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, row.state)
	require.True(t, row.readTime.IsZero())
	require.Empty(t, row.watched().GetPoints(), "there is no plan yet")

	row.readTime, row.engine, row.inputHash, row.attempt = begin, engine, []byte{7}, 1
	row.learnt = []learnt{{Job: "nurseries/test/programs/p-1/steps/spray-1", Text: "Not yet.", Start: begin, End: begin.Add(time.Hour)}}
	problem := searched{Problem: &model.Problem{Horizon: 60, Jobs: []model.Job{{Name: "a", Told: &model.Told{Start: 3}}}}, Start: model.Plan{{Placed: true, Start: 3}}}
	inTx(t, db, func(tx pgx.Tx) error { return beginAttempt(context.Background(), tx, row, problem) })
	row.segment, row.idle, row.rounds, row.spent, row.planned, row.leftOut = 2, 1, 9, 1500*time.Millisecond, 1, 2
	row.best, row.cost, row.bound = model.Plan{{Placed: true, Start: 4, Person: model.None}}, costs{3, 2_000_000}, costs{3, 1_000_000}
	inTx(t, db, func(tx pgx.Tx) error { return saveProgress(context.Background(), tx, row) })

	again := reread(t, db, row.id)
	row.found = true
	require.Equal(t, row, again)
	read, err := problemOf(context.Background(), db, "test", row.id)
	require.NoError(t, err)
	require.Equal(t, problem, read)
	watched := again.watched()
	require.Equal(t, "2", watched.GetPoints())
	require.Equal(t, "1", watched.GetBound())
	require.Equal(t, "100.0", watched.GetGap())
	require.Equal(t, int32(2), watched.GetUnplanned())
}

func TestAWorkflowThatAsksTwiceGetsOnePlan(t *testing.T) {
	db := planDatabase(t)
	first, second := askedFor(t, db, "planner/test/run/1"), askedFor(t, db, "planner/test/run/1")
	require.Equal(t, first.id, second.id)
	require.NotEqual(t, first.id, askedFor(t, db, "planner/test/run/2").id)
	require.NotEqual(t, askedFor(t, db, "").id, askedFor(t, db, "").id)
}

func TestANewerProposalTakesThePlaceOfTheOneBefore(t *testing.T) {
	db := planDatabase(t)
	first := solved(t, db)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, first.state)
	second := solved(t, db)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, second.state)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_SUPERSEDED, reread(t, db, first.id).state)
}

func TestAPlanThatComesLateDoesNotReplaceANewerOne(t *testing.T) {
	db := planDatabase(t)
	late := askedFor(t, db, "")
	newer := solved(t, db)
	late.readTime, late.body = begin, &schedulev1.DayPlan{}
	inTx(t, db, func(tx pgx.Tx) error {
		return beginAttempt(context.Background(), tx, late, searched{Problem: &model.Problem{}})
	})
	inTx(t, db, func(tx pgx.Tx) error { return propose(context.Background(), tx, late, begin) })
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_SUPERSEDED, reread(t, db, late.id).state)
	require.Equal(t, schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, reread(t, db, newer.id).state)
}

func TestAPlanThatIsSolvedTakesNoMoreProgress(t *testing.T) {
	db := planDatabase(t)
	row := solved(t, db)
	for name, work := range map[string]func(tx pgx.Tx) error{
		"progress": func(tx pgx.Tx) error { return saveProgress(context.Background(), tx, row) },
		"attempt": func(tx pgx.Tx) error {
			return beginAttempt(context.Background(), tx, row, searched{Problem: &model.Problem{}})
		},
		"proposal": func(tx pgx.Tx) error { return propose(context.Background(), tx, row, begin) },
		"failure":  func(tx pgx.Tx) error { return failPlan(context.Background(), tx, "test", row.id, "why", begin) },
	} {
		require.ErrorIs(t, db.InTx(context.Background(), work), errPlanGone, name)
	}
}

func TestTheDatabaseRefusesWhatNoPlanDoes(t *testing.T) {
	db := planDatabase(t)
	solving, proposal := askedFor(t, db, ""), solved(t, db, toldJob("a", "mira", begin, time.Hour))
	inTx(t, db, func(tx pgx.Tx) error {
		return tell(context.Background(), tx, "test", assignmentsOf("test", proposal.id, proposal.body.GetJobs()), nil, begin)
	})
	for statement, code := range map[string]string{
		`UPDATE schedule.day_plan SET state = 'ACCEPTED' WHERE id = '` + solving.id + `'`:                     "42501",
		`UPDATE schedule.day_plan SET state = 'SOLVING', solve_time = NULL WHERE id = '` + proposal.id + `'`:  "42501",
		`UPDATE schedule.day_plan SET body = '\x00', state = 'SUPERSEDED' WHERE id = '` + proposal.id + `'`:   "42501",
		`UPDATE schedule.day_plan SET state = 'ACCEPTED' WHERE id = '` + proposal.id + `'`:                    "23514",
		`UPDATE schedule.day_plan SET state = 'FAILED', solve_time = now() WHERE id = '` + solving.id + `'`:   "23514",
		`UPDATE schedule.day_plan SET state = 'PROPOSED', solve_time = now() WHERE id = '` + solving.id + `'`: "23514",
		`DELETE FROM schedule.day_plan`:                 "42501",
		`UPDATE schedule.assignment SET job = 'b'`:      "42501",
		`UPDATE schedule.assignment SET state = 'DONE'`: "23514",
		`DELETE FROM schedule.assignment`:               "42501",
		`TRUNCATE schedule.assignment`:                  "42501",
	} {
		err := db.InTx(context.Background(), func(tx pgx.Tx) error {
			_, err := tx.Exec(context.Background(), statement)
			return err
		})
		var refused *pgconn.PgError
		require.ErrorAs(t, err, &refused, statement)
		require.Equal(t, code, refused.Code, "%s: %s", statement, refused.Message)
	}
}

func TestWhatWasToldIsReplacedByWhatIsToldNext(t *testing.T) {
	db := planDatabase(t)
	ctx := context.Background()
	first := solved(t, db, toldJob("a", "mira", begin, time.Hour), toldJob("b", "wandile", begin, time.Hour))
	inTx(t, db, func(tx pgx.Tx) error {
		return tell(ctx, tx, "test", assignmentsOf("test", first.id, first.body.GetJobs()), nil, begin)
	})
	told, err := readTold(ctx, db, "test")
	require.NoError(t, err)
	for i := range told {
		require.Equal(t, told[i].Job, told[i].As.GetTitle(), "with the job as it was told")
		told[i].As = nil
	}
	require.Equal(t, []Told{
		{Assignment: first.id + "-1", Job: "a", Prepare: begin, Start: begin, End: begin.Add(time.Hour), Person: "mira"},
		{Assignment: first.id + "-2", Job: "b", Prepare: begin, Start: begin, End: begin.Add(time.Hour), Person: "wandile"},
	}, told)

	inTx(t, db, func(tx pgx.Tx) error { return finish(ctx, tx, "test", "a", begin.Add(50*time.Minute)) })
	second := solved(t, db, toldJob("b", "mira", begin.Add(time.Hour), time.Hour))
	inTx(t, db, func(tx pgx.Tx) error {
		return tell(ctx, tx, "test", assignmentsOf("test", second.id, second.body.GetJobs()), nil, begin)
	})
	all, err := listAssignments(ctx, db, assignmentsWanted{nursery: "test"}, time.Time{}, "", 10)
	require.NoError(t, err)
	var states []string
	for _, a := range all {
		states = append(states, fmt.Sprintf("%s %s %s", a.id, a.job.GetJob(), assignmentStateText(a.state)))
	}
	require.Equal(t, []string{
		first.id + "-1 a DONE", first.id + "-2 b WITHDRAWN", second.id + "-1 b ASSIGNED",
	}, states)
	require.Equal(t, begin.Add(50*time.Minute), all[0].done)
	third := solved(t, db, toldJob("c", "wandile", begin, time.Hour))
	inTx(t, db, func(tx pgx.Tx) error {
		return tell(ctx, tx, "test", assignmentsOf("test", third.id, third.body.GetJobs()), []string{"b"}, begin)
	})
	told, err = readTold(ctx, db, "test")
	require.NoError(t, err)
	require.Len(t, told, 2, "what somebody is doing goes on")
	require.Equal(t, second.id+"-1", told[0].Assignment)
	begun, err := readBegunSince(ctx, db, "test", begin.Add(-time.Hour), begin)
	require.NoError(t, err)
	var jobs []string
	for _, b := range begun {
		jobs = append(jobs, b.Job)
	}
	require.Equal(t, []string{"a", "c"}, jobs, "done or going on; not what was withdrawn before it began, nor what begins later")
	last, err := toldLast(ctx, db, "test", "a")
	require.NoError(t, err)
	require.Equal(t, first.id+"-1", last.id)
}

func TestTheDatabaseKeepsAPersonFromTwoThingsAtOnce(t *testing.T) {
	db := planDatabase(t)
	ctx := context.Background()
	row := solved(t, db)
	at := func(job string, minute int) *schedulev1.PlannedJob {
		return toldJob(job, "mira", begin.Add(time.Duration(minute)*time.Minute), time.Hour)
	}
	overlapping := assignmentsOf("test", row.id, []*schedulev1.PlannedJob{at("a", 0), at("b", 59)})
	err := db.InTx(ctx, func(tx pgx.Tx) error { return tell(ctx, tx, "test", overlapping, nil, begin) })
	require.True(t, postgres.Violates(err, "assignment_one_thing_at_a_time"), "%v", err)
	following := assignmentsOf("test", row.id, []*schedulev1.PlannedJob{at("a", 0), at("b", 60), toldJob("c", "wandile", begin, time.Hour)})
	inTx(t, db, func(tx pgx.Tx) error { return tell(ctx, tx, "test", following, nil, begin) })
}
