package schedule

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/identity"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
)

// CreateDayPlan asks for a plan; it is being worked out when the call returns.
func (s *Service) CreateDayPlan(ctx context.Context, request *schedulev1.CreateDayPlanRequest) (*schedulev1.DayPlan, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*schedulev1.DayPlan, error) {
		settings, err := readSettings(ctx, tx, ids[0])
		if err != nil {
			return nil, err
		}
		asker, err := identity.ReadPerson(ctx, tx, ids[0], caller.Person)
		if err != nil {
			return nil, err
		}
		id, err := askPlan(ctx, tx, s.outbox, s.db.Now(), asked{
			nursery: ids[0], reason: "asked for by " + asker.DisplayName,
			horizonDays:  int(cmp.Or(request.GetHorizonDays(), settings.HorizonDays)),
			solveSeconds: int(cmp.Or(request.GetSolveSeconds(), settings.SolveSeconds)),
			seed:         cmp.Or(request.GetSeed(), defaultSeed),
		})
		if err != nil {
			return nil, err
		}
		return readDayPlan(ctx, tx, ids[0], id)
	})
}

// defaultSeed is the seed of the search where nobody chose one.
const defaultSeed = 1

// askPlan keeps a plan that is asked for and tells the planner, and returns its id.
func askPlan(ctx context.Context, tx pgx.Tx, outbox *postgres.Outbox, now time.Time, a asked) (string, error) {
	id, made, err := insertPlan(ctx, tx, a, now)
	if err != nil || !made {
		return id, err
	}
	return id, outbox.Write(ctx, tx, TopicPlanAsked, a.nursery, planName(a.nursery, id), PlanAsked{Plan: id})
}

// GetDayPlan returns a plan.
func (s *Service) GetDayPlan(ctx context.Context, request *schedulev1.GetDayPlanRequest) (*schedulev1.DayPlan, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "dayPlans")
	if err != nil {
		return nil, err
	}
	return readDayPlan(ctx, s.db, ids[0], ids[1])
}

// ListDayPlans returns plans without their jobs, newest first.
func (s *Service) ListDayPlans(ctx context.Context, request *schedulev1.ListDayPlansRequest) (*schedulev1.ListDayPlansResponse, error) {
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
	rows, err := listPlans(ctx, s.db, ids[0], request.GetStates(), below, page.Size+1)
	if err != nil {
		return nil, err
	}
	rows, next := rpc.Cut(page, rows, func(row *planRow) []string { return []string{strconv.FormatInt(row.number, 10)} })
	response := &schedulev1.ListDayPlansResponse{NextPageToken: next}
	for _, row := range rows {
		response.DayPlans = append(response.DayPlans, row.message())
	}
	return response, nil
}

// AcceptDayPlan makes a proposed plan's jobs the assignments of its workers.
func (s *Service) AcceptDayPlan(ctx context.Context, request *schedulev1.AcceptDayPlanRequest) (*schedulev1.DayPlan, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "dayPlans")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*schedulev1.DayPlan, error) {
		row, err := proposed(ctx, tx, ids[0], ids[1], request.GetEtag())
		if err != nil {
			return nil, err
		}
		jobs, stay, err := s.stands(ctx, tx, row, request.GetEdits())
		if err != nil {
			return nil, err
		}
		row.state = schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED
		if err := s.decide(ctx, tx, row, caller, ""); err != nil {
			return nil, err
		}
		if err := tell(ctx, tx, ids[0], assignmentsOf(ids[0], ids[1], jobs), stay, row.decided); err != nil {
			return nil, err
		}
		return readDayPlan(ctx, tx, ids[0], ids[1])
	})
}

