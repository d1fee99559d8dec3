package diagnosis

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/stock"
)

// evidence is what an assessment rests on.
type evidence struct {
	plant        knowledge.Plant
	observations []*diagnosisv1.Observation
	conditions   inference.Conditions
	results      []inference.Result
	samples      []string // names
	notes        []string
}

func (e *evidence) note(format string, args ...any) {
	e.notes = append(e.notes, fmt.Sprintf(format, args...))
}

// seen says whether a sign was found or a test was positive.
func (e *evidence) seen() bool {
	return slices.ContainsFunc(e.observations, func(o *diagnosisv1.Observation) bool {
		return o.GetPresence() == diagnosisv1.Presence_PRESENCE_OBSERVED
	}) || slices.ContainsFunc(e.results, func(r inference.Result) bool { return r.Positive })
}

// asked is what an assessment is asked of.
type asked struct {
	nursery     string
	inspections []inspectionRow
	// extra are signs besides; they replace those of the inspections.
	extra         []*diagnosisv1.Observation
	botanicalName string
	conditions    inference.Conditions
}

// weighedDays are the days before the last inspection whose climate counts: signs
// show days to weeks after their cause. It is a design value.
const weighedDays = 14

// gather collects what is known of the plants.
func gather(ctx context.Context, r postgres.Reader, a asked) (evidence, error) {
	e := evidence{conditions: a.conditions}
	lots, err := lotsOf(ctx, r, a.nursery, a.inspections)
	if err != nil {
		return evidence{}, err
	}
	e.takePlant(a.botanicalName, ownLots(lots, a.inspections), len(a.inspections) > 0)
	if err := e.takeSigns(a); err != nil {
		return evidence{}, err
	}
	if err := e.takeResults(ctx, r, a); err != nil {
		return evidence{}, err
	}
	return e, e.takeClimate(ctx, r, a, lots)
}

// lotsOf returns the lots that were inspected and those with plants on the benches
// that were, each once.
func lotsOf(ctx context.Context, r postgres.Reader, nursery string, inspections []inspectionRow) ([]stock.Lot, error) {
	var lots []stock.Lot
	var seen []target
	for _, inspection := range inspections {
		if slices.Contains(seen, inspection.target) {
			continue
		}
		seen = append(seen, inspection.target)
		more, err := lotsAt(ctx, r, nursery, inspection.target)
		if err != nil {
			return nil, err
		}
		for _, lot := range more {
			if !slices.ContainsFunc(lots, func(other stock.Lot) bool { return other.ID == lot.ID }) {
				lots = append(lots, lot)
			}
		}
	}
	return lots, nil
}

// lotsAt returns the lot of a target, or the lots that stand on its bench now.
func lotsAt(ctx context.Context, r postgres.Reader, nursery string, at target) ([]stock.Lot, error) {
	if at.lot != "" {
		return stock.ReadLots(ctx, r, nursery, []string{at.lot})
	}
	inHouse, err := stock.ReadLotsIn(ctx, r, nursery, at.house)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(inHouse, func(lot stock.Lot) bool { return lot.Bench != at.bench || lot.Plants == 0 }), nil
}

// ownLots are the inspected lots, where any was inspected itself: what else stands on
// its bench does not change which plant it is.
func ownLots(lots []stock.Lot, inspections []inspectionRow) []stock.Lot {
	own := slices.DeleteFunc(slices.Clone(lots), func(lot stock.Lot) bool {
		return !slices.ContainsFunc(inspections, func(i inspectionRow) bool { return i.target.lot == lot.ID })
	})
	if len(own) == 0 {
		return lots
	}
	return own
}

// takePlant decides for which plant is ranked: the one that was named, else the one
// taxon or genus that all lots share.
func (e *evidence) takePlant(named string, lots []stock.Lot, inspected bool) {
	base := knowledge.Shipped()
	if named == "" {
		var names, genera []string
		for _, lot := range lots {
			names, genera = append(names, lot.BotanicalName), append(genera, knowledge.Genus(lot.BotanicalName))
		}
		slices.Sort(names)
		slices.Sort(genera)
		names, genera = slices.Compact(names), slices.Compact(genera)
		switch {
		case len(names) == 1:
			named = names[0]
		case len(genera) == 1:
			named = genera[0]
		case len(genera) > 1:
			e.note("%d genera stand there, so it was ranked for plants of any kind.", len(genera))
			return
		case inspected:
			e.note("No lot stands on the bench, so it was ranked for plants of any kind.")
			return
		default:
			e.note("No plant was named, so it was ranked for plants of any kind.")
			return
		}
	}
	e.plant = base.PlantOf(named)
	if other := slices.IndexFunc(lots, func(lot stock.Lot) bool { return knowledge.Genus(lot.BotanicalName) != e.plant.Genus }); other >= 0 {
		e.note("It was ranked for %s, as was asked; lot %s is %s.", named, lots[other].ID, lots[other].BotanicalName)
	}
	if e.plant.Group == "" {
		e.note("%s is in no plant group of the knowledge, so it was ranked for plants of any kind.", named)
	}
}

