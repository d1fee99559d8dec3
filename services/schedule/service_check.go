package schedule

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// CheckDayPlan holds a plan, with changes by hand, to every rule, by what is known now.
// Nothing is searched and nothing is kept.
func (s *Service) CheckDayPlan(ctx context.Context, request *schedulev1.CheckDayPlanRequest) (*schedulev1.CheckDayPlanResponse, error) {
	response := &schedulev1.CheckDayPlanResponse{Caution: treatment.Caution}
	err := s.withPlan(ctx, request.GetName(), func(r postgres.Reader, day *schedulev1.DayPlan, in Input) error {
		c := compile(in)
		day.Jobs = begunSince(day.GetJobs(), day.GetStartTime().AsTime())
		late := c.passed(day.GetJobs(), request.GetEdits())
		day.Jobs = remaining(day.GetJobs(), late)
		_, score, violations, err := c.check(ctx, r, day, request.GetEdits())
		if err != nil {
			return err
		}
		response.Violations, response.Points = append(late, c.ofPlan(violations)...), points(score.Total())
		for term := range model.Terms {
			if term != model.Finish { // the end of the last job costs nothing here
				response.Terms = append(response.Terms, &schedulev1.PlanTerm{Term: term.String(), Points: points(score.Terms[term])})
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return response, nil
}

// remaining returns the jobs that none of some violations is about.
func remaining(jobs []*schedulev1.PlannedJob, violations []*schedulev1.Violation) []*schedulev1.PlannedJob {
	return slices.DeleteFunc(slices.Clone(jobs), func(job *schedulev1.PlannedJob) bool {
		return slices.ContainsFunc(violations, func(v *schedulev1.Violation) bool { return slices.Contains(v.GetJobs(), job.GetJob()) })
	})
}

// withPlan reads a plan that is worked out and, in the same snapshot, all that is known
// now, until the plan's last day.
func (s *Service) withPlan(ctx context.Context, name string, work func(r postgres.Reader, day *schedulev1.DayPlan, in Input) error) error {
	ids, err := resource.Parse("name", name, "nurseries", "dayPlans")
	if err != nil {
		return err
	}
	return s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		day, err := readDayPlan(ctx, tx, ids[0], ids[1])
		if err != nil {
			return err
		}
		in, err := inputFor(ctx, tx, ids[0], day, s.db.Now())
		if err != nil {
			return err
		}
		return work(tx, day, in)
	})
}

// inputFor reads what is known now until a plan's last day. It refuses a plan that is
// not worked out and one whose days are over.
func inputFor(ctx context.Context, r postgres.Reader, nursery string, day *schedulev1.DayPlan, now time.Time) (Input, error) {
	switch day.GetState() {
	case schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING:
		return Input{}, fault.New(fault.Precondition, fault.PlanOutdated, "%s is still being worked out; watch it and ask again", day.GetName()).With("name", day.GetName())
	case schedulev1.DayPlanState_DAY_PLAN_STATE_FAILED:
		return Input{}, fault.New(fault.Precondition, fault.PlanOutdated, "%s could not be worked out; ask for a new plan", day.GetName()).With("name", day.GetName())
	}
	if !day.GetEndTime().AsTime().After(now) {
		return Input{}, fault.New(fault.Precondition, fault.PlanOutdated, "the days of %s are over; ask for a new plan", day.GetName()).With("name", day.GetName())
	}
	of, err := identity.ReadNursery(ctx, r, nursery)
	if err != nil {
		return Input{}, err
	}
	return readInput(ctx, r, nursery, now, daysUntil(now, day.GetEndTime().AsTime(), of.Zone))
}

// daysUntil counts the days of a zone that begin before an end, today included.
func daysUntil(now, end time.Time, zone *time.Location) int {
	dateOf := func(t time.Time) time.Time {
		year, month, day := t.In(zone).Date()
		return time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	}
	return int(dateOf(end.Add(-time.Second)).Sub(dateOf(now))/(24*time.Hour)) + 1
}

// check reads a plan back with changes by hand and returns what it costs and every rule
// that it breaks by what is known now: those of the problem, and those of labels, law
// and resistance.
func (c *compiled) check(ctx context.Context, r postgres.Reader, day *schedulev1.DayPlan, edits []*schedulev1.PlanEdit) (model.Plan, model.Score, []*schedulev1.Violation, error) {
	plan, err := c.planOf(day, edits)
	if err != nil {
		return nil, model.Score{}, nil, err
	}
	violations := c.lost(day, plan, edits)
	score, found := checker.Check(c.problem, plan)
	for _, violation := range found {
		violations = append(violations, c.violation(violation))
	}
	breaks, err := holdToRules(ctx, r, c, plan)
	if err != nil {
		return nil, model.Score{}, nil, err
	}
	for _, broken := range breaks {
		violations = append(violations, &schedulev1.Violation{Rule: ruleOfTrade, Jobs: []string{broken.job}, Message: broken.text})
	}
	return plan, score, violations, nil
}

// ruleOfTrade is what a violation of the rules of labels, law and resistance is called.
const ruleOfTrade = "label and law"

// ruleNames are the rules of package model, as people read them.
var ruleNames = []string{
	"R1 way", "R2 window", "R3 prepared", "R4 sprayer", "R5 person", "R6 protection", "R7 place", "R8 pool", "R9 interval",
	"R10 needs", "R11 pin", "R12 load",
}

func ruleName(rule string) string {
	number, err := strconv.Atoi(rule[min(len(rule), 1):])
	if err != nil || number < 1 || number > len(ruleNames) {
		return rule
	}
	return ruleNames[number-1]
}

// lost returns the jobs that a plan has and that cannot be planned any more as they
// were: the product may not be applied, or who or what was to do it is not there.
// What is done, and what its program does not want any more, is no loss.
func (c *compiled) lost(day *schedulev1.DayPlan, plan model.Plan, edits []*schedulev1.PlanEdit) []*schedulev1.Violation {
	var violations []*schedulev1.Violation
	for _, job := range day.GetJobs() {
		if i, known := c.index[job.GetJob()]; known {
			changed := slices.ContainsFunc(edits, func(e *schedulev1.PlanEdit) bool { return e.GetJob() == job.GetJob() })
			if !plan[i].Placed && !changed {
				violations = append(violations, &schedulev1.Violation{
					Rule: ruleName("R1"), Jobs: []string{job.GetJob()},
					Message: fmt.Sprintf("%q cannot be done as it was planned: its person or its sprayer is not there any more.", c.titleOf(job.GetJob())),
				})
			}
			continue
		}
		out := slices.IndexFunc(c.impossible, func(u *schedulev1.UnplannedJob) bool { return u.GetJob() == job.GetJob() })
		if out >= 0 {
			violations = append(violations, &schedulev1.Violation{
				Rule: ruleName("R1"), Jobs: []string{job.GetJob()},
				Message: fmt.Sprintf("%q cannot be planned any more. %s", c.titleOf(job.GetJob()), c.impossible[out].GetReasons()[0]),
			})
		}
	}
	return violations
}

// violation writes what the checker found as people read it.
func (c *compiled) violation(found checker.Violation) *schedulev1.Violation {
	violation := &schedulev1.Violation{Rule: ruleName(found.Rule), Message: c.withClock(found)}
	for _, job := range []int32{found.Job, found.Other} {
		if job != model.None {
			violation.Jobs = append(violation.Jobs, c.jobs[job])
		}
	}
	return violation
}

// The checker writes a moment as "minute 90", a time as "minute 90 to 120", and a way
// as "way 1".
var (
	checkedMoment = regexp.MustCompile(`minute (-?[0-9]+)( to (-?[0-9]+))?`)
	checkedWay    = regexp.MustCompile(`(in|to) way ([0-9]+)`)
)

// withClock writes a sentence of the checker with the nursery's clock and the names of
// sprayers.
func (c *compiled) withClock(found checker.Violation) string {
	text := checkedMoment.ReplaceAllStringFunc(found.Text, func(written string) string {
		parts := checkedMoment.FindStringSubmatch(written)
		if parts[3] == "" {
			return c.written(parts[1])
		}
		return c.written(parts[1]) + " to " + c.written(parts[3])
	})
	if found.Job == model.None {
		return text
	}
	return checkedWay.ReplaceAllStringFunc(text, func(written string) string {
		parts := checkedWay.FindStringSubmatch(written)
		return map[string]string{"in": "with ", "to": "to "}[parts[1]] + c.wayTitle(found.Job, parts[2])
	})
}

// written writes a minute that stands in a text with the nursery's clock.
func (c *compiled) written(minute string) string {
	number, err := strconv.ParseInt(minute, 10, 32)
	if err != nil {
		return "minute " + minute
	}
	return c.local(model.Minute(number))
}

// wayTitle is what people call the sprayer of a way that stands in a text.
func (c *compiled) wayTitle(job int32, way string) string {
	k, err := strconv.Atoi(way)
	if err != nil || k >= len(c.problem.Jobs[job].Ways) {
		return "a sprayer that it does not have"
	}
	station := c.problem.Jobs[job].Ways[k].Station
	if station == model.None {
		return "no sprayer"
	}
	return c.sprayers[station].DisplayName
}
