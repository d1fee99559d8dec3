package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// alone sums what each job that counts costs at its earliest.
func alone(n *network) (waiting, late int64) {
	for j, counts := range n.counts {
		if !counts {
			continue
		}
		job := &n.problem.Jobs[j]
		late += job.LateWeight * int64(max(0, n.frames[j].endLow-job.Due))
		waiting += job.WaitWeight * int64(max(0, n.frames[j].startLow-job.Release))
	}
	return waiting, late
}

// changes sums the weights of jobs that cannot stand where people were told.
func changes(n *network, left []bool) int64 {
	var sum int64
	for j := range n.problem.Jobs {
		told := n.problem.Jobs[j].Told
		if told != nil && (left[j] || n.counts[j] && !n.canStand(int32(j), told)) {
			sum += told.Weight
		}
	}
	return sum
}

// canStand says whether the job can start as it was told, as far as it is known.
func (n *network) canStand(j int32, told *model.Told) bool {
	job := &n.problem.Jobs[j]
	if job.Manned && told.Person != model.None && !slices.Contains(mayDo(job), told.Person) {
		return false
	}
	near := starts{{From: told.Start - told.Tolerance, To: told.Start + told.Tolerance + 1}}
	for _, w := range n.ways[j] {
		if (told.Way == model.None || told.Way == w.index) && len(w.starts.and(near)) > 0 {
			return true
		}
	}
	return false
}

// overtime returns what people must work past their regular hours: the sum of
// what each job needs at the best start in the best shift, or the work that does
// not fit into all regular hours together. Busy spans of one person do not
// overlap, so both count each minute once.
func overtime(n *network) (int64, string) {
	if n.problem.Weights.Overtime == 0 {
		return 0, Zero
	}
	var single, work int64
	for j, counts := range n.counts {
		if counts && n.problem.Jobs[j].Manned {
			single += int64(n.leastOvertime(int32(j)))
			work += int64(n.busyTime(int32(j)))
		}
	}
	for i := range n.problem.People {
		for _, s := range n.problem.People[i].Shifts {
			work -= int64(max(0, min(s.Overtime, n.problem.Horizon)-max(s.From, 0)))
		}
	}
	if work > single {
		return work * n.problem.Weights.Overtime, "work beyond all regular hours"
	}
	return single * n.problem.Weights.Overtime, "jobs that fit no regular hours"
}

// busyTime is the least time that a job takes its person, minutes.
func (n *network) busyTime(j int32) model.Minute {
	least := far
	for _, w := range n.ways[j] {
		least = min(least, w.prep+w.duration)
	}
	return least
}

// leastOvertime is the least overtime of a job on any way in any shift, minutes. A
// later start in a shift never has less.
func (n *network) leastOvertime(j int32) model.Minute {
	least := far
	for _, person := range mayDo(&n.problem.Jobs[j]) {
		for _, s := range n.problem.People[person].Shifts {
			for _, w := range n.ways[j] {
				start, ok := w.starts.next(s.From + w.prep)
				if !ok || start+w.duration > s.To {
					continue
				}
				least = min(least, max(0, start+w.duration-max(start-w.prep, s.Overtime)))
				if least == 0 {
					return 0
				}
			}
		}
	}
	if least == far {
		return 0
	}
	return least
}
