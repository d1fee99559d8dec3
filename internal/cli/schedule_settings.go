package cli

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

// planningFields are the fields of the settings by flag.
var planningFields = map[string]string{
	"weight": "weights", "days": "horizon_days", "plan-time": "plan_time", "solve-seconds": "solve_seconds", "replan-on-events": "replan_on_events",
	"work-rate": "work_rates", "walk": "walks", "default-walk": "default_walk_minutes", "inspections": "plan_inspections",
	"heat-temperature": "heat_temperature",
}

func (a *app) planningSettings() *cobra.Command {
	settings := &schedulev1.PlanningSettings{}
	var weights []weight
	var walks []*schedulev1.Walk
	var cmd *cobra.Command
	cmd = a.command(text{
		use: "settings", short: "Show or set how this nursery plans",
		long: `Shows how this nursery plans: what a plan is judged by, how many days ahead, when the
plan is made by itself. With flags it changes what is given; the rest stays, the other
weights, rates and ways too. Managers and owners only. Points are the nursery's own
measure: what counts is one weight against another. With --heat-temperature the time
that a person works in a house which is usually at least so hot counts towards their
limit a day (velamen schedule hours --max-protected). velamen ships no temperature: ask
what the law of your place and your adviser on health at work say.`,
		example: `  velamen schedule settings
  velamen schedule settings --days 7 --plan-time 05:30 --weight hour-late=10 --weight rinse=4 --replan-on-events
  velamen schedule settings --work-rate prune=5+20 --walk h1..h2=4 --default-walk 3`,
	}, func(ctx context.Context, _ []string) (err error) {
		if settings.Name, err = a.settingsName(); err != nil {
			return err
		}
		mask := given(cmd.Flags(), planningFields)
		stands, err := a.readSettings(ctx)
		if err != nil {
			return err
		}
		if len(mask.GetPaths()) == 0 {
			return a.show(ctx, stands, func(s *sheet) { s.settings(stands) })
		}
		settings.Weights = weighted(stands.GetWeights(), weights)
		settings.WorkRates = ratesWith(stands.GetWorkRates(), settings.GetWorkRates())
		if settings.Walks, err = a.walksWith(stands.GetWalks(), walks); err != nil {
			return err
		}
		settings.Etag = cmp.Or(settings.GetEtag(), stands.GetEtag())
		request := &schedulev1.UpdatePlanningSettingsRequest{PlanningSettings: settings, UpdateMask: mask}
		if request.RequestId, err = a.change(); err != nil {
			return err
		}
		set, err := call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.UpdatePlanningSettings, request)
		if err != nil {
			return err
		}
		return a.show(ctx, set, func(s *sheet) { s.settings(set) })
	})
	flags := cmd.Flags()
	eachFlag(flags, &weights, parseWeight, "what=points", "weight", "what counts how many points, as in hour-late=10: "+strings.Join(weightWords(), ", "))
	flags.Int32Var(&settings.HorizonDays, "days", 0, "days planned ahead")
	flags.StringVar(&settings.PlanTime, "plan-time", "", `when the plan is made by itself, as in 05:30; "" for never`)
	flags.Int32Var(&settings.SolveSeconds, "solve-seconds", 0, "longest time to work a plan out")
	flags.BoolVar(&settings.ReplanOnEvents, "replan-on-events", false, "a new case, an absence or a broken sprayer makes a new proposal; --replan-on-events=false ends that")
	flags.BoolVar(&settings.PlanInspections, "inspections", false, "plan routine inspections beside the steps; --inspections=false ends that")
	eachFlag(flags, &settings.WorkRates, parseWorkRate, "kind=minutes+minutes", "work-rate",
		"how long work without chemical takes: minutes, and minutes for each 100 plants, as in prune=5+20")
	eachFlag(flags, &walks, parseWalk, "house..house=minutes", "walk", "way from one house to another, as in h1..h2=4")
	flags.Int32Var(&settings.DefaultWalkMinutes, "default-walk", 0, "minutes between houses whose way is not given")
	flags.StringVar(&settings.HeatTemperature, "heat-temperature", "", `air temperature, Cel, from which work counts as work in heat, as in 32.5; "" for never`)
	etagFlag(cmd, &settings.Etag)
	return cmd
}

func (a *app) settingsName() (string, error) {
	parent, err := a.parent()
	return parent + "/planningSettings", err
}

func (a *app) readSettings(ctx context.Context) (*schedulev1.PlanningSettings, error) {
	name, err := a.settingsName()
	if err != nil {
		return nil, err
	}
	return call(ctx, a, schedulev1.NewScheduleServiceClient, schedulev1.ScheduleServiceClient.GetPlanningSettings,
		&schedulev1.GetPlanningSettingsRequest{Name: name})
}

// weight is one weight by the contract's name.
type weight struct {
	field  protoreflect.FieldDescriptor
	points int32
}

func weightFields() protoreflect.FieldDescriptors {
	return (&schedulev1.PlanningWeights{}).ProtoReflect().Descriptor().Fields()
}

// weightWords are the weights as people type them.
func weightWords() []string {
	fields := weightFields()
	all := make([]string, fields.Len())
	for i := range all {
		all[i] = dashed(fields.Get(i).Name())
	}
	return all
}

func dashed(name protoreflect.Name) string { return strings.ReplaceAll(string(name), "_", "-") }

