package schedule

import (
	"fmt"
	"slices"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// ofPlan returns the violations that are the plan's. A label or a law that what is
// being applied at this moment breaks is no longer the plan's to keep.
func (c *compiled) ofPlan(violations []*schedulev1.Violation) []*schedulev1.Violation {
	return slices.DeleteFunc(slices.Clone(violations), func(v *schedulev1.Violation) bool {
		return v.GetRule() == ruleOfTrade && !c.waits(v.GetJobs()[0])
	})
}

// waits reports whether a job is one of the problem's.
func (c *compiled) waits(job string) bool {
	_, waits := c.index[job]
	return waits
}

// begunSince returns the jobs of a plan that begin, with what is prepared for them, at
// a moment or later. What began before was going on when the plan was made.
func begunSince(jobs []*schedulev1.PlannedJob, moment time.Time) []*schedulev1.PlannedJob {
	var since []*schedulev1.PlannedJob
	for _, job := range jobs {
		if !job.GetPrepareTime().AsTime().Before(moment) {
			since = append(since, job)
		}
	}
	return since
}

// begunBefore returns what people were told to begin before the plan, and are not told
// again: it goes on, or was done and waits to be confirmed.
func begunBefore(in Input, jobs []*schedulev1.PlannedJob) []string {
	again := map[string]bool{}
	for _, job := range jobs {
		again[job.GetJob()] = true
	}
	var before []string
	for _, told := range in.Told {
		if told.begins().Before(in.From) && !again[told.Job] {
			before = append(before, told.Job)
		}
	}
	return before
}

// passed returns the jobs of a plan that should have begun by now and have not: nobody
// can be told to do them any more. Those that are moved or taken out by hand are left.
func (c *compiled) passed(jobs []*schedulev1.PlannedJob, edits []*schedulev1.PlanEdit) []*schedulev1.Violation {
	moved := map[string]bool{}
	for _, edit := range edits {
		moved[edit.GetJob()] = edit.GetRemove() || edit.GetStartTime() != nil
	}
	var all []*schedulev1.Violation
	for _, job := range jobs {
		at := job.GetPrepareTime().AsTime()
		if c.waits(job.GetJob()) && at.Before(c.input.From) && !moved[job.GetJob()] {
			all = append(all, &schedulev1.Violation{
				Rule: ruleName("R2"), Jobs: []string{job.GetJob()},
				Message: fmt.Sprintf("%q should have begun at %s.", job.GetTitle(), at.In(c.zone()).Format(dayAndTime)),
			})
		}
	}
	return all
}
