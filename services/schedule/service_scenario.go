package schedule

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/resource"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
	"velamen/services/treatment"
)

// CompareScenarios plans the same jobs under other conditions and sets the results side
// by side, the nursery as it is first. Nothing is kept.
func (s *Service) CompareScenarios(ctx context.Context, request *schedulev1.CompareScenariosRequest) (*schedulev1.CompareScenariosResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var in Input
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		in, err = readInput(ctx, tx, ids[0], s.db.Now(), int(request.GetHorizonDays()))
		return err
	})
	if err != nil {
		return nil, err
	}
	in.Lead = timeToAccept
	supposed, err := suppose(in, request.GetScenarios())
	if err != nil {
		return nil, err
	}
	limit := scenarioTime
	if request.GetSolveSeconds() > 0 {
		limit = time.Duration(request.GetSolveSeconds()) * time.Second
	}
	return compare(ctx, in, supposed, limit)
}

// supposition is a scenario with the input that it supposes.
type supposition struct {
	title string
	input Input
}

// suppose reads all scenarios before any is searched, so that a mistake costs no time.
func suppose(in Input, scenarios []*schedulev1.Scenario) ([]supposition, error) {
	titles := map[string]bool{asItIs: true}
	all := make([]supposition, len(scenarios))
	for i, scenario := range scenarios {
		field := fmt.Sprintf("scenarios[%d]", i)
		if titles[scenario.GetTitle()] {
			return nil, fault.Field(field+".title", "%q is the title of another one", scenario.GetTitle()).With("title", scenario.GetTitle())
		}
		titles[scenario.GetTitle()] = true
		input, err := in.supposed(field, scenario)
		if err != nil {
			return nil, err
		}
		all[i] = supposition{scenario.GetTitle(), input}
	}
	return all, nil
}

// compare searches the nursery as it is and each supposition with the same seed, each
// for no more rounds than the first unless that was proven best, and no longer than a
// limit. Each supposition begins from the plan of the nursery as it is, so that it is
// not worse only because it was searched less.
func compare(ctx context.Context, in Input, supposed []supposition, limit time.Duration) (*schedulev1.CompareScenariosResponse, error) {
	c := compile(in)
	first, err := solveWithin(ctx, c, c.toldPlan(), 0, limit)
	if err != nil {
		return nil, err
	}
	before := c.dayPlan(first.Plan, first.Score, provenBy(first.Bound))
	response := &schedulev1.CompareScenariosResponse{
		Results: []*schedulev1.ScenarioResult{shorten(asItIs, before, first.Rounds)}, Caution: treatment.Caution,
	}
	rounds := first.Rounds
	if first.Optimal {
		rounds = 0
	}
	for _, supposition := range supposed {
		c := compile(supposition.input)
		start, err := c.planOf(before, nil)
		if err != nil {
			return nil, err
		}
		found, err := solveWithin(ctx, c, start, rounds, limit)
		if err != nil {
			return nil, err
		}
		day := c.dayPlan(found.Plan, found.Score, provenBy(found.Bound))
		result := shorten(supposition.title, day, found.Rounds)
		result.Moved = moved(before, day)
		response.Results = append(response.Results, result)
	}
	return response, nil
}

// scenarioSeed is the seed of every scenario: what differs is what was supposed.
const scenarioSeed = 1

// solveWithin searches for some rounds, 0 for any number, and no longer than a limit. A
// pinned job that fits nowhere is left out like any other.
func solveWithin(ctx context.Context, c *compiled, start model.Plan, rounds int, limit time.Duration) (search.Result, error) {
	if len(c.problem.Jobs) == 0 {
		return search.Result{Optimal: true}, nil // there is nothing to place
	}
	timed, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	result, err := search.Solve(timed, c.problem, search.Options{Seed: scenarioSeed, Rounds: rounds, Start: start})
	if err != nil && !errors.Is(err, search.ErrPinned) {
		return search.Result{}, err
	}
	return result, ctx.Err()
}
