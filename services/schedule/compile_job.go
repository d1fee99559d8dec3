package schedule

import (
	"fmt"
	"slices"
	"strings"

	"velamen/internal/resource"
	"velamen/services/schedule/model"
	"velamen/services/treatment"
)

// addJob makes a draft a job of the problem.
func (c *compiled) addJob(i int32) {
	d := &c.drafts[i]
	work := &c.input.Work[d.work]
	job := model.Job{
		Name: c.callOf(d, work), Site: d.houses[0], Mix: d.mix, Volume: d.volume, Ways: d.ways, Manned: true, People: d.people,
		Protected: work.Chemical != nil && work.Chemical.Protected, Release: d.release, Deadline: c.problem.Horizon, Due: d.due,
		Hot: c.hot(d), Occupies: c.occupies(d), Pin: d.pin,
	}
	if !d.always {
		job.Windows = d.windows
	}
	for _, after := range work.After {
		if k, planned := c.index[after.Job]; planned && k != i && !slices.Contains(job.Needs, k) {
			job.Needs = append(job.Needs, k)
		}
	}
	slices.Sort(job.Needs)
	c.problem.Jobs = append(c.problem.Jobs, job)
}

// callOf is what a job is called in sentences: what is done and, because programs have
// the same steps, where and for which program.
func (c *compiled) callOf(d *draft, work *Work) string {
	ids, err := resource.Parse("job", work.Job, "nurseries", "programs", "steps")
	if err != nil {
		return c.titleOf(work.Job)
	}
	return fmt.Sprintf("%s (%s, %s)", c.titleOf(work.Job), c.housesOf(d), ids[1])
}

// addLags makes the shortest intervals between jobs rules of the problem.
func (c *compiled) addLags() {
	for i := range c.drafts {
		for _, after := range c.input.Work[c.drafts[i].work].After {
			k, planned := c.index[after.Job]
			if !planned || k == int32(i) {
				continue
			}
			c.problem.Lags = append(c.problem.Lags, model.Lag{
				From: k, To: int32(i), FromEnd: true, Least: wholeMinutes(after.Least),
			})
		}
	}
}

// addTravel makes the houses the sites of the problem.
func (c *compiled) addTravel() {
	n := len(c.input.Houses)
	if n == 0 {
		return
	}
	usual := limited(int64(c.input.Settings.DefaultWalkMinutes))
	for from := range n {
		row := make([]model.Minute, n)
		for to := range row {
			if to != from {
				row[to] = usual
			}
		}
		c.problem.Travel = append(c.problem.Travel, row)
	}
	for _, walk := range c.input.Settings.Walks {
		from, known := c.houses[walk.House]
		to, other := c.houses[walk.OtherHouse]
		if known && other && from != to {
			minutes := limited(int64(walk.Minutes))
			c.problem.Travel[from][to], c.problem.Travel[to][from] = minutes, minutes
		}
	}
}

// wayWithin returns how long it takes to walk from house to house of one job.
func (c *compiled) wayWithin(houses []int32) model.Minute {
	var way model.Minute
	for i := 1; i < len(houses); i++ {
		way += c.problem.Travel[houses[i-1]][houses[i]]
	}
	return way
}

// kindText returns a kind of step as settings and plans write it.
func kindText(kind treatment.Kind) string { return strings.TrimPrefix(kind.String(), "STEP_KIND_") }
