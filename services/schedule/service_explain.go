package schedule

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/conflict"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
	"velamen/services/treatment"
)

// explainTime is the longest time to look for what keeps a job out. Design value: who
// asks waits for the answer.
const explainTime = 10 * time.Second

// explained is a job of a plan beside what is known now.
type explained struct {
	c    *compiled
	day  *schedulev1.DayPlan
	plan model.Plan
	job  string
	// index is the job's in the problem; model.None when it cannot be planned now.
	index int32
}

// explain reads a plan and finds a job in it.
func (s *Service) explain(ctx context.Context, name, job string) (explained, error) {
	e := explained{job: job, index: model.None}
	err := s.withPlan(ctx, name, func(_ postgres.Reader, day *schedulev1.DayPlan, in Input) (err error) {
		in.Lead = max(day.GetStartTime().AsTime().Add(timeToAccept).Sub(in.Now), 0)
		e.c, e.day = compile(in), day
		begun := proto.CloneOf(day)
		begun.Jobs = begunSince(day.GetJobs(), day.GetStartTime().AsTime())
		e.plan, err = e.c.planOf(begun, nil)
		return err
	})
	if err != nil {
		return explained{}, err
	}
	if i, known := e.c.index[job]; known {
		e.index = i
	}
	return e, nil
}

// ExplainJob says why a job stands where it does in a plan, or what keeps it out and
// the cheapest way to let it in.
func (s *Service) ExplainJob(ctx context.Context, request *schedulev1.ExplainJobRequest) (*schedulev1.ExplainJobResponse, error) {
	e, err := s.explain(ctx, request.GetName(), request.GetJob())
	if err != nil {
		return nil, err
	}
	response := &schedulev1.ExplainJobResponse{Caution: treatment.Caution}
	if i := slices.IndexFunc(e.day.GetJobs(), func(j *schedulev1.PlannedJob) bool { return j.GetJob() == e.job }); i >= 0 {
		response.Planned = e.day.GetJobs()[i]
		response.Reasons = e.whyHere(response.GetPlanned().GetReason())
		return response, nil
	}
	if response.Unplanned = e.leftOut(); response.GetUnplanned() == nil {
		return nil, fault.Missing("job in this plan", e.job)
	}
	response.Conflicts = e.conflicts(ctx)
	if response.GetUnplanned().GetFix() == "" && len(response.GetConflicts()) > 0 {
		response.Unplanned.Fix = response.GetConflicts()[0].GetFix()
	}
	return response, nil
}

// whyHere says what holds a job at its place: what it breaks by what is known now, what
// keeps it from standing earlier, and what its next best place would cost.
func (e explained) whyHere(kept string) []string {
	reasons := make([]string, 0, 4)
	if kept != "" {
		reasons = append(reasons, kept)
	}
	if gone := e.gone(); gone != "" {
		return append(reasons, gone)
	}
	sound := len(reasons)
	_, broken := checker.Check(e.c.problem, e.plan)
	for _, violation := range broken {
		if violation.Job == e.index || violation.Other == e.index {
			reasons = append(reasons, fmt.Sprintf("By what is known now it breaks rule %s: %s", ruleName(violation.Rule), e.c.withClock(violation)))
		}
	}
	if len(reasons) > sound {
		return reasons
	}
	return append(e.c.layOut(e.plan).holds(e.index), e.nextBest())
}

// gone says why a job of the plan is no longer at its place by what is known now;
// empty when it is.
func (e explained) gone() string {
	if e.index != model.None && e.plan[e.index].Placed {
		return ""
	}
	if _, now := e.c.goesOn(e.job); now {
		return "It is being done now."
	}
	if out := e.impossible(); len(out) > 0 {
		return "By now it cannot be planned any more. " + out[0].GetMessage()
	}
	if e.index == model.None {
		return "It is done, or it is not wanted any more."
	}
	return "By now it cannot be done like this: its person or its sprayer is not there any more."
}

