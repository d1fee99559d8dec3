package schedule

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"go.temporal.io/sdk/activity"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// Activities are what planners do outside their workflows.
type Activities struct {
	db     *postgres.DB
	outbox *postgres.Outbox
	logger *slog.Logger
	// search is search.Solve and hold holdToRules; a test may break the one off, or let
	// the other refuse what it likes.
	search solver
	hold   func(context.Context, postgres.Reader, *compiled, model.Plan) ([]ruleBreak, error)
}

// NewActivities returns the activities on a database. Plans that break a rule of
// their own, which no plan should, are written to the log.
func NewActivities(db *postgres.DB, outbox *postgres.Outbox, logger *slog.Logger) *Activities {
	return &Activities{db: db, outbox: outbox, logger: logger, search: search.Solve, hold: holdToRules}
}

// Worker is what planners are registered on.
type Worker interface {
	RegisterWorkflowWithOptions(w any, options workflow.RegisterOptions)
	RegisterActivity(a any)
}

// Register registers the workflows and the activities.
func Register(w Worker, activities *Activities) {
	w.RegisterWorkflowWithOptions(PlannerWorkflow, workflow.RegisterOptions{Name: PlannerType})
	w.RegisterWorkflowWithOptions(DailyPlanWorkflow, workflow.RegisterOptions{Name: DailyPlanType})
	w.RegisterActivity(activities)
}

// solvesAtOnce is how many plans one process works out at the same time: the search
// uses all cores for each. Design value.
const solvesAtOnce = 2

// NewWorkers returns the worker that runs planners and the one that works plans out;
// the caller starts and stops them. They are two, so that searches that take minutes
// do not keep planners waiting.
func NewWorkers(c client.Client, activities *Activities) []worker.Worker {
	planners := worker.New(c, TaskQueue, worker.Options{})
	Register(planners, activities)
	searches := worker.New(c, SearchQueue, worker.Options{MaxConcurrentActivityExecutionSize: solvesAtOnce, DisableWorkflowWorker: true})
	searches.RegisterActivity(activities)
	return []worker.Worker{planners, searches}
}

// errUnsound marks a plan that may not be shown: trying again would find the same.
var errUnsound = errors.New("unsound")

// WorkOutPlan works a plan out, from where the row says that an earlier try came to.
// A plan that is no longer being worked out is left.
func (a *Activities) WorkOutPlan(ctx context.Context, nursery, id string) (WorkedOut, error) {
	row, err := readPlan(ctx, a.db, nursery, id, "")
	if fault.Is(err, fault.NotFoundReason) {
		return WorkedOut{Plan: id}, nil // the database was restored to before it was asked for
	}
	if err != nil {
		return WorkedOut{}, err
	}
	if row.state != schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING {
		return a.workedOut(ctx, nursery, id)
	}
	p := &pursuit{Activities: a, row: row}
	solving, stop := p.breakable(ctx)
	defer stop()
	err = p.run(solving)
	var refused refusal
	switch {
	case errors.As(err, &refused):
		err = a.fail(ctx, nursery, id, string(refused))
	case errors.Is(err, errUnsound):
		a.logger.Error("a plan is not shown", "plan", planName(nursery, id), "error", err)
		err = a.fail(ctx, nursery, id, "the plan that was found did not pass the check; the server's log says more")
	case err != nil && solving.Err() != nil:
		// The process stops: another one goes on.
		return WorkedOut{}, fmt.Errorf("broken off after segment %d: %w", row.segment, solving.Err())
	}
	if err != nil && !errors.Is(err, errPlanGone) {
		return WorkedOut{}, err
	}
	return a.workedOut(ctx, nursery, id)
}

func (a *Activities) workedOut(ctx context.Context, nursery, id string) (WorkedOut, error) {
	row, err := readWatched(ctx, a.db, nursery, id)
	if fault.Is(err, fault.NotFoundReason) {
		return WorkedOut{Plan: id}, nil
	}
	if err != nil {
		return WorkedOut{}, err
	}
	return WorkedOut{Plan: id, State: planStateText(row.state)}, nil
}

// living is what a search says every few seconds.
type living struct {
	Plan    string `json:"plan"`
	Segment int64  `json:"segment"`
}

// breakable returns a context that ends when the worker stops, and says every few
// seconds that the search lives.
func (p *pursuit) breakable(ctx context.Context) (context.Context, context.CancelFunc) {
	breaking, stop := context.WithCancel(ctx)
	stopping, id := activity.GetWorkerStopChannel(ctx), p.row.id
	go func() {
		select {
		case <-breaking.Done():
		case <-stopping:
			stop()
		}
	}()
	go func() {
		for clock.Pause(breaking, silentFor/4) == nil {
			activity.RecordHeartbeat(ctx, living{Plan: id, Segment: p.segments.Load()})
		}
	}()
	return breaking, stop
}

