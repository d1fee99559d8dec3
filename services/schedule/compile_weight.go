package schedule

import (
	"time"

	"velamen/services/schedule/model"
)

const (
	// point is a point in the millionths that the model counts.
	point = 1_000_000
	// share of what a plan may cost that one kind of cost may take, so that even the
	// dearest settings can be added up.
	share = model.MaxCost / 16
)

// perHour returns points for an hour as millionths for a minute, rounded down, of what
// can cost so many minutes at most.
func perHour(points int32, minutes int64) int64 { return atMost(int64(points)*point/60, minutes) }

// atMost keeps a weight that can occur some number of times within what can be
// counted. No weights that anybody means come near it.
func atMost(weight, times int64) int64 { return min(max(weight, 0), share/max(times, 1)) }

// addWeights gives the problem and its jobs what they cost.
func (c *compiled) addWeights() {
	p, w := c.problem, c.input.Settings.Weights
	n, end := int64(len(p.Jobs)), int64(p.Horizon)
	tank, rinse := p.Largest()
	p.Weights = model.Weights{
		Leftover: atMost(int64(w.LitreLeftOver)*point/1000, n*2*tank), Rinse: atMost(int64(w.Rinse)*point, n),
		RinseVolume: atMost(int64(w.LitreRinseWater)*point/1000, n*rinse), Overtime: perHour(w.OvertimeHour, int64(len(p.People))*end),
	}
	late, waiting := perHour(w.HourLate, 10*n*(end+mostLate)), perHour(w.HourWaiting, 10*n*end)
	for i := range p.Jobs {
		job, work := &p.Jobs[i], &c.input.Work[c.drafts[i].work]
		risk := int64(min(max(work.Risk, 1), 10))
		job.LateWeight, job.WaitWeight = late*risk, waiting*risk
		job.SkipWeight = c.skipWeight(work, job, risk)
		job.Told = c.toldOf(int32(i), atMost(int64(w.Change)*point, 4*n))
	}
}

// skipWeight says how much leaving a job out counts, 1 to 1000: ten times the risk of
// its disorder, three times as much when it is due in the days planned, ten times when
// it is overdue already. A routine inspection counts 1. Design values: they only order
// jobs when not all of them fit.
func (c *compiled) skipWeight(work *Work, job *model.Job, risk int64) int64 {
	switch {
	case isRoutine(work):
		return 1
	case !work.Overdue.IsZero() && !work.Overdue.After(c.input.From):
		return 100 * risk
	case job.Due < c.problem.Horizon:
		return 30 * risk
	default:
		return 10 * risk
	}
}

// toldTolerance is by how much a job may stand earlier or later without that anybody
// calls it a change. Design value.
const toldTolerance = 15 * time.Minute

// toldOf returns what people were told of a job. What was told for a time that is past
// is a change whatever the plan does, so that nothing is counted for it.
func (c *compiled) toldOf(i int32, weight int64) *model.Told {
	told, was := c.told[c.jobs[i]]
	if !was || told.Start.Before(c.input.From) {
		return nil
	}
	t := &model.Told{
		Start: c.minute(told.Start), Person: model.None, Way: c.wayWith(i, told.Sprayer), Tolerance: model.Minute(toldTolerance / time.Minute),
		Weight: weight * c.nearness(c.minute(told.Start)),
	}
	if person, known := c.people[told.Person]; known {
		t.Person = person
	}
	return t
}

// nearness is how much more a change of today's and tomorrow's work counts.
func (c *compiled) nearness(start model.Minute) int64 {
	days := c.problem.Days
	switch {
	case len(days) < 2 || start < days[1]:
		return 4
	case len(days) < 3 || start < days[2]:
		return 2
	default:
		return 1
	}
}

// wayWith returns the way of a job with a sprayer (id); model.None when it has none.
func (c *compiled) wayWith(i int32, sprayer string) int32 {
	station, known := c.stations[sprayer]
	if sprayer == "" {
		station, known = model.None, true
	}
	for k, way := range c.problem.Jobs[i].Ways {
		if known && way.Station == station {
			return int32(k)
		}
	}
	return model.None
}