// RejectDayPlan puts a proposed plan aside.
func (s *Service) RejectDayPlan(ctx context.Context, request *schedulev1.RejectDayPlanRequest) (*schedulev1.DayPlan, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "dayPlans")
	if err != nil {
		return nil, err
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*schedulev1.DayPlan, error) {
		row, err := proposed(ctx, tx, ids[0], ids[1], "")
		if err != nil {
			return nil, err
		}
		row.state = schedulev1.DayPlanState_DAY_PLAN_STATE_REJECTED
		if err := s.decide(ctx, tx, row, caller, request.GetNote()); err != nil {
			return nil, err
		}
		return readDayPlan(ctx, tx, ids[0], ids[1])
	})
}

// proposed holds a plan that waits for a manager, and refuses any other.
func proposed(ctx context.Context, tx pgx.Tx, nursery, id, etag string) (*planRow, error) {
	row, err := readPlan(ctx, tx, nursery, id, "FOR UPDATE")
	if err != nil {
		return nil, err
	}
	if err := rpc.CheckETag(planName(nursery, id), etag, row.version); err != nil {
		return nil, err
	}
	if row.state != schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED {
		return nil, fault.New(fault.Precondition, fault.PlanOutdated, "the plan %s", notProposed[row.state]).
			With("state", planStateText(row.state)).With("plan", planName(nursery, id))
	}
	return row, nil
}

// notProposed says why a plan in a state cannot be decided on.
var notProposed = map[schedulev1.DayPlanState]string{
	schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING:    "is still being worked out",
	schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED:   "was accepted before",
	schedulev1.DayPlanState_DAY_PLAN_STATE_REJECTED:   "was rejected before; ask for a new one",
	schedulev1.DayPlanState_DAY_PLAN_STATE_SUPERSEDED: "was replaced by a newer one; look at that",
	schedulev1.DayPlanState_DAY_PLAN_STATE_FAILED:     "could not be worked out; ask for a new one",
}

func (s *Service) decide(ctx context.Context, tx pgx.Tx, row *planRow, caller rpc.Principal, note string) error {
	row.decided, row.decider = s.db.Now(), caller.Person
	if err := decidePlan(ctx, tx, row, note); err != nil {
		return err
	}
	accepted := row.state == schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED
	return s.outbox.Write(ctx, tx, TopicPlanDecided, row.nursery, planName(row.nursery, row.id), PlanDecided{Plan: row.id, Accepted: accepted})
}

// stands holds a plan with its changes by hand to what is known now. It returns the
// jobs that people are then to do, and those that stay as they were told before.
// Jobs that were done or fell away since it was made are no longer in it. With
// changes by hand the row takes the changed plan.
func (s *Service) stands(ctx context.Context, tx pgx.Tx, row *planRow, edits []*schedulev1.PlanEdit) (jobs []*schedulev1.PlannedJob, stay []string, err error) {
	day := row.contract()
	in, err := inputFor(ctx, tx, row.nursery, day, s.db.Now())
	if err != nil {
		return nil, nil, err
	}
	c := compile(in)
	if err := c.problem.Validate(); err != nil {
		return nil, nil, fmt.Errorf("the problem of now: %w", err)
	}
	day.Jobs = begunSince(day.GetJobs(), day.GetStartTime().AsTime())
	if late := c.passed(day.GetJobs(), edits); len(late) > 0 {
		return nil, nil, refusedPlan(late, false)
	}
	plan, score, violations, err := c.check(ctx, tx, day, edits)
	if err != nil {
		return nil, nil, err
	}
	if violations = c.ofPlan(violations); len(violations) > 0 {
		return nil, nil, refusedPlan(violations, len(edits) > 0)
	}
	// A plan that is taken as it was keeps the bounds that it was proposed with; working
	// them out takes long, and the row is locked.
	var proven proof
	if len(edits) > 0 {
		bounds, err := bound.Of(ctx, c.problem)
		if err != nil {
			return nil, nil, err
		}
		if proven, err = c.prove(ctx, plan, score, bounds); err != nil {
			return nil, nil, err
		}
	}
	now := c.dayPlan(plan, score, proven)
	if len(edits) > 0 {
		sayTakenOut(now, edits)
		row.body, row.planHash = now, hashOf(plan)
	}
	jobs = begunSince(now.GetJobs(), c.input.From)
	return jobs, begunBefore(c.input, jobs), nil
}

