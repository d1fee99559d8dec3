package schedule

import (
	"cmp"
	"fmt"
	"slices"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/services/schedule/model"
)

// planOf reads a plan back by the names in it, with changes by hand. Jobs that are not
// there any more, and those whose person, sprayer or product is not, are left out:
// nobody is told to apply what the manager did not read. It refuses a change that
// cannot be read, by field and rule; whether a change keeps the rules says the checker.
func (c *compiled) planOf(day *schedulev1.DayPlan, edits []*schedulev1.PlanEdit) (model.Plan, error) {
	plan := make(model.Plan, len(c.problem.Jobs))
	tanks := make([]int32, len(plan))
	for _, job := range day.GetJobs() {
		i, known := c.index[job.GetJob()]
		if !known {
			continue
		}
		placement, ok := c.placement(i, job)
		if !ok {
			continue
		}
		plan[i], tanks[i] = placement, job.GetTankLoad()
	}
	seen := map[string]bool{}
	for n, edit := range edits {
		field := fmt.Sprintf("edits[%d]", n)
		if seen[edit.GetJob()] {
			return nil, fault.Field(field+".job", "%q is changed twice", c.titleOf(edit.GetJob())).With("job", edit.GetJob())
		}
		seen[edit.GetJob()] = true
		if err := c.edit(field, edit, plan, tanks); err != nil {
			return nil, err
		}
	}
	c.joinLoads(plan, tanks)
	return plan, nil
}

// placement reads where a job stands.
func (c *compiled) placement(i int32, job *schedulev1.PlannedJob) (model.Placement, bool) {
	placement := model.Placement{Placed: true, Start: c.minute(job.GetStartTime().AsTime()), Person: model.None}
	if job.GetPerson() != "" {
		person, known := c.people[lastPart(job.GetPerson())]
		if !known {
			return model.Placement{}, false
		}
		placement.Person = person
	}
	if chemical := c.input.Work[c.drafts[i].work].Chemical; chemical != nil && chemical.Product != job.GetProduct() {
		return model.Placement{}, false
	}
	placement.Way = c.wayWith(i, lastPart(job.GetSprayer()))
	return placement, placement.Way != model.None
}

// edit makes one change by hand.
func (c *compiled) edit(field string, edit *schedulev1.PlanEdit, plan model.Plan, tanks []int32) error {
	i, known := c.index[edit.GetJob()]
	if !known {
		return c.refuseJob(field+".job", edit.GetJob())
	}
	changes := edit.GetStartTime() != nil || edit.GetPerson() != "" || edit.GetSprayer() != ""
	switch {
	case edit.GetRemove() && changes:
		return fault.Field(field+".remove", "a job that is taken out has no new start, person or sprayer").With("job", edit.GetJob())
	case edit.GetRemove():
		plan[i], tanks[i] = model.Placement{}, 0
		return nil
	case !changes:
		return fault.Field(field, "changes nothing: give a start, a person, a sprayer, or take the job out").With("job", edit.GetJob())
	}
	placement, err := c.edited(i, field, edit, plan[i])
	if err != nil {
		return err
	}
	if edit.GetStartTime() != nil || edit.GetSprayer() != "" {
		tanks[i] = byHand
	}
	plan[i] = placement
	return nil
}

// edited returns where a job stands after a change by hand.
func (c *compiled) edited(i int32, field string, edit *schedulev1.PlanEdit, placement model.Placement) (model.Placement, error) {
	if !placement.Placed {
		if edit.GetStartTime() == nil || edit.GetPerson() == "" {
			return placement, fault.Field(field, "%q is not in the plan: give its start and who does it", c.titleOf(edit.GetJob())).
				With("job", edit.GetJob()).With("rule", "R1 way")
		}
		placement = model.Placement{Placed: true, Person: model.None}
	}
	if edit.GetStartTime() != nil {
		if edit.GetStartTime().CheckValid() != nil {
			return placement, fault.Field(field+".start_time", "is not a time between the years 1 and 9999")
		}
		placement.Start = c.minute(edit.GetStartTime().AsTime())
	}
	if edit.GetPerson() != "" {
		person, known := c.people[lastPart(edit.GetPerson())]
		if !known {
			return placement, fault.Field(field+".person", "%s is nobody who can be given work here", edit.GetPerson()).
				With("person", edit.GetPerson()).With("rule", "R1 way")
		}
		placement.Person = person
	}
	if edit.GetSprayer() != "" {
		way := c.wayWith(i, lastPart(edit.GetSprayer()))
		if way == model.None {
			return placement, fault.Field(field+".sprayer", "%s cannot be used for %q", c.sprayerTitle(lastPart(edit.GetSprayer())), c.titleOf(edit.GetJob())).
				With("sprayer", edit.GetSprayer()).With("rule", "R1 way")
		}
		placement.Way = way
	}
	return placement, nil
}

