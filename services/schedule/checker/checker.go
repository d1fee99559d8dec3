package checker

import (
	"cmp"
	"fmt"
	"slices"

	"velamen/services/schedule/model"
)

// Violation is one rule that a plan breaks.
type Violation struct {
	// Rule is the number of the rule in package model, "R1" to "R12".
	Rule string
	// Job that breaks it; model.None when the plan as a whole does.
	Job int32
	// Other is the job that it clashes with; model.None when there is none.
	Other int32
	// Text says it as a sentence. Times are minutes since the start of the plan.
	Text string
}

// Check returns what a plan costs and every violation of the rules R1 to R12, by rule
// and then by job. The problem must be one that Validate accepts. The cost of a plan
// with violations counts each placement as it stands; a placement that cannot be
// read, such as one with an unknown way or a start years away, costs nothing.
func Check(p *model.Problem, plan model.Plan) (model.Score, []Violation) {
	c := &check{p: p}
	c.read(plan)
	c.prepare()
	for _, w := range c.works {
		c.window(w)
		c.protectedSpaces(w)
	}
	c.sprayers()
	c.people()
	c.spaces()
	c.pools()
	c.lags()
	c.needs()
	c.pins()
	slices.SortStableFunc(c.violations, func(a, b Violation) int {
		return cmp.Or(cmp.Compare(len(a.Rule), len(b.Rule)), cmp.Compare(a.Rule, b.Rule),
			cmp.Compare(a.Job, b.Job), cmp.Compare(a.Other, b.Other))
	})
	return c.score(), c.violations
}

// work is a job that is placed and can be read.
type work struct {
	index int32
	job   *model.Job
	place model.Placement
	// station; model.None when it uses none.
	station int32
	// begin is when its person and sprayer are taken, start and end are the job's.
	begin, start, end model.Minute
	// rinse that comes before it.
	rinse model.Rinse
}

type check struct {
	p *model.Problem
	// placed is what the plan says; works are the placements that can be read, by job.
	placed []bool
	works  []*work
	// work of each job; nil when it is left out or cannot be read.
	work []*work
	// onStation are the works of each sprayer, by start.
	onStation  [][]*work
	violations []Violation
}

func (c *check) report(rule string, job, other int32, text string, args ...any) {
	c.violations = append(c.violations, Violation{Rule: rule, Job: job, Other: other, Text: fmt.Sprintf(text, args...)})
}

func (c *check) name(job int32) string {
	if name := c.p.Jobs[job].Name; name != "" {
		return name
	}
	return fmt.Sprintf("job %d", job)
}

// read finds the placements that name a way that exists (R1), at a start that can be
// reckoned with (R2), and who does them.
func (c *check) read(plan model.Plan) {
	jobs := len(c.p.Jobs)
	c.placed = make([]bool, jobs)
	c.work = make([]*work, jobs)
	if len(plan) != jobs {
		c.report("R1", model.None, model.None, "The plan has %d entries for %d jobs.", len(plan), jobs)
	}
	for i := range min(jobs, len(plan)) {
		place := plan[i]
		if !place.Placed {
			continue
		}
		c.placed[i] = true
		job := &c.p.Jobs[i]
		if place.Way < 0 || int(place.Way) >= len(job.Ways) {
			c.report("R1", int32(i), model.None, "%s is done in way %d; it has %d.", c.name(int32(i)), place.Way, len(job.Ways))
			continue
		}
		if place.Start < -model.MaxMinutes || place.Start > model.MaxMinutes {
			// Past this, sums of minutes would begin again from the other end.
			c.report("R2", int32(i), model.None, "%s starts at minute %d, which is in no plan.", c.name(int32(i)), place.Start)
			continue
		}
		way := job.Ways[place.Way]
		w := &work{index: int32(i), job: job, place: place, station: way.Station, start: place.Start, end: place.Start + way.Duration}
		c.who(w)
		c.work[i] = w
		c.works = append(c.works, w)
	}
}

// who checks the person (R1). A person who does not exist is taken for nobody.
func (c *check) who(w *work) {
	person := w.place.Person
	name := c.name(w.index)
	switch {
	case person != model.None && (person < 0 || int(person) >= len(c.p.People)):
		c.report("R1", w.index, model.None, "%s is done by person %d, who does not exist.", name, person)
		w.place.Person = model.None
	case !w.job.Manned && person != model.None:
		c.report("R1", w.index, model.None, "%s needs nobody and is given to %s.", name, c.p.People[person].Name)
	case w.job.Manned && person == model.None:
		c.report("R1", w.index, model.None, "%s needs a person and is given to nobody.", name)
	case w.job.Manned && !slices.Contains(w.job.People, person):
		c.report("R1", w.index, model.None, "%s may not be done by %s.", name, c.p.People[person].Name)
	}
}

