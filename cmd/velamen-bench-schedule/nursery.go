package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// nurseryRow is one made-up nursery. Costs are in whole units, a million millionths.
type nurseryRow struct {
	Jobs int `json:"jobs"`
	// FirstMilliseconds until the first plan.
	FirstMilliseconds float64 `json:"first_milliseconds"`
	Rounds            int     `json:"rounds"`
	// Bound is what no plan goes below that leaves out as little as the longest search.
	// With BoundSame it holds only for plans that leave out the same jobs.
	Bound     int64  `json:"bound"`
	BoundBy   string `json:"bound_by"`
	BoundSame bool   `json:"bound_for_the_same_jobs"`
	// BoundLeaves is what no plan leaves out less than.
	BoundLeaves int64 `json:"bound_left_out_weight"`
	// Plans at several times and by hand, and the longest search last.
	Plans []planRow `json:"plans"`
}

// planRow is one plan of a nursery.
type planRow struct {
	Name string `json:"name"`
	// LeftOutWeight counts first.
	LeftOutWeight int64 `json:"left_out_weight"`
	Cost          int64 `json:"cost"`
	// Terms of the cost, in the order of package model.
	Terms map[string]int64 `json:"terms"`
}

func planRowOf(name string, score model.Score) planRow {
	row := planRow{Name: name, LeftOutWeight: score.Skipped, Cost: score.Total() / 1_000_000, Terms: map[string]int64{}}
	for term, value := range score.Terms {
		row.Terms[model.Term(term).String()] = value / 1_000_000
	}
	return row
}

func measureNurseries(ctx context.Context, o options, r *report, t *table) error {
	for _, jobs := range []int{50, 500, 5000} {
		name := fmt.Sprintf("nursery %d", jobs)
		wanted := strings.Contains(name, o.only)
		replan := jobs == 500 && strings.Contains("replan", o.only)
		if ctx.Err() != nil || !wanted && !replan {
			continue
		}
		p := benchmark.Nursery(nurserySeed, jobs)
		m, err := solve(ctx, p, o.long, search.Options{})
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		if wanted {
			row, err := nurseryRowOf(ctx, p, m, o.long)
			if err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			row.Jobs = jobs
			r.Nurseries = append(r.Nurseries, row)
			row.print(t)
			row.gates(r)
		}
		if replan {
			if err := measureReplan(ctx, p, m.result.Plan, r, t); err != nil {
				return err
			}
		}
	}
	return nil
}

func nurseryRowOf(ctx context.Context, p *model.Problem, m measured, long time.Duration) (nurseryRow, error) {
	row := nurseryRow{
		FirstMilliseconds: milliseconds(m.better[0].after), Rounds: m.result.Rounds,
	}
	if err := row.bounds(ctx, p, m); err != nil {
		return row, err
	}
	for _, hand := range []struct {
		name string
		plan model.Plan
	}{{"earliest due first, by hand", benchmark.EarliestDueFirst(p)}, {"house by house, by hand", benchmark.HouseByHouse(p)}} {
		score := search.Evaluate(p, hand.plan)
		if err := valid(p, hand.plan, score); err != nil {
			return row, fmt.Errorf("%s: %w", hand.name, err)
		}
		row.Plans = append(row.Plans, planRowOf(hand.name, score))
	}
	row.Plans = append(row.Plans, planRowOf("first plan of the search", m.better[0].score))
	for _, after := range []time.Duration{time.Second, 10 * time.Second, time.Minute} {
		if score, known := m.at(after); known && after < long {
			row.Plans = append(row.Plans, planRowOf(fmt.Sprintf("search, %v", after), score))
		}
	}
	row.Plans = append(row.Plans, planRowOf(fmt.Sprintf("search, %v", long), m.result.Score))
	return row, nil
}

// bounds finds the bound that speaks of plans like the last one.
func (row *nurseryRow) bounds(ctx context.Context, p *model.Problem, m measured) (err error) {
	b := m.result.Bound
	if b.By == "" {
		// The search ended before it knew.
		if b, err = bound.Of(ctx, p); err != nil {
			return err
		}
	}
	row.BoundLeaves = b.Overload
	if row.BoundSame = m.result.Score.Skipped > b.Skipped; row.BoundSame {
		if b, err = bound.Leaving(ctx, p, m.result.Plan); err != nil {
			return err
		}
	}
	row.Bound, row.BoundBy = b.Total/1_000_000, b.By
	return nil
}

var planColumns = []int{-28, 10, 10, 9, 8, 8, 8, 8, 8, 8}

func (row nurseryRow) print(t *table) {
	t.line("")
	t.line("Nursery of %d jobs: first plan after %.0f ms, %d rounds.", row.Jobs, row.FirstMilliseconds, row.Rounds)
	t.row(planColumns, "plan", "left out", "cost", "ratio", "late", "waiting", "closed", "leftover", "rinses", "overtime")
	last := row.Plans[len(row.Plans)-1]
	for _, plan := range row.Plans {
		cells := []string{plan.Name, count(plan.LeftOutWeight), count(plan.Cost), ratio(plan.Cost, last.Cost)}
		for _, term := range []model.Term{model.Late, model.Waiting, model.Closed, model.Leftover, model.Rinsing, model.Overtime} {
			cells = append(cells, count(plan.Terms[term.String()]))
		}
		t.row(planColumns, cells...)
	}
	if !row.BoundSame {
		t.line("No plan leaves out less, and none that leaves out no more costs less than %d (%s): the last plan is at most %s above the best.",
			row.Bound, row.BoundBy, percent(last.Cost, row.Bound))
		return
	}
	t.line("No plan that leaves out the same jobs costs less than %d (%s): the last plan is at most %s above the best of these. "+
		"%s",
		row.Bound, row.BoundBy, percent(last.Cost, row.Bound), row.leaves(last.LeftOutWeight))
}

// leaves says what is known of plans that leave out less than the last one.
func (row nurseryRow) leaves(last int64) string {
	switch row.BoundLeaves {
	case 0:
		return "Whether a plan can leave out less is not known."
	case last:
		return "No plan leaves out less."
	}
	return fmt.Sprintf("Whether a plan can leave out less is not known, but none leaves out less than weight %d.", row.BoundLeaves)
}

// gates fails when a plan by hand is better than what the search ends with, or when
// that is below its bound.
func (row nurseryRow) gates(r *report) {
	last := row.Plans[len(row.Plans)-1]
	if row.Bound > last.Cost {
		r.fail("nursery %d: the bound %d is above the plan for %d", row.Jobs, row.Bound, last.Cost)
	}
	for _, plan := range row.Plans[:2] {
		if plan.LeftOutWeight < last.LeftOutWeight || plan.LeftOutWeight == last.LeftOutWeight && plan.Cost < last.Cost {
			r.fail("nursery %d: %s is better than the search", row.Jobs, plan.Name)
		}
	}
}
