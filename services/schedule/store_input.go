package schedule

import (
	"context"
	"fmt"
	"slices"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment"
	"velamen/services/treatment/rules"
)

// readInput reads all that a plan from a moment on depends on, for so many days, today
// included; 0 for those of the settings. All of it must come from one snapshot.
func readInput(ctx context.Context, r postgres.Reader, nursery string, now time.Time, days int) (Input, error) {
	in := Input{Now: now.UTC()}
	var err error
	if in.Nursery, err = identity.ReadNursery(ctx, r, nursery); err != nil {
		return Input{}, err
	}
	if in.Settings, err = readSettings(ctx, r, nursery); err != nil {
		return Input{}, err
	}
	if days == 0 {
		days = int(in.Settings.HorizonDays)
	}
	in.From, in.Until = planned(in.Now, days, in.Nursery.Zone)
	for _, read := range []func(context.Context, postgres.Reader) error{
		in.readPeople, in.readSprayers, in.readHouses, in.readTreated, in.closeBegun, in.readSteps, in.readInspections,
	} {
		if err := read(ctx, r); err != nil {
			return Input{}, err
		}
	}
	if in.Pins, err = readPins(ctx, r, nursery); err != nil {
		return Input{}, err
	}
	if in.Told, err = readTold(ctx, r, nursery); err != nil {
		return Input{}, err
	}
	year, month, day := in.From.In(in.Nursery.Zone).Date()
	in.Begun, err = readBegunSince(ctx, r, nursery, clock.Midnight(year, month, day, in.Nursery.Zone), in.From)
	return in, err
}

// planned returns the first whole minute from a moment on and the end of the last of
// so many days of a zone.
func planned(now time.Time, days int, zone *time.Location) (from, until time.Time) {
	from = now.Truncate(time.Minute)
	if from.Before(now) {
		from = from.Add(time.Minute)
	}
	year, month, day := from.In(zone).Date()
	return from, clock.Midnight(year, month, day+max(days, 1), zone)
}

