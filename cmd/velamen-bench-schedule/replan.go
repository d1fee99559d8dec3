package main

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"strings"
	"time"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// replanLimit is how long a new plan after one change may be searched.
const replanLimit = 2 * time.Second

// replanRow is a plan that was made anew after one change.
type replanRow struct {
	Jobs              int     `json:"jobs"`
	FirstMilliseconds float64 `json:"first_milliseconds"`
	LastMilliseconds  float64 `json:"last_milliseconds"`
	// Untouched jobs that the old plan places, and how many of them have another start,
	// person or way in the first and in the last new plan.
	Untouched  int `json:"untouched"`
	MovedFirst int `json:"moved_first"`
	Moved      int `json:"moved"`
}

// measureReplan lets one job wait a day longer than planned and plans anew from the
// old plan, of which people were told.
func measureReplan(ctx context.Context, p *model.Problem, old model.Plan, r *report, t *table) error {
	changed, job, err := delayed(p, old)
	if err != nil {
		return err
	}
	m, err := solve(ctx, changed, replanLimit, search.Options{Start: old, Touched: []int32{job}})
	if err != nil {
		return err
	}
	row := replanRow{Jobs: len(p.Jobs), FirstMilliseconds: milliseconds(m.better[0].after), LastMilliseconds: milliseconds(m.last())}
	for j := range old {
		if int32(j) == job || !old[j].Placed {
			continue
		}
		row.Untouched++
		if moved(old[j], m.first[j]) {
			row.MovedFirst++
		}
		if moved(old[j], m.result.Plan[j]) {
			row.Moved++
		}
	}
	r.Replan = &row
	t.line("")
	t.line("One job of %d waits a day longer: new plan after %.0f ms, best of %v after %.0f ms. "+
		"Of %d untouched jobs %d moved in the first new plan (%s) and %d in the best (%s).", row.Jobs, row.FirstMilliseconds, replanLimit,
		row.LastMilliseconds, row.Untouched, row.MovedFirst, share(row.MovedFirst, row.Untouched), row.Moved, share(row.Moved, row.Untouched))
	return nil
}

func moved(before, after model.Placement) bool {
	return !after.Placed || before.Start != after.Start || before.Person != after.Person || before.Way != after.Way
}

// told is what one job costs that is not as people were told, and tolerance by how
// many minutes it may start at another time.
const (
	told      = 20_000_000
	tolerance = 15
)

// delayed is the problem with people told of the plan and one job, in the middle of
// the plan, that may start only a day after it was to.
func delayed(p *model.Problem, plan model.Plan) (*model.Problem, int32, error) {
	changed := *p
	changed.Jobs = slices.Clone(p.Jobs)
	const day = 24 * 60
	chosen := int32(model.None)
	for j := range changed.Jobs {
		place, job := plan[j], &changed.Jobs[j]
		if !place.Placed {
			continue
		}
		job.Told = &model.Told{Start: place.Start, Person: place.Person, Way: place.Way, Tolerance: tolerance, Weight: told}
		if chosen == model.None && place.Start > 3*day && len(job.Needs) == 0 && place.Start+3*day < job.Deadline {
			chosen = int32(j)
			job.Release, job.Due, job.Told = place.Start+day, max(job.Due, place.Start+day), nil
		}
	}
	if chosen == model.None {
		return nil, chosen, errors.New("no job of the plan can wait a day longer")
	}
	return &changed, chosen, nil
}

// sameRow tells whether the same seed and rounds gave the same plan.
type sameRow struct {
	Jobs   int  `json:"jobs"`
	Rounds int  `json:"rounds"`
	Same   bool `json:"same"`
}

// measureSame searches the same nursery on one processor and on two.
func measureSame(ctx context.Context, o options, r *report, t *table) error {
	if !strings.Contains("same", o.only) {
		return nil
	}
	t.line("")
	for _, row := range []sameRow{{Jobs: 50, Rounds: 10}, {Jobs: 500, Rounds: 4}} {
		var hashes [2][32]byte
		for i := range hashes {
			before := runtime.GOMAXPROCS(i + 1)
			result, err := search.Solve(ctx, benchmark.Nursery(nurserySeed, row.Jobs), search.Options{Seed: seed, Rounds: row.Rounds})
			runtime.GOMAXPROCS(before)
			if err != nil {
				return err
			}
			hashes[i] = result.Plan.Hash()
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		row.Same = hashes[0] == hashes[1]
		r.Same = append(r.Same, row)
		if !row.Same {
			r.fail("nursery %d: another plan on two processors than on one", row.Jobs)
		}
		t.line("Nursery of %d jobs, %d rounds on one processor and on two: the same plan: %s.", row.Jobs, row.Rounds, yes(row.Same))
	}
	return nil
}