// FailPlan gives up a plan that could not be worked out in many tries.
func (a *Activities) FailPlan(ctx context.Context, nursery, id string) (WorkedOut, error) {
	err := a.fail(ctx, nursery, id, "it could not be worked out in many tries; ask for a new one")
	if err != nil && !errors.Is(err, errPlanGone) {
		return WorkedOut{}, err
	}
	return a.workedOut(ctx, nursery, id)
}

func (a *Activities) fail(ctx context.Context, nursery, id, why string) error {
	return a.db.InTx(ctx, func(tx pgx.Tx) error { return failPlan(ctx, tx, nursery, id, why, a.db.Now()) })
}

// PlanAgain asks for a plan because of changes and returns its id; empty when the
// nursery does not want that. Asking again with the same origin returns the same
// plan.
func (a *Activities) PlanAgain(ctx context.Context, again PlanAgain) (string, error) {
	var id string
	err := a.db.InTx(ctx, func(tx pgx.Tx) error {
		settings, err := readSettings(ctx, tx, again.Nursery)
		if err != nil || !settings.ReplanOnEvents {
			return err
		}
		id, _, err = insertPlan(ctx, tx, askedBy(settings, again.Nursery, joinReasons(again.Reasons), again.Origin), a.db.Now())
		return err
	})
	return id, err
}

// PlanDaily asks for the plan of the day and tells the planner through the outbox.
func (a *Activities) PlanDaily(ctx context.Context, nursery, origin string) error {
	return a.db.InTx(ctx, func(tx pgx.Tx) error {
		settings, err := readSettings(ctx, tx, nursery)
		if err != nil || settings.PlanTime == "" {
			return err
		}
		_, err = askPlan(ctx, tx, a.outbox, a.db.Now(), askedBy(settings, nursery, "daily plan", origin))
		return err
	})
}

func askedBy(settings Settings, nursery, reason, origin string) asked {
	return asked{
		nursery: nursery, reason: reason, origin: origin,
		horizonDays: int(settings.HorizonDays), solveSeconds: int(settings.SolveSeconds), seed: defaultSeed,
	}
}

// pursuit is one try at working a plan out.
type pursuit struct {
	*Activities
	row *planRow
	// input is what was read; compiled is with what the rules said so far.
	input    Input
	compiled *compiled
	// bounds are those of the compiled problem; nil before a segment worked them out.
	bounds *bound.Bounds
	// start is the plan from which the first segment of the attempt begins.
	start model.Plan
	// segments counts the segments that are done, for those who watch.
	segments atomic.Int64
}

// run works the plan out and proposes it.
func (p *pursuit) run(ctx context.Context) error {
	if err := p.takeUp(ctx); err != nil {
		return err
	}
	for {
		if err := p.searchOn(ctx); err != nil {
			return err
		}
		score, err := p.check(ctx)
		if err != nil {
			return err
		}
		breaks, err := p.holdToRules(ctx)
		if err != nil {
			return err
		}
		if len(breaks) == 0 {
			return p.propose(ctx, score)
		}
		if err := p.learn(ctx, breaks); err != nil {
			return err
		}
	}
}

// takeUp reads what the plan depends on, as it was when the search began. When that
// is no longer what the search was asked, because something changed since, the search
// begins again with what is known now.
func (p *pursuit) takeUp(ctx context.Context) error {
	if !p.row.readTime.IsZero() {
		if err := p.read(ctx, p.row.readTime); err != nil {
			return err
		}
		if hash := p.compiled.problem.Hash(); slices.Equal(hash[:], p.row.inputHash) && p.row.engine == engine {
			before, err := problemOf(ctx, p.db, p.row.nursery, p.row.id)
			p.start = before.Start
			return err
		}
	}
	p.row.progress = progress{}
	if err := p.read(ctx, p.db.Now()); err != nil {
		return err
	}
	p.start = p.compiled.toldPlan()
	return p.begin(ctx)
}

// read reads the input as of a moment and compiles it with what the rules said.
func (p *pursuit) read(ctx context.Context, now time.Time) error {
	err := p.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		var err error
		p.input, err = readInput(ctx, tx, p.row.nursery, now, p.row.horizonDays)
		return err
	})
	if err != nil {
		return err
	}
	p.row.readTime, p.input.Lead = now, timeToAccept
	return p.compile()
}

func (p *pursuit) compile() error {
	p.compiled, p.bounds = compile(p.input.with(p.row.learnt)), nil
	if err := p.compiled.problem.Validate(); err != nil {
		return fmt.Errorf("%w: the problem: %w", errUnsound, err)
	}
	return nil
}

// begin keeps what the search of this attempt is asked.
func (p *pursuit) begin(ctx context.Context) error {
	hash := p.compiled.problem.Hash()
	p.row.inputHash, p.row.engine, p.row.leftOut = hash[:], engine, len(p.compiled.impossible)
	p.row.segment, p.row.idle, p.row.rounds, p.row.found, p.row.best = 0, 0, 0, false, nil
	return p.db.InTx(ctx, func(tx pgx.Tx) error {
		return beginAttempt(ctx, tx, p.row, searched{Problem: p.compiled.problem, Start: p.start})
	})
}

