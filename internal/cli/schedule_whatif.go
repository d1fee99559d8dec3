package cli

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// suppositions are the scenarios that flags describe, in their order. A --scenario
// begins a new one; the flags behind it belong to it.
type suppositions struct {
	scenarios []*schedulev1.Scenario
	// weights are those of each scenario that differ from the settings' own.
	weights [][]weight
}

// begin adds a scenario.
func (u *suppositions) begin(title string) {
	u.scenarios = append(u.scenarios, &schedulev1.Scenario{Title: title})
	u.weights = append(u.weights, nil)
}

// last is the scenario that a flag belongs to.
func (u *suppositions) last() *schedulev1.Scenario {
	if len(u.scenarios) == 0 {
		u.begin("")
	}
	return u.scenarios[len(u.scenarios)-1]
}

// suppose is a flag whose text changes the last scenario.
func (u *suppositions) suppose(flags *pflag.FlagSet, kind, name, usage string, change func(typed string) error) {
	flags.Var(&parsed{kind: kind, parse: change}, name, usage)
}

func (u *suppositions) flags(flags *pflag.FlagSet) {
	u.suppose(flags, "title", "scenario", "begin a scenario with this title; the flags behind it belong to it (may be repeated)", func(typed string) error {
		u.begin(typed)
		return nil
	})
	for _, list := range []struct {
		name, kind, usage string
		of                func(*schedulev1.Scenario) *[]string
	}{
		{"absent", "person", "a person who is away", func(s *schedulev1.Scenario) *[]string { return &s.AbsentPeople }},
		{"broken", "sprayer", "a sprayer that is out of service", func(s *schedulev1.Scenario) *[]string { return &s.BrokenSprayers }},
		{"extra-person-like", "person", "one more person like this one", func(s *schedulev1.Scenario) *[]string { return &s.ExtraPeopleLike }},
		{"extra-sprayer-like", "sprayer", "one more sprayer like this one", func(s *schedulev1.Scenario) *[]string { return &s.ExtraSprayersLike }},
	} {
		u.suppose(flags, list.kind, list.name, list.usage+" (may be repeated)", func(typed string) error {
			names := list.of(u.last())
			*names = append(*names, typed)
			return nil
		})
	}
	u.suppose(flags, "minutes", "longer-shifts", "minutes by which every shift is longer", func(typed string) error {
		number, err := strconv.ParseInt(typed, 10, 32)
		u.last().LongerShiftMinutes = int32(number)
		return err
	})
	u.suppose(flags, "what=points", "weight", "another weight, as in hour-late=10 (may be repeated): "+strings.Join(weightWords(), ", "), func(typed string) error {
		change, err := parseWeight(typed)
		u.last()
		u.weights[len(u.weights)-1] = append(u.weights[len(u.weights)-1], change)
		return err
	})
	u.suppose(flags, "yes|no", "without-pins", "ignore pins: yes or no", func(typed string) error {
		without, err := parseYesNo(typed)
		u.last().WithoutPins = err == nil && *without
		return err
	})
}

// said returns the scenarios with whole names, titles and weights.
func (u *suppositions) said(ctx context.Context, a *app) (_ []*schedulev1.Scenario, err error) {
	if len(u.scenarios) == 0 {
		return nil, usagef("nothing is supposed: give at least one of --absent, --broken, --extra-person-like, --extra-sprayer-like, --longer-shifts, --weight, --without-pins")
	}
	for i, scenario := range u.scenarios {
		if scenario.GetTitle() == "" {
			scenario.Title = titleOf(scenario, u.weights[i])
		}
		if scenario.AbsentPeople, err = a.names("--absent", scenario.GetAbsentPeople(), "people"); err != nil {
			return nil, err
		}
		if scenario.BrokenSprayers, err = a.names("--broken", scenario.GetBrokenSprayers(), "sprayers"); err != nil {
			return nil, err
		}
		if scenario.ExtraPeopleLike, err = a.names("--extra-person-like", scenario.GetExtraPeopleLike(), "people"); err != nil {
			return nil, err
		}
		if scenario.ExtraSprayersLike, err = a.names("--extra-sprayer-like", scenario.GetExtraSprayersLike(), "sprayers"); err != nil {
			return nil, err
		}
		if len(u.weights[i]) > 0 {
			settings, err := a.readSettings(ctx)
			if err != nil {
				return nil, err
			}
			scenario.Weights = weighted(settings.GetWeights(), u.weights[i])
		}
	}
	return u.scenarios, nil
}

// longestTitle is how long the contract lets a title be.
const longestTitle = 60

// titleOf says in a few words what a scenario without a title supposes.
func titleOf(scenario *schedulev1.Scenario, weights []weight) string {
	var parts []string
	for _, away := range append(scenario.GetAbsentPeople(), scenario.GetBrokenSprayers()...) {
		parts = append(parts, "without "+shortName(away))
	}
	for _, extra := range append(scenario.GetExtraPeopleLike(), scenario.GetExtraSprayersLike()...) {
		parts = append(parts, "one more "+shortName(extra))
	}
	if scenario.GetLongerShiftMinutes() > 0 {
		parts = append(parts, fmt.Sprintf("shifts %d min longer", scenario.GetLongerShiftMinutes()))
	}
	for _, changed := range weights {
		parts = append(parts, fmt.Sprintf("%s %d", dashed(changed.field.Name()), changed.points))
	}
	if scenario.GetWithoutPins() {
		parts = append(parts, "without pins")
	}
	title := strings.Join(parts, ", ")
	if len(parts) == 0 {
		title = "unchanged"
	}
	if runes := []rune(title); len(runes) > longestTitle {
		title = string(runes[:longestTitle-1]) + "…"
	}
	return title
}