// takeSigns joins the signs of the inspections, the oldest first, with the signs
// besides. A newer finding replaces an older one of the same sign and organ, and one
// that it rules out.
func (e *evidence) takeSigns(a asked) error {
	if err := checkConsistent("observations", e.plant, a.extra); err != nil {
		return err
	}
	inspections := slices.Clone(a.inspections)
	slices.SortStableFunc(inspections, func(a, b inspectionRow) int {
		return cmp.Or(a.inspectTime.Compare(b.inspectTime), a.createTime.Compare(b.createTime), cmp.Compare(a.id, b.id))
	})
	for _, inspection := range inspections {
		e.join(inspection.contract().GetObservations(), "inspected on "+inspection.inspectTime.Format(time.DateOnly))
	}
	e.join(a.extra, "asked of")
	err := checkConsistent("inspections", e.plant, e.observations)
	var wrong *fault.Fault
	if errors.As(err, &wrong) {
		// It is the older inspection that says so, from before such were refused.
		broken := *wrong
		broken.Field = "inspections"
		return &broken
	}
	return err
}

// join adds newer observations. when says where they come from.
func (e *evidence) join(newer []*diagnosisv1.Observation, when string) {
	older := e.observations
	for _, o := range newer {
		if slices.Contains(e.plant.Lacks, o.GetOrgan()) {
			e.note("%s has no %s: %q is left out.", e.plant.Genus, organNames([]diagnosisv1.Organ{o.GetOrgan()}), o.GetSign())
			continue
		}
		older = slices.DeleteFunc(older, func(old *diagnosisv1.Observation) bool {
			same := old.GetOrgan() == o.GetOrgan() && old.GetSign() == o.GetSign()
			if !same && e.clash(old, o) {
				e.note("%q and %q cannot both be true of one %s: what was %s counts.", old.GetSign(), o.GetSign(),
					organNames([]diagnosisv1.Organ{o.GetOrgan()}), when)
				return true
			}
			return same
		})
	}
	e.observations = older
	for _, o := range newer {
		if !slices.Contains(e.plant.Lacks, o.GetOrgan()) {
			e.observations = append(e.observations, o)
		}
	}
}

// clash reports whether two observations cannot both be true.
func (e *evidence) clash(a, b *diagnosisv1.Observation) bool {
	return inference.Check(knowledge.Shipped(), inference.Case{Findings: findingsOf([]*diagnosisv1.Observation{a, b})}) != nil
}

// takeResults takes the results of the inspections' samples.
func (e *evidence) takeResults(ctx context.Context, r postgres.Reader, a asked) error {
	if len(a.inspections) == 0 {
		return nil
	}
	samples, err := readReported(ctx, r, a.nursery, idsOf(a.inspections))
	if err != nil {
		return err
	}
	for _, sample := range samples {
		name := sampleName(sample.nursery, sample.id)
		if outcomeOf(sample.outcome) == diagnosisv1.TestOutcome_TEST_OUTCOME_INCONCLUSIVE {
			e.note("The result of %s is inconclusive and says nothing.", name)
			continue
		}
		e.samples = append(e.samples, name)
		e.results = append(e.results, inference.Result{
			Sample: name, Test: sample.test, Disorder: sample.disorder,
			Positive: outcomeOf(sample.outcome) == diagnosisv1.TestOutcome_TEST_OUTCOME_POSITIVE,
		})
	}
	return nil
}

func idsOf(inspections []inspectionRow) []string {
	ids := make([]string, len(inspections))
	for i, inspection := range inspections {
		ids[i] = inspection.id
	}
	return ids
}

// takeClimate fills in what nobody said of the conditions from the climate record of
// the house, when all plants stand in one.
func (e *evidence) takeClimate(ctx context.Context, r postgres.Reader, a asked, lots []stock.Lot) error {
	var houses []string
	var last time.Time
	for _, inspection := range a.inspections {
		if inspection.target.house != "" {
			houses = append(houses, inspection.target.house)
		}
		if inspection.inspectTime.After(last) {
			last = inspection.inspectTime
		}
	}
	for _, lot := range lots {
		houses = append(houses, lot.House)
	}
	slices.Sort(houses)
	if houses = slices.Compact(houses); len(houses) != 1 {
		return nil
	}
	measured, err := meanConditions(ctx, r, a.nursery, houses[0], last.AddDate(0, 0, -weighedDays), last)
	if err != nil {
		return err
	}
	e.conditions = filledIn(e.conditions, measured)
	return nil
}

// filledIn are conditions with what is not known in them taken from others.
func filledIn(c, from inference.Conditions) inference.Conditions {
	c.TemperatureC = cmp.Or(c.TemperatureC, from.TemperatureC)
	c.HumidityPercent = cmp.Or(c.HumidityPercent, from.HumidityPercent)
	c.WetHoursPerDay = cmp.Or(c.WetHoursPerDay, from.WetHoursPerDay)
	c.Light = cmp.Or(c.Light, from.Light)
	c.WetMedium = cmp.Or(c.WetMedium, from.WetMedium)
	return c
}
