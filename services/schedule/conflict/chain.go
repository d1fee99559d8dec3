package conflict

import (
	"slices"

	"velamen/services/schedule/model"
)

// chain looks for jobs that intervals drive past their latest, and returns them,
// ascending; nil when there are none. A circle of intervals that asks for too much is
// such a chain too: it drives itself on. A job that has no place at all is one alone.
func (q *question) chain() []int32 {
	s := &searcher{q: q, options: q.options()}
	n := &node{option: make([]int, len(s.options)), start: make([]model.Minute, len(s.options))}
	by := make([]int, len(n.start))
	for i := range by {
		if len(s.options[i]) == 0 {
			return []int32{q.jobs[i]}
		}
		n.option[i], by[i] = undecided, model.None
		n.start[i], _ = s.earliest(n, i, 0)
	}
	for moved := true; moved; {
		moved = false
		for _, lag := range q.p.Lags {
			from := n.start[lag.From] + s.length(n, lag)
			if from <= n.start[lag.To] {
				continue
			}
			start, ok := s.earliest(n, int(lag.To), from)
			by[lag.To] = int(lag.From)
			if !ok {
				return q.back(by, int(lag.To))
			}
			moved = true
			n.start[lag.To] = start
		}
	}
	return nil
}

// back follows what pushed a job to where that began.
func (q *question) back(by []int, job int) []int32 {
	var jobs []int32
	seen := make([]bool, len(by))
	for at := job; at != model.None && !seen[at]; at = by[at] {
		seen[at] = true
		jobs = append(jobs, q.jobs[at])
	}
	slices.Sort(jobs)
	return jobs
}
