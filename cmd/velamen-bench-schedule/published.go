package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/exact"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// mustReach are the instances whose optimum must be found, mustProve those that the
// bound alone must prove.
var (
	mustReach = []string{"ft06", "la01", "la05", "j301_1"}
	mustProve = []string{"la01", "la05"}
)

// publishedRow is what was found for one published instance, in units of its paper.
type publishedRow struct {
	Name string `json:"name"`
	// Cost; -1 when not every job is placed.
	Cost int64 `json:"cost"`
	// Best known; -1 when there is no plan.
	Best int64 `json:"best"`
	// Bound, 0 when it gives nothing and -1 when there is no plan, and the argument for it.
	Bound   int64  `json:"bound"`
	BoundBy string `json:"bound_by"`
	Rounds  int    `json:"rounds"`
	// Milliseconds until the last better plan.
	Milliseconds float64 `json:"milliseconds_to_best"`
	// Proven is true when the search says that no plan is better, or when it is proven
	// that there is none.
	Proven bool `json:"proven"`
}

func measurePublished(ctx context.Context, o options, r *report, t *table) error {
	for _, instance := range benchmark.Published() {
		if ctx.Err() != nil || !strings.Contains(instance.Name, o.only) {
			continue
		}
		if len(r.Published) == 0 {
			t.line("Published problems, %v each. Gaps in %% of the best known and of the bound.", o.published)
			t.row(publishedColumns, "name", "cost", "best", "bound", "to best", "to bound", "rounds", "found", "proven", "bound by")
		}
		m, err := solve(ctx, instance.Problem, o.published, search.Options{})
		if err != nil {
			return fmt.Errorf("%s: %w", instance.Name, err)
		}
		row := publishedRow{
			Name: instance.Name, Cost: instance.Cost(m.result.Score), Best: instance.Best,
			// All costs are whole units, so that a part of one counts as a whole.
			Bound:   (m.result.Bound.Total + instance.Scale - 1) / instance.Scale,
			BoundBy: m.result.Bound.By, Rounds: m.result.Rounds, Milliseconds: milliseconds(m.last()), Proven: m.result.Optimal,
		}
		if m.result.Score.Skipped > 0 {
			row.Cost = -1
		}
		if row.Best == benchmark.Infeasible {
			row.proveNone(ctx, instance.Problem)
		}
		r.Published = append(r.Published, row)
		row.gates(r)
		t.row(publishedColumns, row.Name, count(row.Cost), orNone(row.Best), count(row.Bound), percent(row.Cost, row.Best),
			percent(row.Cost, row.Bound), count(int64(row.Rounds)), fmt.Sprintf("%.0f ms", row.Milliseconds), yes(row.Proven), row.BoundBy)
	}
	return nil
}

// noneSteps is how many steps the proof that there is no plan may take.
const noneSteps = 30_000

// proveNone proves that no plan places all jobs. The bound speaks of plans that do, so
// that there is none to show.
func (row *publishedRow) proveNone(ctx context.Context, p *model.Problem) {
	row.Proven = exact.Solve(ctx, p, noneSteps).Status == exact.Infeasible
	row.Bound, row.BoundBy = -1, "search of all orders"
}

var publishedColumns = []int{-11, 6, 6, 6, 8, 8, 7, 9, 7, -1}

// gates fails what must not be.
func (row publishedRow) gates(r *report) {
	if row.Best == benchmark.Infeasible {
		if row.Cost >= 0 {
			r.fail("%s: a plan for %d, where there is none", row.Name, row.Cost)
		}
		if !row.Proven {
			r.fail("%s: it is not proven that there is no plan", row.Name)
		}
		return
	}
	if row.Cost >= 0 && row.Cost < row.Best {
		r.fail("%s: a plan for %d is better than the optimum %d", row.Name, row.Cost, row.Best)
	}
	if row.Bound > row.Best {
		r.fail("%s: the bound %d is above the optimum %d", row.Name, row.Bound, row.Best)
	}
	if row.Proven && row.Cost != row.Best {
		r.fail("%s: %d is said to be proven, the optimum is %d", row.Name, row.Cost, row.Best)
	}
	if slices.Contains(mustReach, row.Name) && row.Cost != row.Best {
		r.fail("%s: %d in place of the optimum %d", row.Name, row.Cost, row.Best)
	}
	if slices.Contains(mustProve, row.Name) && row.Bound != row.Best {
		r.fail("%s: the bound %d does not prove the optimum %d", row.Name, row.Bound, row.Best)
	}
}