// parseWeight reads a weight, as in "hour-late=10".
func parseWeight(typed string) (weight, error) {
	what, points, _ := cutName(typed)
	field := weightFields().ByName(protoreflect.Name(strings.ReplaceAll(what, "-", "_")))
	if field == nil {
		return weight{}, fmt.Errorf("%q is none of %s; write it as in hour-late=10", what, strings.Join(weightWords(), ", "))
	}
	number, err := strconv.ParseInt(points, 10, 32)
	if err != nil {
		return weight{}, fmt.Errorf("%q: points must be a whole number, as in hour-late=10", typed)
	}
	return weight{field, int32(number)}, nil
}

// weighted returns weights with some of them changed.
func weighted(stand *schedulev1.PlanningWeights, changes []weight) *schedulev1.PlanningWeights {
	weights := &schedulev1.PlanningWeights{}
	if stand != nil {
		weights = proto.CloneOf(stand)
	}
	for _, change := range changes {
		weights.ProtoReflect().Set(change.field, protoreflect.ValueOfInt32(change.points))
	}
	return weights
}

// parseWorkRate reads how long work takes, as in "prune=5+20".
func parseWorkRate(typed string) (*schedulev1.WorkRate, error) {
	kind, rate, found := cutName(typed)
	fixed, each, both := strings.Cut(rate, "+")
	fixedMinutes, errFixed := strconv.ParseInt(fixed, 10, 32)
	eachMinutes, errEach := strconv.ParseInt(each, 10, 32)
	if !found || !both || errFixed != nil || errEach != nil {
		return nil, fmt.Errorf("%q: write minutes and minutes for each 100 plants, as in prune=5+20", typed)
	}
	return &schedulev1.WorkRate{
		Kind:         strings.ToUpper(strings.ReplaceAll(kind, "-", "_")),
		FixedMinutes: int32(fixedMinutes), MinutesPer_100Plants: int32(eachMinutes),
	}, nil
}

// parseWalk reads the way between two houses, as in "h1..h2=4". The houses stay as
// they were typed.
func parseWalk(typed string) (*schedulev1.Walk, error) {
	houses, minutes, found := cutName(typed)
	one, other, both := strings.Cut(houses, "..")
	number, err := strconv.ParseInt(minutes, 10, 32)
	if !found || !both || err != nil {
		return nil, fmt.Errorf("%q: write two houses and the minutes between them, as in h1..h2=4", typed)
	}
	return &schedulev1.Walk{House: strings.TrimSpace(one), OtherHouse: strings.TrimSpace(other), Minutes: int32(number)}, nil
}

// ratesWith puts rates in the place of those of the same kind, or behind all.
func ratesWith(stand, changes []*schedulev1.WorkRate) []*schedulev1.WorkRate {
	rates := slices.Clone(stand)
	for _, change := range changes {
		rates = slices.DeleteFunc(rates, func(rate *schedulev1.WorkRate) bool { return rate.GetKind() == change.GetKind() })
		rates = append(rates, change)
	}
	return rates
}

// walksWith puts ways in the place of those between the same houses, or behind all.
func (a *app) walksWith(stand, changes []*schedulev1.Walk) (_ []*schedulev1.Walk, err error) {
	walks := slices.Clone(stand)
	for _, change := range changes {
		if change.House, err = a.name("--walk", change.GetHouse(), "houses"); err != nil {
			return nil, err
		}
		if change.OtherHouse, err = a.name("--walk", change.GetOtherHouse(), "houses"); err != nil {
			return nil, err
		}
		walks = slices.DeleteFunc(walks, func(walk *schedulev1.Walk) bool { return sameWay(walk, change) })
		walks = append(walks, change)
	}
	return walks, nil
}

// sameWay reports whether two ways lie between the same houses, in either direction.
func sameWay(a, b *schedulev1.Walk) bool {
	return (a.GetHouse() == b.GetHouse() && a.GetOtherHouse() == b.GetOtherHouse()) ||
		(a.GetHouse() == b.GetOtherHouse() && a.GetOtherHouse() == b.GetHouse())
}

func (s *sheet) settings(settings *schedulev1.PlanningSettings) {
	s.fact("Days planned ahead", settings.GetHorizonDays())
	s.fact("Made by itself at", cmp.Or(settings.GetPlanTime(), "never"))
	s.fact("Longest time to work it out", fmt.Sprintf("%d s", settings.GetSolveSeconds()))
	s.fact("Made anew on events", yes(settings.GetReplanOnEvents()))
	s.fact("Routine inspections", yes(settings.GetPlanInspections()))
	s.fact("Heat counts from", cmp.Or(celsius(settings.GetHeatTemperature()), "never"))
	s.fact("From house to house", fmt.Sprintf("%d min", settings.GetDefaultWalkMinutes()))
	for _, walk := range settings.GetWalks() {
		s.fact("From "+shortName(walk.GetHouse())+" to "+shortName(walk.GetOtherHouse()), fmt.Sprintf("%d min", walk.GetMinutes()))
	}
	s.fact("ETag", settings.GetEtag())
	s.line("")
	s.row("WEIGHT", "POINTS")
	weights, fields := settings.GetWeights().ProtoReflect(), weightFields()
	for i := range fields.Len() {
		s.row(dashed(fields.Get(i).Name()), weights.Get(fields.Get(i)).Int())
	}
	if len(settings.GetWorkRates()) == 0 {
		return
	}
	s.line("")
	s.row("WORK", "MINUTES", "FOR EACH 100 PLANTS")
	for _, rate := range settings.GetWorkRates() {
		s.row(strings.ToLower(strings.ReplaceAll(rate.GetKind(), "_", "-")), rate.GetFixedMinutes(), rate.GetMinutesPer_100Plants())
	}
}

// celsius writes a temperature with its unit; empty when there is none.
func celsius(degrees string) string {
	if degrees == "" {
		return ""
	}
	return degrees + " Cel"
}