// sayTakenOut says of jobs that a manager took out that this, and nothing else, is why
// they are not in the plan.
func sayTakenOut(day *schedulev1.DayPlan, edits []*schedulev1.PlanEdit) {
	const reason = "It was taken out by hand when the plan was accepted."
	out := map[string]bool{}
	for _, edit := range edits {
		out[edit.GetJob()] = edit.GetRemove()
	}
	for _, job := range day.GetUnplanned() {
		if out[job.GetJob()] {
			job.Reasons = []string{reason}
		}
	}
	for _, job := range day.GetRemoved() {
		if out[job.GetJob()] {
			job.Reason = reason
		}
	}
}

func hashOf(plan model.Plan) []byte {
	hash := plan.Hash()
	return hash[:]
}

// refusedPlan names every rule that a plan breaks. A plan without changes by hand
// was good when it was made, so it is out of date.
func refusedPlan(all []*schedulev1.Violation, edited bool) error {
	refused := fault.New(fault.Precondition, fault.PlanOutdated,
		"the plan no longer fits what is known by now; ask for a new one, or change it by hand. %s", all[0].GetMessage())
	if edited {
		refused = fault.New(fault.Precondition, fault.PlanBreaksRule, "with these changes the plan breaks a rule. %s", all[0].GetMessage())
	}
	for _, v := range all {
		field := "name"
		if len(v.GetJobs()) > 0 {
			field = v.GetJobs()[0]
		}
		refused.Violations = append(refused.Violations, fault.Violation{Field: field, Rule: v.GetRule() + ": " + v.GetMessage()})
	}
	return refused.With("violations", strconv.Itoa(len(all)))
}

// ListAssignments returns what people are to do, by start.
func (s *Service) ListAssignments(ctx context.Context, request *schedulev1.ListAssignmentsRequest) (*schedulev1.ListAssignmentsResponse, error) {
	wanted, err := wantedAssignments(request)
	if err != nil {
		return nil, err
	}
	page, err := rpc.PageOf(request, 2)
	if err != nil {
		return nil, err
	}
	var after time.Time
	var afterID string
	if page.After != nil {
		if after, err = time.Parse(time.RFC3339Nano, page.After[0]); err != nil {
			return nil, rpc.BadToken().Because(err)
		}
		afterID = page.After[1]
	}
	found, err := listAssignments(ctx, s.db, wanted, after, afterID, page.Size+1)
	if err != nil {
		return nil, err
	}
	found, next := rpc.Cut(page, found, func(a assignment) []string {
		return []string{a.job.GetStartTime().AsTime().Format(time.RFC3339Nano), a.id}
	})
	response := &schedulev1.ListAssignmentsResponse{NextPageToken: next}
	for _, a := range found {
		response.Assignments = append(response.Assignments, a.contract())
	}
	return response, nil
}

func wantedAssignments(request *schedulev1.ListAssignmentsRequest) (assignmentsWanted, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return assignmentsWanted{}, err
	}
	wanted := assignmentsWanted{nursery: ids[0], states: request.GetStates()}
	if request.GetPerson() != "" {
		person, err := resource.Parse("person", request.GetPerson(), "nurseries", "people")
		if err != nil {
			return assignmentsWanted{}, err
		}
		wanted.person = person[1]
	}
	if wanted.endsAfter, err = readMoment("start_time", request.GetStartTime()); err != nil {
		return assignmentsWanted{}, err
	}
	wanted.beginsBefore, err = readMoment("end_time", request.GetEndTime())
	return wanted, err
}

// readMoment reads a time that may be absent; then it is zero.
func readMoment(field string, t *timestamppb.Timestamp) (time.Time, error) {
	if t == nil {
		return time.Time{}, nil
	}
	if err := t.CheckValid(); err != nil {
		return time.Time{}, fault.Field(field, "is not a time between the years 1 and 9999")
	}
	return clock.Stored(t.AsTime()), nil
}
