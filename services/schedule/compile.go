package schedule

import (
	"slices"
	"strings"
	"time"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/clock"
	"velamen/internal/resource"
	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// compiled is an input as a problem, with the way back to names and moments. Nothing
// in it changes once it is made.
type compiled struct {
	input   Input
	problem *model.Problem
	// jobs are the names of the problem's jobs, drafts what they were made of; index is
	// the way back.
	jobs   []string
	drafts []draft
	index  map[string]int32
	// workAt is where each job stands in input.Work.
	workAt map[string]int
	// crew and sprayers are who and what the indexes of the problem stand for.
	crew     []Applicator
	sprayers []Sprayer
	// people and stations are by id, houses by the house's id as in input.Houses.
	people, stations, houses map[string]int32
	// closings are what each planned application closes in each of its houses.
	closings map[closedBy]treatment.Closing
	spaces   spaces
	// impossible are the jobs that cannot be planned, whatever the others do.
	impossible []*schedulev1.UnplannedJob
	// busy is what somebody was told to do at this moment, underway what of it is still
	// work that waits to be confirmed: it stays as it is.
	busy     []Told
	underway []underway
	// told is what people were told, by job; what is underway too.
	told map[string]Told
	// dues are when jobs are due, by job.
	dues map[string]model.Minute
}

// underway is a job that was told for now.
type underway struct {
	told Told
	work int
}

// compile makes a problem of an input. It never fails: a job that cannot be planned
// is left out of the problem, with the reason.
//
// What is planned is decided here and nowhere else:
//
//   - A job is a step over all its houses, done by one person, because a confirmation
//     is one person's over the whole step.
//   - The shortest interval after an earlier step is a rule. The longest is none: a
//     program that is late is marked overdue and goes on, so being late costs and
//     never keeps a job out. That holds between a systemic and a contact product too.
//   - A job without which another has no sense is needed by it: what follows a step
//     that is left out is left out.
//   - A spray closes its houses until the restricted-entry interval is over and the
//     air was changed, and keeps people out of the houses that share their air while
//     it is applied. A drench or a bath closes the benches of its lots where the house
//     closes by bench, else the house.
//   - Work with one mix, in the protective equipment of its label, may share a closure:
//     handlers may be where nobody else may (40 CFR 170.405(b)(4), from memory). Where
//     another mix still closes a house, the equipment of this one is not known to do.
//   - Lots are treated where they stand now. Where they will stand once they are set
//     apart is not known before somebody does it.
//   - What was told for this moment goes on: its person, sprayer and place are taken
//     until it ends.
func compile(in Input) *compiled {
	c := &compiled{
		input: in, index: map[string]int32{}, workAt: map[string]int{}, people: map[string]int32{}, stations: map[string]int32{},
		houses: map[string]int32{}, closings: map[closedBy]treatment.Closing{}, told: map[string]Told{}, dues: map[string]model.Minute{}, problem: &model.Problem{Start: in.From.Unix()},
	}
	c.problem.Horizon = max(c.minute(in.Until), 1)
	c.layOutDays()
	for i, house := range in.Houses {
		c.houses[house.ID] = int32(i)
	}
	for i, work := range in.Work {
		c.workAt[work.Job] = i
	}
	c.addClosings()
	c.readTold()
	c.addPeople()
	c.addStations()
	c.addTravel()
	c.draftAll()
	c.addSpaces()
	c.addMixes()
	for i := range c.drafts {
		c.addJob(int32(i))
	}
	c.addLags()
	c.addWeights()
	return c
}

// minute returns the minute of the plan in which a moment lies, within what the model
// can count.
func (c *compiled) minute(t time.Time) model.Minute {
	seconds := t.Unix() - c.input.From.Unix()
	minutes := seconds / 60
	if seconds%60 < 0 {
		minutes--
	}
	return model.Minute(min(max(minutes, -model.MaxMinutes), model.MaxMinutes))
}

// minuteUp returns the first minute of the plan that begins at a moment or later.
func (c *compiled) minuteUp(t time.Time) model.Minute {
	m := c.minute(t)
	if c.at(m).Before(t) && m < model.MaxMinutes {
		return m + 1
	}
	return m
}

// at returns the moment at which a minute begins, UTC.
func (c *compiled) at(m model.Minute) time.Time {
	return c.input.From.Add(time.Duration(m) * time.Minute).UTC()
}

// zone is the nursery's own.
func (c *compiled) zone() *time.Location {
	if c.input.Nursery.Zone == nil {
		return time.UTC
	}
	return c.input.Nursery.Zone
}

// local writes a moment as people of the nursery say it.
func (c *compiled) local(m model.Minute) string { return c.at(m).In(c.zone()).Format(dayAndTime) }

// layOutDays lays out the nursery's days, of which the first has begun.
func (c *compiled) layOutDays() {
	p, local := c.problem, c.input.From.In(c.zone())
	year, month, day := local.Date()
	for i := 0; ; i++ {
		midnight := c.minuteUp(clock.Midnight(year, month, day+i, c.zone()))
		switch {
		case i > 0 && midnight >= p.Horizon:
			return
		case i == 0:
			p.Days = append(p.Days, min(midnight, 0))
		case midnight > p.Days[len(p.Days)-1]:
			p.Days = append(p.Days, midnight)
		}
	}
}

// dayOf returns the local day of a minute, YYYY-MM-DD.
func (c *compiled) dayOf(m model.Minute) string { return c.at(m).In(c.zone()).Format(time.DateOnly) }

// name returns the name of a resource of the nursery.
func (c *compiled) name(collection, id string) string {
	if id == "" {
		return ""
	}
	return resource.Of("nurseries", c.input.Nursery.ID, collection, id)
}

// readTold keeps what people were told, and sets apart what they are doing now.
func (c *compiled) readTold() {
	for _, told := range c.input.Told {
		told.Person, told.Sprayer = lastPart(told.Person), lastPart(told.Sprayer)
		c.told[told.Job] = told
		if told.begins().After(c.input.From) || !told.End.After(c.input.From) {
			continue
		}
		c.busy = append(c.busy, told)
		if i, waits := c.workAt[told.Job]; waits {
			c.underway = append(c.underway, underway{told, i})
		}
	}
}

// goesOn returns what was told of a job that is being done now.
func (c *compiled) goesOn(job string) (Told, bool) {
	i := slices.IndexFunc(c.underway, func(u underway) bool { return u.told.Job == job })
	if i < 0 {
		return Told{}, false
	}
	return c.underway[i].told, true
}

// leaveOut keeps a job out of the problem.
func (c *compiled) leaveOut(work Work, reason string) {
	if !strings.HasSuffix(reason, ".") {
		reason += "."
	}
	c.impossible = append(c.impossible, c.unplanned(work, reason))
}