// refuseJob says why a job cannot be changed by hand.
func (c *compiled) refuseJob(field, job string) error {
	for _, out := range c.impossible {
		if out.GetJob() == job {
			return fault.Field(field, "%q cannot be planned. %s", c.titleOf(job), out.GetReasons()[0]).With("job", job).With("rule", "R1 way")
		}
	}
	if _, now := c.goesOn(job); now {
		return fault.Field(field, "%q is being done now and stays as it was told", c.titleOf(job)).With("job", job)
	}
	return fault.Field(field, "there is no job %q to be planned", job).With("job", job)
}

// byHand stands for the load of a job that was moved by hand: it shares one with its
// neighbours where it can.
const byHand = -1

// joinLoads makes jobs share the load of the job before them on the same sprayer when
// both have the same mix and the same number, or one of them was moved by hand and the
// mix may still be used when the later one ends; each other makes a load of its own.
func (c *compiled) joinLoads(plan model.Plan, tanks []int32) {
	before, made := make([]int32, len(c.problem.Stations)), make([]model.Minute, len(c.problem.Stations))
	for s := range before {
		before[s] = model.None
	}
	for _, j := range c.byStart(plan) {
		job := &c.problem.Jobs[j]
		way := job.Ways[plan[j].Way]
		station := way.Station
		if station == model.None || job.Mix == model.None {
			continue
		}
		last := before[station]
		shares := last != model.None && c.problem.Jobs[last].Mix == job.Mix && tanks[j] != 0
		if shares && (tanks[j] == byHand || tanks[last] == byHand) {
			shares = plan[j].Start+way.Duration <= made[station]+c.problem.Mixes[job.Mix].Life
		} else {
			shares = shares && tanks[j] == tanks[last]
		}
		if plan[j].NewLoad = !shares; !shares {
			made[station] = plan[j].Start
		}
		before[station] = j
	}
}

// byStart returns the jobs that are placed, by start.
func (c *compiled) byStart(plan model.Plan) []int32 {
	var order []int32
	for j := range plan {
		if plan[j].Placed {
			order = append(order, int32(j))
		}
	}
	end := func(j int32) model.Minute { return plan[j].Start + c.problem.Jobs[j].Ways[plan[j].Way].Duration }
	slices.SortFunc(order, func(a, b int32) int {
		return cmp.Or(cmp.Compare(plan[a].Start, plan[b].Start), cmp.Compare(end(a), end(b)), cmp.Compare(a, b))
	})
	return order
}

// toldPlan is what people were told, for the search to begin from. Jobs with the same
// mix one after another on a sprayer are taken to share a load while it may be used.
func (c *compiled) toldPlan() model.Plan {
	plan := make(model.Plan, len(c.problem.Jobs))
	for j := range plan {
		told, was := c.told[c.jobs[j]]
		if !was || told.Start.Before(c.input.From) {
			continue
		}
		person, known := c.people[told.Person]
		way := c.wayWith(int32(j), told.Sprayer)
		if known && way != model.None {
			plan[j] = model.Placement{Placed: true, Start: c.minute(told.Start), Way: way, Person: person}
		}
	}
	type run struct {
		mix   int32
		until model.Minute
	}
	runs := make([]run, len(c.problem.Stations))
	for s := range runs {
		runs[s].mix = model.None
	}
	for _, j := range c.byStart(plan) {
		job := &c.problem.Jobs[j]
		way := job.Ways[plan[j].Way]
		if way.Station == model.None || job.Mix == model.None {
			continue
		}
		on := &runs[way.Station]
		if plan[j].NewLoad = on.mix != job.Mix || plan[j].Start+way.Duration > on.until; plan[j].NewLoad {
			*on = run{job.Mix, plan[j].Start + c.problem.Mixes[job.Mix].Life}
		}
	}
	return plan
}
