package benchmark

import (
	"fmt"

	"velamen/services/schedule/model"
)

const (
	kolischSprecher1997 = "R. Kolisch and A. Sprecher, European Journal of Operational Research 96, 1997"
	schwindt1998        = "C. Schwindt, Generation of resource-constrained project scheduling problems " +
		"subject to temporal constraints, University of Karlsruhe, 1998"
)

// project is a set of activities that share resources. The measure is the end of
// the last one. Activities count from 1.
type project struct {
	name string
	best int64
	// capacities of the resources.
	capacities []int32
	activities []activity
	// lags are, for the start of one activity to the start of another, the least
	// minutes between, below 0 for a longest time: {from, to, least}.
	lags [][]int32
}

type activity struct {
	minutes int32
	// demands on each resource.
	demands []int32
	// followers start no earlier than it ends.
	followers []int32
}

func (a project) instance() Instance {
	p := empty(a.horizon())
	p.Weights.Finish = unit
	for k, capacity := range a.capacities {
		p.Pools = append(p.Pools, model.Pool{Name: fmt.Sprintf("resource %d", k+1), Capacity: capacity})
	}
	for i, act := range a.activities {
		job := free(fmt.Sprintf("activity %d", i+1), p.Horizon, model.Way{Station: model.None, Duration: act.minutes})
		for k, amount := range act.demands {
			if amount > 0 {
				job.Demands = append(job.Demands, model.Demand{Pool: int32(k), Amount: amount})
			}
		}
		p.Jobs = append(p.Jobs, job)
		for _, follower := range act.followers {
			p.Lags = append(p.Lags, model.Lag{From: int32(i), To: follower - 1, FromEnd: true})
		}
	}
	for _, lag := range a.lags {
		p.Lags = append(p.Lags, model.Lag{From: lag[0] - 1, To: lag[1] - 1, Least: lag[2]})
	}
	source := kolischSprecher1997
	if a.lags != nil {
		source = schwindt1998
	}
	return Instance{Name: a.name, Source: source, Problem: p, Best: a.best, Scale: unit}
}

// horizon is a time by which a plan ends if there is one: each activity in turn takes
// the longer of its minutes and the longest lag from its start.
func (a project) horizon() model.Minute {
	var sum model.Minute
	for i, act := range a.activities {
		longest := act.minutes
		for _, lag := range a.lags {
			if int(lag[0]) == i+1 {
				longest = max(longest, lag[2])
			}
		}
		sum += longest
	}
	return sum
}

// schwindt10 are the first two of the 90 projects of ten activities and five resources
// with shortest and longest times between starts (set UBO10, ProGen/max). The first
// has no plan: its lags can hold, but not with its capacities. Lags from the start and
// to the end of the project are left out: none says more than that an activity lies
// within it.
var schwindt10 = []project{
	{
		name: "UBO10 psp1", best: Infeasible, capacities: []int32{10, 10, 10, 10, 10},
		activities: []activity{
			{2, []int32{5, 7, 8, 4, 6}, nil},
			{9, []int32{10, 8, 0, 8, 10}, nil},
			{6, []int32{9, 9, 0, 4, 5}, nil},
			{6, []int32{0, 8, 0, 5, 5}, nil},
			{9, []int32{0, 8, 6, 3, 4}, nil},
			{10, []int32{8, 9, 4, 9, 9}, nil},
			{5, []int32{6, 3, 0, 6, 9}, nil},
			{7, []int32{6, 8, 2, 0, 10}, nil},
			{7, []int32{0, 8, 10, 3, 0}, nil},
			{5, []int32{0, 8, 0, 10, 0}, nil},
		},
		lags: [][]int32{
			{1, 10, 2}, {2, 4, 5}, {2, 7, 0}, {3, 9, 3}, {4, 5, 4}, {5, 6, -5}, {6, 5, -4}, {6, 7, -4},
			{7, 8, -4}, {8, 7, -2}, {10, 1, -3},
		},
	},
	{
		name: "UBO10 psp2", best: 45, capacities: []int32{10, 10, 10, 10, 10},
		activities: []activity{
			{4, []int32{4, 3, 7, 7, 2}, nil},
			{4, []int32{1, 9, 6, 4, 1}, nil},
			{10, []int32{2, 0, 0, 4, 2}, nil},
			{10, []int32{0, 7, 4, 7, 10}, nil},
			{3, []int32{6, 6, 3, 6, 6}, nil},
			{1, []int32{10, 1, 4, 7, 10}, nil},
			{8, []int32{9, 0, 10, 4, 6}, nil},
			{10, []int32{4, 0, 0, 0, 0}, nil},
			{9, []int32{0, 8, 0, 0, 0}, nil},
			{5, []int32{4, 1, 6, 9, 6}, nil},
		},
		lags: [][]int32{
			{1, 5, 9}, {2, 5, -3}, {2, 6, 8}, {3, 7, 24}, {4, 9, 22}, {5, 8, 4}, {6, 10, 3},
			{7, 10, -2}, {7, 3, -26}, {9, 4, -25},
		},
	},
}