func (a *app) whatIf() *cobra.Command {
	request := &schedulev1.CompareScenariosRequest{}
	supposed := &suppositions{}
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "whatif", short: "Compare plans under other conditions",
		long: `Plans the same jobs as they are and under other conditions, and sets the results side
by side: what is planned, what is left out, and what it costs. Nothing is kept. Several
scenarios are told apart by --scenario TITLE before the flags of each. Managers and
owners only. ` + Caution,
		example: `  velamen schedule whatif --absent wandile
  velamen schedule whatif --scenario "Wandile away" --absent wandile --scenario "second cart" --extra-sprayer-like tank-1 --longer-shifts 60
  velamen schedule whatif --weight hour-late=50 --without-pins yes --days 3 --solve-seconds 10`,
	}, func(ctx context.Context, _ []string) (err error) {
		if request.Parent, err = a.parent(); err != nil {
			return err
		}
		if request.Scenarios, err = supposed.said(ctx, a); err != nil {
			return err
		}
		// Each scenario, and the nursery as it is, may take its whole time.
		solving := time.Duration(len(request.GetScenarios())+1) * max(time.Duration(request.GetSolveSeconds())*time.Second, defaultScenarioSolve)
		comparing, cancel := context.WithTimeout(cmd.Context(), a.flags.timeout+solving)
		defer cancel()
		compared, err := call(comparing, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.CompareScenarios, request)
		if err != nil {
			return err
		}
		return a.showWithItsCaution(comparing, compared, func(s *sheet) { s.sideBySide(compared.GetResults()) })
	})
	supposed.flags(cmd.Flags())
	cmd.Flags().Int32Var(&request.HorizonDays, "days", 0, "days to plan (default: as the settings say)")
	cmd.Flags().Int32Var(&request.SolveSeconds, "solve-seconds", 0, "longest time for each (default 5)")
	return cmd
}

// defaultScenarioSolve is the contract's time for a scenario where none is given.
const defaultScenarioSolve = 5 * time.Second

// sideBySide draws a column for each scenario.
func (s *sheet) sideBySide(results []*schedulev1.ScenarioResult) {
	line := func(heading string, value func(*schedulev1.ScenarioResult) any) {
		cells := []any{heading}
		for _, result := range results {
			cells = append(cells, value(result))
		}
		s.row(cells...)
	}
	line("WHAT", func(r *schedulev1.ScenarioResult) any { return r.GetTitle() })
	line("jobs planned", func(r *schedulev1.ScenarioResult) any { return r.GetPlanned() })
	line("jobs left out", func(r *schedulev1.ScenarioResult) any { return len(r.GetLeftOut()) })
	line("jobs elsewhere", func(r *schedulev1.ScenarioResult) any { return r.GetMoved() })
	for _, term := range termsOf(results) {
		line(term, func(r *schedulev1.ScenarioResult) any { return pointsOf(r.GetTerms(), term) })
	}
	line("in all, points", func(r *schedulev1.ScenarioResult) any { return shownPoints(r.GetPoints()) })
	line("none below", func(r *schedulev1.ScenarioResult) any { return shownPoints(r.GetBound()) })
	line("rounds", func(r *schedulev1.ScenarioResult) any { return r.GetRounds() })
	if leaveOutUnlike(results) {
		s.line("")
		s.line("What is left out costs no points: compare points only where the same jobs are left out.")
	}
	for _, result := range results {
		if len(result.GetLeftOut()) == 0 {
			continue
		}
		s.line("")
		s.line("Left out, %s:", printable(result.GetTitle()))
		for _, job := range result.GetLeftOut() {
			s.line("  %s", printable(job))
		}
	}
}

// leaveOutUnlike says whether the scenarios leave out different jobs, so that fewer
// points need not mean a better plan.
func leaveOutUnlike(results []*schedulev1.ScenarioResult) bool {
	for _, result := range results {
		if !slices.Equal(result.GetLeftOut(), results[0].GetLeftOut()) {
			return true
		}
	}
	return false
}

// termsOf lists the terms of all results, each once, in the order in which they come.
func termsOf(results []*schedulev1.ScenarioResult) []string {
	var terms []string
	seen := map[string]bool{}
	for _, result := range results {
		for _, term := range result.GetTerms() {
			if !seen[term.GetTerm()] {
				seen[term.GetTerm()] = true
				terms = append(terms, term.GetTerm())
			}
		}
	}
	return terms
}

func pointsOf(terms []*schedulev1.PlanTerm, name string) string {
	for _, term := range terms {
		if term.GetTerm() == name {
			return shownPoints(term.GetPoints())
		}
	}
	return "0"
}
