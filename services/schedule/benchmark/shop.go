package benchmark

import (
	"fmt"

	"velamen/services/schedule/model"
)

const (
	fisherThompson1963 = "H. Fisher and G. L. Thompson, in Industrial Scheduling, 1963"
	lawrence1984       = "S. Lawrence, Resource constrained project scheduling, Carnegie Mellon University, 1984"
	brandimarte1993    = "P. Brandimarte, Annals of Operations Research 41, 1993"
)

// shop is a job shop: each job goes over every machine once, in its own order. The
// measure is the end of the last operation.
type shop struct {
	name, source string
	best         int64
	// jobs are, for each operation in order, the machine from 0 and the minutes.
	jobs [][]int32
}

func (s shop) instance() Instance {
	var horizon, count int32
	for _, job := range s.jobs {
		for k := 0; k < len(job); k += 2 {
			count = max(count, job[k]+1)
			horizon += job[k+1]
		}
	}
	p := empty(horizon)
	p.Stations = machines(count)
	p.Weights.Finish = unit
	for i, job := range s.jobs {
		for k := 0; k < len(job); k += 2 {
			addOperation(p, i, k/2, model.Way{Station: job[k], Duration: job[k+1]})
		}
	}
	return Instance{Name: s.name, Source: s.source, Problem: p, Best: s.best, Scale: unit}
}

// addOperation adds the operation of a job after the one before it.
func addOperation(p *model.Problem, job, step int, ways ...model.Way) {
	p.Jobs = append(p.Jobs, free(fmt.Sprintf("job %d operation %d", job+1, step+1), p.Horizon, ways...))
	if step > 0 {
		here := int32(len(p.Jobs) - 1)
		p.Lags = append(p.Lags, model.Lag{From: here - 1, To: here, FromEnd: true})
	}
}

// flexible is a job shop in which an operation has a choice of machines. The measure
// is the end of the last operation.
type flexible struct {
	name string
	best int64
	// jobs are, for each operation in order, how many machines can do it and then the
	// machine from 0 and the minutes for each.
	jobs [][]int32
}

func (f flexible) instance() Instance {
	var horizon, count int32
	for _, job := range f.jobs {
		for _, ways := range operations(job) {
			var longest int32
			for _, way := range ways {
				longest = max(longest, way.Duration)
				count = max(count, way.Station+1)
			}
			horizon += longest
		}
	}
	p := empty(horizon)
	p.Stations = machines(count)
	p.Weights.Finish = unit
	for i, job := range f.jobs {
		for step, ways := range operations(job) {
			addOperation(p, i, step, ways...)
		}
	}
	return Instance{Name: f.name, Source: brandimarte1993, Problem: p, Best: f.best, Scale: unit}
}

// operations reads one row of a flexible job shop.
func operations(row []int32) [][]model.Way {
	var steps [][]model.Way
	for len(row) > 0 {
		ways := make([]model.Way, row[0])
		for k := range ways {
			ways[k] = model.Way{Station: row[1+2*k], Duration: row[2+2*k]}
		}
		steps = append(steps, ways)
		row = row[1+2*len(ways):]
	}
	return steps
}
