package main

import (
	"context"
	"fmt"
	"time"

	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// seed of all searches, so that a run can be repeated.
const seed = 1

// nurserySeed makes up the nurseries that are measured. The search is tried out on
// nurseries of small seeds while it is worked on, so that those would flatter it.
const nurserySeed = 20_270_301

// moment is a better plan and when it was found.
type moment struct {
	after time.Duration
	score model.Score
}

// measured is one search.
type measured struct {
	result search.Result
	// first is the plan that was known first.
	first model.Plan
	// better are the plans in the order in which they were found, the first one first.
	better []moment
	took   time.Duration
}

// solve searches for some time and lets the checker look at the first and the last
// plan.
func solve(ctx context.Context, p *model.Problem, limit time.Duration, o search.Options) (measured, error) {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	var m measured
	began := time.Now()
	o.Seed = seed
	o.Report = func(progress search.Progress) {
		if m.first == nil {
			m.first = progress.Plan
		}
		m.better = append(m.better, moment{time.Since(began), progress.Score})
	}
	var err error
	if m.result, err = search.Solve(ctx, p, o); err != nil {
		return m, err
	}
	m.took = time.Since(began)
	if len(m.better) == 0 {
		return m, fmt.Errorf("the search reported no plan")
	}
	if err := valid(p, m.first, m.better[0].score); err != nil {
		return m, fmt.Errorf("first plan: %w", err)
	}
	return m, valid(p, m.result.Plan, m.result.Score)
}

// valid lets the checker look at a plan and compares the cost.
func valid(p *model.Problem, plan model.Plan, score model.Score) error {
	checked, violations := checker.Check(p, plan)
	if len(violations) > 0 {
		return fmt.Errorf("%d violations, the first: %s %s", len(violations), violations[0].Rule, violations[0].Text)
	}
	if checked != score {
		return fmt.Errorf("costs %v, the search says %v", checked, score)
	}
	return nil
}

// at is the best score that was known after some time.
func (m measured) at(after time.Duration) (model.Score, bool) {
	var best model.Score
	known := false
	for _, b := range m.better {
		if b.after <= after {
			best, known = b.score, true
		}
	}
	return best, known
}

// last is when the last better plan was found.
func (m measured) last() time.Duration { return m.better[len(m.better)-1].after }
