package benchmark

import (
	"fmt"

	"velamen/services/schedule/model"
)

// unit is the millionths that one unit of a published objective is counted as.
const unit = 1_000_000

// Infeasible is the Best of an instance of which it is proven that it has no plan.
const Infeasible = -1

// Instance is a published problem and the best that is known of it.
type Instance struct {
	// Name as in the literature.
	Name string
	// Source is the paper that the numbers come from.
	Source string
	// Problem for the engine.
	Problem *model.Problem
	// Best is the published optimum, in units of the paper; Infeasible when there is
	// no plan.
	Best int64
	// Scale is by what the total of a score is divided to compare it with Best.
	Scale int64
}

// Cost is a score in the units of the paper. It holds for plans that leave nothing
// out.
func (i Instance) Cost(score model.Score) int64 { return score.Total() / i.Scale }

// Published returns all published instances, always in the same order.
func Published() []Instance {
	var all []Instance
	for _, shops := range [][]shop{
		fisherThompson, lawrence01To05, lawrence06To10, lawrence11To15, lawrence16To20,
	} {
		for _, s := range shops {
			all = append(all, s.instance())
		}
	}
	for _, shops := range [][]flexible{brandimarte1To5, brandimarte8} {
		for _, f := range shops {
			all = append(all, f.instance())
		}
	}
	for _, projects := range [][]project{kolischSprecher1To5, kolischSprecher6To10, schwindt10} {
		for _, p := range projects {
			all = append(all, p.instance())
		}
	}
	for _, t := range weightedTardiness40 {
		all = append(all, t.instance())
	}
	return all
}

// Named returns the published instance of that name. It panics when there is none:
// the names are constants of a program.
func Named(name string) Instance {
	for _, instance := range Published() {
		if instance.Name == name {
			return instance
		}
	}
	panic(fmt.Sprintf("benchmark: no published instance is called %q", name))
}

// empty is a problem with a horizon and nothing in it.
func empty(horizon model.Minute) *model.Problem {
	return &model.Problem{Horizon: horizon, Days: []model.Minute{0}}
}

// free is a job that can be done at any time within the horizon and must be.
func free(name string, horizon model.Minute, ways ...model.Way) model.Job {
	return model.Job{
		Name: name, Site: model.None, Mix: model.None, Ways: ways,
		Deadline: horizon, Due: horizon, SkipWeight: 1,
	}
}

// machine is a station that holds no mix.
func machine(number int32) model.Station {
	return model.Station{Name: fmt.Sprintf("machine %d", number), Holds: model.None, Rinses: model.None}
}

// machines are the first n.
func machines(n int32) []model.Station {
	stations := make([]model.Station, n)
	for i := range stations {
		stations[i] = machine(int32(i))
	}
	return stations
}