// searchOn runs segment after segment until the plan is as good as it can be, no more
// is gained, or the time is over, and keeps what each brings.
func (p *pursuit) searchOn(ctx context.Context) error {
	budget := time.Duration(p.row.solveSeconds) * time.Second
	if p.row.attempt > 0 {
		// What the rules refused moves few jobs.
		budget += budget * time.Duration(p.row.attempt) / 5
	}
	for !p.row.enough(budget) {
		spent := clock.Stopwatch()
		result, err := p.segment(ctx, budget-p.row.spent)
		if err != nil {
			return err
		}
		p.row.take(p.compiled, result, spent())
		p.segments.Store(int64(p.row.segment))
		err = p.db.InTx(ctx, func(tx pgx.Tx) error { return saveProgress(ctx, tx, p.row) })
		if err != nil {
			return err
		}
	}
	return nil
}

// segment runs one segment of the search. The first has no limit of time: a plan
// exists after it. Of another one that the time cuts off, the rounds that ran count.
func (p *pursuit) segment(ctx context.Context, left time.Duration) (search.Result, error) {
	if len(p.compiled.problem.Jobs) == 0 {
		none, err := bound.Of(ctx, p.compiled.problem)
		return search.Result{Plan: model.Plan{}, Bound: none, Optimal: true}, err
	}
	options := segmentOf(p.compiled.problem, p.row.seed, p.row.segment)
	options.Start, options.Bound = p.start, p.bounds
	limited := ctx
	if p.row.found {
		options.Start = p.row.best
		var stop context.CancelFunc
		limited, stop = context.WithTimeout(ctx, left)
		defer stop()
	}
	result, err := p.search(limited, p.compiled.problem, options)
	if result.Bound.By != "" {
		p.bounds = &result.Bound
	}
	switch {
	case ctx.Err() != nil:
		return result, ctx.Err()
	case errors.Is(err, search.ErrPinned):
		return result, nil // a later segment may place them all
	default:
		return result, err
	}
}

// refusal is why a plan cannot be proposed that trying again does not mend, as people
// read it.
type refusal string

// Error returns the reason.
func (r refusal) Error() string { return string(r) }

// check holds what the search found to the rules R1 to R12, by code that shares
// nothing with it.
func (p *pursuit) check(ctx context.Context) (model.Score, error) {
	if broken := brokenPins(p.compiled.problem, p.row.best); len(broken) > 0 {
		return model.Score{}, p.compiled.pinsThatClash(ctx, broken)
	}
	score, found := checker.Check(p.compiled.problem, p.row.best)
	if len(found) > 0 {
		return score, fmt.Errorf("%w: %d rules are broken, the first %s: %s", errUnsound, len(found), found[0].Rule, found[0].Text)
	}
	if counted := costsOf(score); counted != p.row.cost {
		return score, fmt.Errorf("%w: the search counted %+v, the checker %+v", errUnsound, p.row.cost, counted)
	}
	return score, nil
}

// holdToRules holds every application of the plan to the rules of the trade, as of one
// moment.
func (p *pursuit) holdToRules(ctx context.Context) ([]ruleBreak, error) {
	var breaks []ruleBreak
	err := p.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		var err error
		breaks, err = p.hold(ctx, tx, p.compiled, p.row.best)
		breaks = slices.DeleteFunc(breaks, func(b ruleBreak) bool { return !p.compiled.waits(b.job) })
		return err
	})
	return breaks, err
}

// learn keeps what the rules said and begins another attempt. A job that they refused
// often enough is left out.
func (p *pursuit) learn(ctx context.Context, breaks []ruleBreak) error {
	before, best := p.compiled, p.row.best
	p.row.attempt++
	for _, b := range breaks {
		p.row.learnt = append(p.row.learnt, before.lesson(best, b, p.row.attempt > ruleAttempts))
	}
	if err := p.compile(); err != nil {
		return err
	}
	p.start = p.compiled.carry(before, best)
	return p.begin(ctx)
}

// propose shows the plan to the manager.
func (p *pursuit) propose(ctx context.Context, score model.Score) error {
	if p.bounds == nil {
		of, err := bound.Of(ctx, p.compiled.problem)
		if err != nil {
			return err
		}
		p.bounds = &of
	}
	proven, err := p.compiled.prove(ctx, p.row.best, score, *p.bounds)
	if err != nil {
		return err
	}
	p.row.bound = boundsOf(proven.bounds)
	p.row.body = p.compiled.dayPlan(p.row.best, score, proven)
	p.row.planHash = hashOf(p.row.best)
	return p.db.InTx(ctx, func(tx pgx.Tx) error { return propose(ctx, tx, p.row, p.db.Now()) })
}
