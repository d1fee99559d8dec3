package schedule

import (
	"cmp"
	"time"

	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// ruleBreak is what the rules of labels, law and resistance say against a planned
// application.
type ruleBreak struct {
	// job is its name.
	job string
	// text says why, as sentences.
	text string
	// until is when the rules would let it pass; zero when waiting does not help.
	until time.Time
}

// applications returns what a plan applies, what is being applied now included.
func (c *compiled) applications(plan model.Plan) []treatment.PlannedApplication {
	var all []treatment.PlannedApplication
	for _, u := range c.underway {
		chemical := c.input.Work[u.work].Chemical
		person, known := c.people[u.told.Person]
		if chemical == nil || !known {
			continue
		}
		all = append(all, treatment.PlannedApplication{
			Step: u.told.Job, Product: cmp.Or(u.told.As.GetProduct(), chemical.Product), Start: u.told.Start, End: u.told.End, Applicator: c.crew[person].Person,
		})
	}
	for _, j := range c.byStart(plan) {
		chemical := c.input.Work[c.drafts[j].work].Chemical
		if chemical == nil || plan[j].Person == model.None {
			continue
		}
		all = append(all, treatment.PlannedApplication{
			Step: c.jobs[j], Product: chemical.Product, Start: c.at(plan[j].Start),
			End:        c.at(plan[j].Start + c.problem.Jobs[j].Ways[plan[j].Way].Duration),
			Applicator: c.crew[plan[j].Person].Person,
		})
	}
	return all
}

// breaksOf returns refusals of jobs that a plan places: what is being applied now can
// no longer be moved.
func (c *compiled) breaksOf(refused []treatment.PlannedRefusal) []ruleBreak {
	var breaks []ruleBreak
	for _, refusal := range refused {
		if _, planned := c.index[refusal.Step]; planned {
			breaks = append(breaks, ruleBreak{job: refusal.Step, text: refusal.Text, until: refusal.Until})
		}
	}
	return breaks
}