// prepare puts the works of each sprayer in order, finds what was in its tank before
// each and with that when each begins (R3).
func (c *check) prepare() {
	c.onStation = make([][]*work, len(c.p.Stations))
	for _, w := range c.works {
		w.begin = w.start
		if w.station != model.None {
			c.onStation[w.station] = append(c.onStation[w.station], w)
		}
	}
	for s, works := range c.onStation {
		slices.SortFunc(works, func(a, b *work) int {
			return cmp.Or(cmp.Compare(a.start, b.start), cmp.Compare(a.end, b.end), cmp.Compare(a.index, b.index))
		})
		station := &c.p.Stations[s]
		holds := station.Holds
		for _, w := range works {
			if w.job.Mix == model.None {
				continue
			}
			if station.Rinses != model.None {
				w.rinse = c.p.Rinses[station.Rinses][holds+1][w.job.Mix]
			}
			holds = w.job.Mix
			w.begin -= w.rinse.Minutes
			if w.place.NewLoad {
				w.begin -= station.MixMinutes
			}
		}
	}
	for _, w := range c.works {
		if w.begin < 0 {
			c.report("R3", w.index, model.None, "%s starts at minute %d; what comes before it would begin before the plan, at minute %d.",
				c.name(w.index), w.start, w.begin)
		}
	}
}

// window checks the times of one job (R2).
func (c *check) window(w *work) {
	name := c.name(w.index)
	if w.start < 0 {
		c.report("R2", w.index, model.None, "%s starts at minute %d, before the plan begins.", name, w.start)
	}
	if w.start < w.job.Release {
		c.report("R2", w.index, model.None, "%s starts at minute %d, before its earliest, minute %d.", name, w.start, w.job.Release)
	}
	if w.end > w.job.Deadline {
		c.report("R2", w.index, model.None, "%s ends at minute %d, after its latest, minute %d.", name, w.end, w.job.Deadline)
	}
	if w.end > c.p.Horizon {
		c.report("R2", w.index, model.None, "%s ends at minute %d, after the plan ends, minute %d.", name, w.end, c.p.Horizon)
	}
	if len(w.job.Windows) > 0 && !liesIn(w.start, w.end, w.job.Windows) {
		c.report("R2", w.index, model.None, "%s lies in none of its windows from minute %d to %d.", name, w.start, w.end)
	}
}

// liesIn tells whether [from, to) lies in one of the spans.
func liesIn(from, to model.Minute, spans []model.Span) bool {
	return slices.ContainsFunc(spans, func(s model.Span) bool { return s.From <= from && to <= s.To })
}

// shared is how many minutes [from, to) has in common with the span, none below zero.
func shared(from, to model.Minute, s model.Span) model.Minute {
	return max(min(to, s.To)-max(from, s.From), 0)
}

// lags checks the intervals between jobs (R9).
func (c *check) lags() {
	for _, lag := range c.p.Lags {
		from, to := c.work[lag.From], c.work[lag.To]
		if from == nil || to == nil {
			continue
		}
		a, b := from.start, to.start
		if lag.FromEnd {
			a = from.end
		}
		if lag.ToEnd {
			b = to.end
		}
		switch {
		case b-a >= lag.Least:
		case lag.Least >= 0:
			c.report("R9", lag.To, lag.From, "The %s of %s comes %d minutes after the %s of %s; at least %d must lie between.",
				point(lag.ToEnd), c.name(lag.To), b-a, point(lag.FromEnd), c.name(lag.From), lag.Least)
		default:
			c.report("R9", lag.From, lag.To, "The %s of %s comes %d minutes after the %s of %s; at most %d may lie between.",
				point(lag.FromEnd), c.name(lag.From), a-b, point(lag.ToEnd), c.name(lag.To), -lag.Least)
		}
	}
}

func point(end bool) string {
	if end {
		return "end"
	}
	return "start"
}

// needs checks that what a job needs is placed (R10).
func (c *check) needs() {
	for i := range c.p.Jobs {
		for _, need := range c.p.Jobs[i].Needs {
			if c.placed[i] && !c.placed[need] {
				c.report("R10", int32(i), need, "%s is done without %s, which it needs.", c.name(int32(i)), c.name(need))
			}
		}
	}
}

// pins checks that what is pinned is as it is pinned (R11).
func (c *check) pins() {
	for i := range c.p.Jobs {
		pin := c.p.Jobs[i].Pin
		if pin == nil {
			continue
		}
		name := c.name(int32(i))
		if !c.placed[i] {
			c.report("R11", int32(i), model.None, "%s is pinned and left out.", name)
		}
		w := c.work[i]
		if w == nil {
			continue
		}
		if pin.Start != model.None && w.start != pin.Start {
			c.report("R11", int32(i), model.None, "%s starts at minute %d; it is pinned to minute %d.", name, w.start, pin.Start)
		}
		if pin.Person != model.None && w.place.Person != pin.Person {
			c.report("R11", int32(i), model.None, "%s is not done by %s, to whom it is pinned.", name, c.p.People[pin.Person].Name)
		}
		if pin.Way != model.None && w.place.Way != pin.Way {
			c.report("R11", int32(i), model.None, "%s is done in way %d; it is pinned to way %d.", name, w.place.Way, pin.Way)
		}
	}
}