func (in *Input) readPeople(ctx context.Context, r postgres.Reader) error {
	people, err := identity.ReadPeople(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	patterns, err := readWorkPatterns(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	for _, person := range people {
		in.People = append(in.People, Applicator{Person: person, WorkPattern: patterns[person.ID]})
	}
	return nil
}

func (in *Input) readSprayers(ctx context.Context, r postgres.Reader) error {
	rows, err := querySprayers(ctx, r, ` ORDER BY id COLLATE "C"`, map[string]any{"nursery": in.Nursery.ID})
	for _, row := range rows {
		in.Sprayers = append(in.Sprayers, row.Sprayer)
	}
	return err
}

// readHouses reads the houses with their benches, their calendars and until when they
// are closed.
func (in *Input) readHouses(ctx context.Context, r postgres.Reader) error {
	houses, err := stock.ReadHouses(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	calendars, err := readHouseCalendars(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	benches, err := stock.ReadBenches(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	at := map[string]int{}
	for i, house := range houses {
		at[house.ID] = i
		in.Houses = append(in.Houses, HousePlace{House: house, HouseCalendar: calendars[house.ID]})
	}
	for _, bench := range benches {
		if i, known := at[bench.House]; known {
			in.Houses[i].Benches = append(in.Houses[i].Benches, bench.ID)
		}
	}
	usual, err := diagnosis.ReadUsualTemperatures(ctx, r, in.Nursery.ID, in.Nursery.Zone, in.Now.AddDate(0, 0, -usualDays), in.Now)
	if err != nil {
		return err
	}
	for i := range in.Houses {
		in.Houses[i].Usual = usual[in.Houses[i].ID]
	}
	premises, err := treatment.ReadPremises(ctx, r, in.Nursery.ID, in.Now)
	if err != nil {
		return err
	}
	for _, place := range premises.ClosedPlaces(in.Now) {
		if i, known := at[place.House]; known {
			in.Houses[i].Closed = append(in.Houses[i].Closed, closuresIn(place, &in.Houses[i])...)
		}
	}
	return nil
}

// readTreated marks the houses in which only trained people may work.
func (in *Input) readTreated(ctx context.Context, r postgres.Reader) error {
	treated, err := treatment.ReadTreatedHouses(ctx, r, in.Nursery, in.From, in.Until)
	for i := range in.Houses {
		_, in.Houses[i].Treated = treated[in.Houses[i].ID]
	}
	return err
}

// closuresIn returns what a closed place closes in its house: its benches where the house
// closes by bench, or where only a lot was set down that was treated elsewhere, else the
// house.
func closuresIn(place treatment.ClosedPlace, house *HousePlace) []Closure {
	if len(place.Benches) == 0 || (!house.ClosesByBench && !place.Moved) {
		return []Closure{{Start: place.Start, End: place.End}}
	}
	var closures []Closure
	for _, bench := range place.Benches {
		closures = append(closures, Closure{Bench: bench, Start: place.Start, End: place.End})
	}
	return closures
}

// closeBegun closes what people were told to apply something in, from its start until
// it may be entered, although nobody has confirmed it: that it was not done is not
// known. Beside a house that is being sprayed nobody works either. A house is closed by
// bench only as far as after a confirmed application.
func (in *Input) closeBegun(ctx context.Context, r postgres.Reader) error {
	begun, err := readBegun(ctx, r, in.Nursery.ID, in.From)
	if err != nil || len(begun) == 0 {
		return err
	}
	lots, err := stock.ReadStocked(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	labels, err := products.ReadProducts(ctx, r, in.Nursery.ID)
	if err != nil {
		return err
	}
	for _, a := range begun {
		if a.job.GetProduct() == "" {
			continue
		}
		told, err := toldEntry(a.job, labels)
		if err != nil {
			return fmt.Errorf("assignment %s: %w", a.id, err)
		}
		in.closeTold(told, lots)
	}
	return nil
}

// toldApplication is something that people were told to apply and that nobody has
// confirmed.
type toldApplication struct {
	method  productsv1.Method
	product products.Product
	// houses and lots are the ids of those to be treated.
	houses, lots []string
	// start and end of the work, and until when the houses stay closed.
	start, end, until time.Time
}

// toldEntry returns what a job that applies something closes, as it was told. Labels are
// the products of the nursery.
func toldEntry(job *schedulev1.PlannedJob, labels []products.Product) (toldApplication, error) {
	method, err := products.ParseMethod(job.GetKind())
	if err != nil {
		return toldApplication{}, err
	}
	told := toldApplication{method: method, start: job.GetStartTime().AsTime(), end: job.GetEndTime().AsTime()}
	if i := slices.IndexFunc(labels, func(p products.Product) bool { return p.ID == lastPart(job.GetProduct()) }); i >= 0 {
		told.product = labels[i]
	}
	told.until = told.end
	if job.GetClosedUntilTime() != nil {
		told.until = later(told.until, job.GetClosedUntilTime().AsTime())
	}
	for _, lot := range job.GetLots() {
		told.lots = append(told.lots, lastPart(lot))
	}
	for _, house := range job.GetHouses() {
		told.houses = append(told.houses, lastPart(house))
	}
	return told, nil
}

// closeTold closes the houses in which something was to be applied, and while it is
// sprayed those that share their air.
func (in *Input) closeTold(told toldApplication, lots []stock.Lot) {
	for _, id := range told.houses {
		i := slices.IndexFunc(in.Houses, func(h HousePlace) bool { return h.ID == id })
		if i < 0 {
			continue
		}
		in.Houses[i].Closed = append(in.Houses[i].Closed, told.closures(&in.Houses[i], lots)...)
		if told.method != productsv1.Method_METHOD_SPRAY {
			continue
		}
		for k := range in.Houses {
			if slices.Contains(in.Houses[i].Adjoining, in.Houses[k].ID) {
				in.Houses[k].Closed = append(in.Houses[k].Closed, Closure{Start: told.start, End: told.end})
			}
		}
	}
}

// closures returns what is closed in a house: the benches of its lots where that is
// enough and all of them still stand in the houses that were to be treated, else the
// house: where a lot stood that is gone is not known.
func (told toldApplication) closures(house *HousePlace, lots []stock.Lot) []Closure {
	var benches []string
	there := 0
	for _, lot := range lots {
		if !slices.Contains(told.lots, lot.ID) || !slices.Contains(told.houses, lot.House) {
			continue
		}
		there++
		if lot.House == house.ID && !slices.Contains(benches, lot.Bench) {
			benches = append(benches, lot.Bench)
		}
	}
	whole := treatment.ClosingOf("", house.House, told.method, told.product).WholeHouse
	if whole || !house.ClosesByBench || len(benches) == 0 || there < len(told.lots) {
		return []Closure{{Start: told.start, End: told.until}}
	}
	slices.Sort(benches)
	var closures []Closure
	for _, bench := range benches {
		closures = append(closures, Closure{Bench: bench, Start: told.start, End: told.until})
	}
	return closures
}

// readSteps reads the steps of programs that can be planned, with the products for
// them.
func (in *Input) readSteps(ctx context.Context, r postgres.Reader) error {
	var applicators []identity.Person
	for _, applicator := range in.People {
		if applicator.Applies && !applicator.Person.Disabled {
			applicators = append(applicators, applicator.Person)
		}
	}
	steps, err := treatment.ReadPlannedSteps(ctx, r, in.Nursery.ID, in.Now, in.Until, applicators)
	if err != nil {
		return err
	}
	apart := keptApart(in.Nursery.ID, steps)
	for _, step := range steps {
		work := Work{
			Job: step.Name, Title: step.Title, Kind: step.Kind, Lots: step.Lots, Open: step.Open, Due: step.Due, Overdue: step.Overdue,
			Risk: step.Risk, Class: step.Class, Impossible: step.Refused,
		}
		for _, after := range step.After {
			work.After = append(work.After, After{Job: after.Step, Least: after.Min, Due: after.Due, Max: after.Max})
		}
		if step.Product != nil {
			work.Chemical = chemicalOf(in.Nursery.ID, step.Product)
			work.Chemical.KeptApart = apart[work.Chemical.Product]
		}
		in.Work = append(in.Work, work)
	}
	return nil
}

func productName(nursery, id string) string { return resource.Of("nurseries", nursery, "products", id) }

func chemicalOf(nursery string, product *treatment.PlannedProduct) *Chemical {
	return &Chemical{
		Product: productName(nursery, product.Product.ID), DisplayName: product.Product.DisplayName, Mix: product.Mix,
		Method: product.Method, Restricted: product.Product.RestrictedUse, Volume: product.MixVolume,
		Label: product.Product, RestrictedEntryInterval: product.RestrictedEntryInterval, Protected: product.Protected,
		Earliest: product.NotBefore, Waits: product.Waits, Temperatures: product.Temperatures,
	}
}

// keptApart returns, by product name, the products of other steps that must not meet
// it.
func keptApart(nursery string, steps []treatment.PlannedStep) map[string][]string {
	apart := map[string][]string{}
	for i := range steps {
		for k := range steps {
			if steps[i].Product == nil || steps[k].Product == nil {
				continue
			}
			one, other := steps[i].Product.Product, steps[k].Product.Product
			from, to := productName(nursery, one.ID), productName(nursery, other.ID)
			if one.ID != other.ID && !slices.Contains(apart[from], to) && rules.KeptApart(one, other) {
				apart[from] = append(apart[from], to)
			}
		}
	}
	for _, names := range apart {
		slices.Sort(names)
	}
	return apart
}

// routineRisk is how much a routine inspection that waits matters, beside disorders
// that are found already. Design value.
const routineRisk = 2

// readInspections reads the houses that want a routine inspection in the days planned:
// today those that should be looked at today, until the last day all others.
func (in *Input) readInspections(ctx context.Context, r postgres.Reader) error {
	if !in.Settings.PlanInspections {
		return nil
	}
	_, tonight := planned(in.Now, 1, in.Nursery.Zone)
	ends := []time.Time{tonight, in.Until}
	var days []string
	for _, end := range ends {
		days = append(days, end.Add(-time.Minute).In(in.Nursery.Zone).Format(time.DateOnly))
	}
	found, err := treatment.ReadRoutineInspections(ctx, r, in.Nursery.ID, days, in.Now)
	if err != nil {
		return err
	}
	seen := map[string]bool{}
	for i, inspections := range found {
		for _, inspection := range inspections {
			if !seen[inspection.House] {
				seen[inspection.House] = true
				in.Work = append(in.Work, in.routine(inspection, ends[i]))
			}
		}
	}
	return nil
}

// routine is a routine inspection that is due by the end of a day.
func (in *Input) routine(inspection treatment.RoutineInspection, end time.Time) Work {
	title := inspection.House
	if i := slices.IndexFunc(in.Houses, func(h HousePlace) bool { return h.ID == inspection.House }); i >= 0 {
		title = in.Houses[i].DisplayName
	}
	lots, plants := in.round(inspection.Lots)
	what := fmt.Sprintf("Inspect %s: %s to look at", title, counted(len(lots), "lot"))
	if len(lots) < len(inspection.Lots) {
		what = fmt.Sprintf("Inspect %s: the weightiest %d of %d lots to look at", title, len(lots), len(inspection.Lots))
	}
	return Work{
		Job: resource.Of("nurseries", in.Nursery.ID, "houses", inspection.House), Title: what,
		Kind: treatmentv1.StepKind_STEP_KIND_INSPECT, Lots: lots, Plants: plants,
		Open: in.Now, Due: end, Overdue: end.Add(24 * time.Hour), Risk: routineRisk,
		Class: diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED,
	}
}

// longestRound is how long one routine inspection of a house may take: half a working
// day, so that it fits into somebody's shift. What is left stands in the plan that
// comes after it. Design value.
const longestRound = 4 * 60

// round returns the weightiest lots that can be looked at in one round, at least one,
// and the plants to look at in them.
func (in *Input) round(wanted []treatment.LotToInspect) (lots []stock.Lot, plants int64) {
	rate, _ := in.Settings.rate(treatmentv1.StepKind_STEP_KIND_INSPECT)
	for _, lot := range wanted {
		if len(lots) > 0 && rate.minutes(plants+lot.Plants) > longestRound {
			break
		}
		lots, plants = append(lots, lot.Lot), plants+lot.Plants
	}
	return lots, plants
}
