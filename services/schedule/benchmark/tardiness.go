package benchmark

import (
	"fmt"

	"velamen/services/schedule/model"
)

const orLibrary1990 = "C. N. Potts and L. N. Van Wassenhove, Operations Research 33, 1985; OR-Library, 1990"

// tardiness is one machine and jobs that cost their weight for each minute past
// their due time.
type tardiness struct {
	name                  string
	best                  int64
	minutes, weights, due []int32
}

func (t tardiness) instance() Instance {
	var horizon int32
	for _, minutes := range t.minutes {
		horizon += minutes
	}
	p := empty(horizon)
	p.Stations = machines(1)
	for i, minutes := range t.minutes {
		job := free(fmt.Sprintf("job %d", i+1), horizon, model.Way{Station: 0, Duration: minutes})
		job.Due = t.due[i]
		job.LateWeight = int64(t.weights[i]) * unit
		p.Jobs = append(p.Jobs, job)
	}
	return Instance{Name: t.name, Source: orLibrary1990, Problem: p, Best: t.best, Scale: unit}
}