// nextBest says where else a job could stand as long as nothing else moves, and what
// that would cost.
func (e explained) nextBest() string {
	for _, slot := range search.Slots(e.c.problem, e.c.sound(e.plan), e.index, 2) {
		if slot.Placement == e.plan[e.index] {
			continue
		}
		place := e.c.local(slot.Placement.Start) + e.c.doneBy(e.index, slot.Placement)
		switch cost := slot.Change.Total(); {
		case cost > 0:
			return fmt.Sprintf("Its next best place is %s: there the plan would cost %s points more.", place, points(cost))
		case cost < 0:
			return fmt.Sprintf("By what is known now the plan would cost %s points less with it at %s: ask for a new plan.", points(-cost), place)
		default:
			return fmt.Sprintf("It could as well be done at %s: that costs the same.", place)
		}
	}
	return "There is no other place for it as long as nothing else moves."
}

// doneBy says who and what would do a job at a place.
func (c *compiled) doneBy(j int32, place model.Placement) string {
	var text strings.Builder
	if place.Person != model.None {
		text.WriteString(" by " + c.crew[place.Person].Person.DisplayName)
	}
	if station := c.problem.Jobs[j].Ways[place.Way].Station; station != model.None {
		text.WriteString(" with " + c.sprayers[station].DisplayName)
	}
	return text.String()
}

// sound returns a plan without the jobs that break a rule by what is known now.
func (c *compiled) sound(plan model.Plan) model.Plan {
	plan = slices.Clone(plan)
	for range plan {
		removed := false
		_, broken := checker.Check(c.problem, plan)
		for _, violation := range broken {
			if violation.Job != model.None && plan[violation.Job].Placed {
				plan[violation.Job], removed = model.Placement{}, true
				break
			}
		}
		if !removed {
			break
		}
	}
	return plan
}

// leftOut returns the job as one that is left out; nil when the nursery has no such
// job.
func (e explained) leftOut() *schedulev1.UnplannedJob {
	is := func(u *schedulev1.UnplannedJob) bool { return u.GetJob() == e.job }
	if i := slices.IndexFunc(e.c.impossible, is); i >= 0 {
		return e.c.impossible[i]
	}
	if e.index == model.None {
		return nil
	}
	if i := slices.IndexFunc(e.day.GetUnplanned(), is); i >= 0 {
		return e.day.GetUnplanned()[i]
	}
	return e.c.unplanned(e.c.input.Work[e.c.drafts[e.index].work], "It came up after the plan was made: ask for a new plan.")
}

// conflicts says what keeps a job out, beside all other jobs.
func (e explained) conflicts(ctx context.Context) []*schedulev1.Conflict {
	if e.index == model.None {
		return e.impossible()
	}
	ctx, cancel := context.WithTimeout(ctx, explainTime)
	defer cancel()
	var written []*schedulev1.Conflict
	for _, found := range conflict.Explain(ctx, e.c.problem, []int32{e.index}, e.c.local) {
		message := &schedulev1.Conflict{Proven: found.Proven && found.Minimal, Message: found.Text}
		for _, requirement := range found.Requirements {
			message.Requirements = append(message.Requirements, requirement.Text)
		}
		if found.Fix != nil {
			message.Fix = found.Fix.Text
		}
		written = append(written, message)
	}
	if len(written) == 0 {
		written = append(written, &schedulev1.Conflict{Message: "Nothing keeps it out: with all other jobs there is a place for it. Ask for a new plan."})
	}
	return written
}

// impossible says why a job cannot be planned, whatever the others do.
func (e explained) impossible() []*schedulev1.Conflict {
	i := slices.IndexFunc(e.c.impossible, func(u *schedulev1.UnplannedJob) bool { return u.GetJob() == e.job })
	if i < 0 {
		return nil
	}
	reasons := e.c.impossible[i].GetReasons()
	return []*schedulev1.Conflict{{Requirements: reasons, Proven: true, Message: strings.Join(reasons, " ")}}
}
