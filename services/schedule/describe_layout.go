package schedule

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// layout is a plan with what follows from it: when each job's person and sprayer are
// taken, which jobs share a load, and what each job costs.
type layout struct {
	c    *compiled
	plan model.Plan
	// stands are by job; those of jobs that are left out are empty.
	stands []stand
	// order are the jobs that are placed, by start.
	order []int32
	// onStation are the jobs with a mix on each sprayer, by start.
	onStation [][]int32
	loads     []load
	// costs are by job.
	costs [][model.Terms]int64
	// closed is what each job costs by the space that it closes.
	closed []map[int32]int64
}

// stand is where a job stands.
type stand struct {
	placed bool
	// begin is when rinsing and mixing begin.
	begin, start, end model.Minute
	station           int32
	rinse             model.Rinse
	// load is its number from 1; 0 for none.
	load int
}

// load is mix that is made at once.
type load struct {
	station, mix int32
	jobs         []int32
	// volume that its jobs need, mL.
	volume int64
}

// layOut lays a plan out. It does not ask whether the plan keeps the rules.
func (c *compiled) layOut(plan model.Plan) *layout {
	l := &layout{
		c: c, plan: plan, stands: make([]stand, len(c.problem.Jobs)), onStation: make([][]int32, len(c.problem.Stations)),
		costs: make([][model.Terms]int64, len(c.problem.Jobs)), closed: make([]map[int32]int64, len(c.problem.Jobs)),
	}
	for i := range c.problem.Jobs {
		if i >= len(plan) || !plan[i].Placed || plan[i].Way < 0 || int(plan[i].Way) >= len(c.problem.Jobs[i].Ways) {
			continue
		}
		way := c.problem.Jobs[i].Ways[plan[i].Way]
		l.stands[i] = stand{placed: true, begin: plan[i].Start, start: plan[i].Start, end: plan[i].Start + way.Duration, station: way.Station}
		l.order = append(l.order, int32(i))
	}
	slices.SortFunc(l.order, l.before)
	l.loadUp()
	l.cost()
	return l
}

func (l *layout) before(a, b int32) int {
	return cmp.Or(cmp.Compare(l.stands[a].start, l.stands[b].start), cmp.Compare(l.stands[a].end, l.stands[b].end), cmp.Compare(a, b))
}

// loadUp finds the loads and what comes before each job.
func (l *layout) loadUp() {
	p := l.c.problem
	for _, j := range l.order {
		if s := l.stands[j].station; s != model.None && p.Jobs[j].Mix != model.None {
			l.onStation[s] = append(l.onStation[s], j)
		}
	}
	for s, jobs := range l.onStation {
		station, holds := &p.Stations[s], p.Stations[s].Holds
		for _, j := range jobs {
			at, mix := &l.stands[j], p.Jobs[j].Mix
			if station.Rinses != model.None {
				at.rinse = p.Rinses[station.Rinses][holds+1][mix]
			}
			holds = mix
			at.begin -= at.rinse.Minutes
			if l.plan[j].NewLoad || len(l.loads) == 0 || l.loads[len(l.loads)-1].station != int32(s) {
				l.loads = append(l.loads, load{station: int32(s), mix: mix})
			}
			if l.plan[j].NewLoad {
				at.begin -= station.MixMinutes
			}
			last := &l.loads[len(l.loads)-1]
			last.jobs = append(last.jobs, j)
			last.volume += p.Jobs[j].Volume
		}
	}
	// People count loads in the order in which they are mixed.
	slices.SortStableFunc(l.loads, func(a, b load) int { return l.before(a.jobs[0], b.jobs[0]) })
	for n, made := range l.loads {
		for _, j := range made.jobs {
			l.stands[j].load = n + 1
		}
	}
}

// cost gives each job what it costs. A job that joins a closure pays for the minutes
// that it adds, and the first job of a load for what is left over of it.
func (l *layout) cost() {
	p := l.c.problem
	for i := range p.Jobs {
		job, at := &p.Jobs[i], &l.stands[i]
		if job.Told != nil && l.changed(int32(i)) {
			l.costs[i][model.Change] = job.Told.Weight
		}
		if !at.placed {
			continue
		}
		l.costs[i][model.Late] = job.LateWeight * int64(max(at.end-job.Due, 0))
		l.costs[i][model.Waiting] = job.WaitWeight * int64(max(at.start-job.Release, 0))
		if at.rinse != (model.Rinse{}) {
			l.costs[i][model.Rinsing] = p.Weights.Rinse + p.Weights.RinseVolume*at.rinse.Volume
		}
		if person := l.plan[i].Person; person != model.None {
			for _, shift := range p.People[person].Shifts {
				l.costs[i][model.Overtime] += p.Weights.Overtime * int64(max(min(at.end, shift.To)-max(at.begin, shift.Overtime), 0))
			}
		}
	}
	for _, made := range l.loads {
		station := &p.Stations[made.station]
		if station.Tank > 0 {
			total, _ := loadFor(station, made.volume)
			l.costs[made.jobs[0]][model.Leftover] += p.Weights.Leftover * (total - made.volume)
		}
	}
	l.closures()
}

// changed tells whether a job is not as people were told.
func (l *layout) changed(i int32) bool {
	told, at := l.c.problem.Jobs[i].Told, &l.stands[i]
	return !at.placed || at.start < told.Start-told.Tolerance || at.start > told.Start+told.Tolerance ||
		(told.Person != model.None && l.plan[i].Person != told.Person) || (told.Way != model.None && l.plan[i].Way != told.Way)
}

// closures gives each job the working minutes in which it closes spaces that nothing
// before it closes.
func (l *layout) closures() {
	p := l.c.problem
	until := make([]model.Minute, len(p.Spaces))
	for _, j := range l.order {
		for _, occupation := range p.Jobs[j].Occupies {
			if !occupation.Exclusive {
				continue
			}
			space := &p.Spaces[occupation.Space]
			from, to := max(l.stands[j].start, until[occupation.Space]), l.stands[j].end+occupation.Tail
			until[occupation.Space] = max(until[occupation.Space], to)
			var cost int64
			for _, working := range space.Working {
				cost += space.ClosedWeight * int64(max(min(to, working.To)-max(from, working.From), 0))
			}
			if cost == 0 {
				continue
			}
			if l.closed[j] == nil {
				l.closed[j] = map[int32]int64{}
			}
			l.closed[j][occupation.Space] += cost
			l.costs[j][model.Closed] += cost
		}
	}
}

// closedUntil returns until when what a job treats stays closed; false when it closes
// nothing.
func (l *layout) closedUntil(j int32) (model.Minute, bool) {
	last, closes := l.stands[j].end, false
	for _, occupation := range l.c.problem.Jobs[j].Occupies {
		if occupation.Exclusive && occupation.Tail > 0 {
			last, closes = max(last, l.stands[j].end+occupation.Tail), true
		}
	}
	return last, closes
}
