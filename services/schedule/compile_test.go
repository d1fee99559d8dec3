package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/schedule/model"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// sixOClock is 06:00 in Johannesburg, a Monday.
var sixOClock = time.Date(2027, time.March, 1, 4, 0, 0, 0, time.UTC)

// smallNursery is two houses side by side, of which the first is aired by vents, a
// person who applies and one who does not, a knapsack, and two days.
func smallNursery(t *testing.T, work ...Work) Input {
	t.Helper()
	zone, err := time.LoadLocation("Africa/Johannesburg")
	require.NoError(t, err)
	in := Input{
		Nursery: identity.Nursery{ID: "n", Zone: zone, Jurisdiction: "ZA"}, Now: sixOClock, Settings: defaultSettings(), Work: work,
		Houses: []HousePlace{
			{House: stock.House{ID: "h1", DisplayName: "House 1", PassiveVents: true, Adjoining: []string{"h2"}, Covering: stockv1.Covering_COVERING_GLASS}, Benches: []string{"b1", "b2"}},
			{House: stock.House{ID: "h2", DisplayName: "House 2", Adjoining: []string{"h1"}, Covering: stockv1.Covering_COVERING_NET}, Benches: []string{"b1"}},
		},
		Sprayers: []Sprayer{{
			ID: "k", DisplayName: "Knapsack", TankVolume: quantity.Must("15", quantity.Litre), MixMinutes: 10, RinseMinutes: 5,
			RinseVolume: quantity.Must("2", quantity.Litre), OutputPerMinute: quantity.Must("0.5", quantity.Litre), PlantsPerHour: 120,
			Methods: []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH, productsv1.Method_METHOD_BATH},
		}},
	}
	in.From, in.Until = planned(in.Now, 2, zone)
	for i, id := range []string{"ana", "bo"} {
		person := Applicator{Person: identity.Person{ID: id, DisplayName: []string{"Ana", "Bo"}[i], Role: identityv1.Role_ROLE_WORKER}}
		person.Applies = i == 0
		for day := range 7 {
			person.Shifts = append(person.Shifts, Shift{Hours: Hours{Weekday: time.Weekday(day), Start: "07:00", End: "16:00"}, OvertimeEnd: "18:00"})
		}
		in.People = append(in.People, person)
	}
	return in
}

func pruning(job string, plants int64) Work {
	return Work{
		Job: job, Title: "Prune " + job, Kind: treatmentv1.StepKind_STEP_KIND_PRUNE, Open: sixOClock, Due: sixOClock.Add(12 * time.Hour),
		Overdue: sixOClock.Add(24 * time.Hour), Risk: 5, Lots: []stock.Lot{{ID: "l-" + job, House: "h1", Bench: "b1", Plants: plants}},
	}
}

func spraying(job string) Work {
	work := pruning(job, 100)
	work.Title, work.Kind = "Spray "+job, treatmentv1.StepKind_STEP_KIND_SPRAY
	work.Chemical = &Chemical{
		Product: "nurseries/n/products/x", DisplayName: "X 500", Method: productsv1.Method_METHOD_SPRAY, Volume: quantity.Must("20", quantity.Litre),
		Label: harmlessToBreathe, RestrictedEntryInterval: quantity.Must("12", quantity.Hour), Protected: true,
	}
	return work
}

// harmlessToBreathe is a label that asks for no respirator and gives no inhalation level.
var harmlessToBreathe = products.Product{
	Respirator: productsv1.LabelAnswer_LABEL_ANSWER_NO, InhalationLimited: productsv1.LabelAnswer_LABEL_ANSWER_NO,
}

func modelJob(t *testing.T, c *compiled, name string) model.Job {
	t.Helper()
	i, known := c.index[name]
	require.True(t, known, "%s is not planned: %v", name, c.impossible)
	return c.problem.Jobs[i]
}

func whyNot(t *testing.T, c *compiled, name string) string {
	t.Helper()
	for _, out := range c.impossible {
		if out.GetJob() == name {
			return out.GetReasons()[0]
		}
	}
	require.Failf(t, "it is planned", "%s", name)
	return ""
}

func TestASprayTakesTheTimeOfItsMixAndOfEachFillingAfterTheFirst(t *testing.T) {
	c := compile(smallNursery(t, spraying("a")))
	require.Equal(t, model.Minute(40+10), modelJob(t, c, "a").Ways[0].Duration, "20 L at half a litre a minute, in two fillings of 15 L")
	require.Equal(t, model.Minute(10), c.problem.Stations[0].MixMinutes, "the first filling is made before the work")
	require.Equal(t, int64(20_000), modelJob(t, c, "a").Volume)
}

func TestWorkWithoutChemicalTakesTheRateOfItsKind(t *testing.T) {
	in := smallNursery(t, pruning("a", 250))
	in.Settings.WorkRates = []WorkRate{{Kind: treatmentv1.StepKind_STEP_KIND_PRUNE, FixedMinutes: 10, MinutesPer100Plants: 30}}
	require.Equal(t, model.Minute(10+75), modelJob(t, compile(in), "a").Ways[0].Duration)
	in.Work[0].Lots = append(in.Work[0].Lots, stock.Lot{ID: "far", House: "h2", Plants: 0})
	in.Settings.DefaultWalkMinutes = 4
	require.Equal(t, model.Minute(10+75+4), modelJob(t, compile(in), "a").Ways[0].Duration, "and the way from house to house")
}

func TestOnlyWhoAppliesIsGivenChemical(t *testing.T) {
	c := compile(smallNursery(t, spraying("a"), pruning("b", 10)))
	require.Equal(t, []int32{c.people["ana"]}, modelJob(t, c, "a").People)
	require.Equal(t, []int32{0, 1}, modelJob(t, c, "b").People)
}

func TestARestrictedProductAsksForACertificateUntilTheLastDay(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Work[0].Chemical.Restricted = true
	require.Contains(t, whyNot(t, compile(in), "a"), "Ana holds no certificate that is valid on 2027-03-02")
	in.People[0].Person.Certificates = []identity.Certificate{{ExpireDate: "2027-03-01"}}
	require.Contains(t, whyNot(t, compile(in), "a"), "certificate", "it ends on the first of two days")
	in.People[0].Person.Certificates[0].ExpireDate = "2027-03-02"
	require.Len(t, modelJob(t, compile(in), "a").People, 1)
}

// trainedOn is a handler's training and the last day on which it counts.
func trainedOn(day, last string) []identity.Qualification {
	return []identity.Qualification{{Kind: identity.HandlerTraining, Date: day, EndDate: last}}
}

// 40 CFR 170.501(a): handlers are trained every 12 months. From memory.
func TestWhereTheLawAsksForTrainingItIsNoOlderThanTwelveMonthsPublished(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	require.Len(t, modelJob(t, compile(in), "a").People, 1, "in South Africa no date is asked for")
	in.Nursery.Jurisdiction = "US-FL"
	require.Contains(t, whyNot(t, compile(in), "a"), "Ana has no handler training that counts on 2027-03-01 to 2027-03-02: none is on record")
	in.People[0].Person.Qualifications = trainedOn("2026-03-02", "2027-03-01")
	require.Contains(t, whyNot(t, compile(in), "a"), "until 2027-03-01", "it counts to the day before the last that is planned")
	in.People[0].Person.Qualifications = trainedOn("2026-03-03", "2027-03-02")
	require.Len(t, modelJob(t, compile(in), "a").People, 1)
}

func TestASprayIsGivenToWhoIsTrainedThroughAllDaysOfThePlan(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Nursery.Jurisdiction = "US-FL"
	in.People[1].Applies = true
	in.People[0].Person.Qualifications = trainedOn("2026-03-02", "2027-03-01")
	in.People[1].Person.Qualifications = trainedOn("2026-09-01", "2027-08-31")
	c := compile(in)
	require.Equal(t, []int32{c.people["bo"]}, modelJob(t, c, "a").People, "the training of Ana ends before the last day")

	in.Pins = []Pin{{Job: "a", Person: "nurseries/n/people/ana"}}
	require.Contains(t, whyNot(t, compile(in), "a"), "Ana, who may not do it in these days")
}

// 40 CFR 170.401: whoever works where pesticide was applied within 30 days is trained.
// From memory.
func TestWorkWhereWasSprayedIsForTrainedPeoplePublished(t *testing.T) {
	in := smallNursery(t, pruning("a", 10))
	in.Houses[0].Treated = true
	require.Len(t, modelJob(t, compile(in), "a").People, 2, "in South Africa no training is asked for")
	in.Nursery.Jurisdiction = "US-FL"
	require.Contains(t, whyNot(t, compile(in), "a"), "Nobody who works in these days has worker or handler training")
	in.People[1].Person.Qualifications = []identity.Qualification{{Kind: identity.WorkerTraining, Date: "2026-09-01", EndDate: "2027-08-31"}}
	c := compile(in)
	require.Equal(t, []int32{c.people["bo"]}, modelJob(t, c, "a").People)
	in.Houses[0].Treated = false
	require.Len(t, modelJob(t, compile(in), "a").People, 2)
	in.Work = append(in.Work, spraying("b"))
	c = compile(in)
	require.Equal(t, []int32{c.people["bo"]}, modelJob(t, c, "a").People, "what is to be sprayed may be sprayed first")
}

// 40 CFR 170.507: whoever wears a respirator is cleared for it by a physician and fit
// tested every year. From memory.
func TestWhoIsNotFitForARespiratorIsGivenNoneToWearPublished(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Nursery.Jurisdiction, in.Work[0].Chemical.Label.Respirator = "US-FL", productsv1.LabelAnswer_LABEL_ANSWER_YES
	in.People[0].Person.Qualifications = append(trainedOn("2026-09-01", "2027-08-31"),
		identity.Qualification{Kind: identity.FitTest, Date: "2026-09-01", EndDate: "2027-08-31"})
	require.Contains(t, whyNot(t, compile(in), "a"), "Ana has no medical clearance")
	in.People[0].Person.Qualifications = append(in.People[0].Person.Qualifications,
		identity.Qualification{Kind: identity.MedicalClearance, Date: "2026-09-01"})
	require.Len(t, modelJob(t, compile(in), "a").People, 1)
}

// 40 CFR 170.309(c): handlers are at least 18. From memory.
func TestWhoIsOnRecordAsNotYet18HandlesNothingPublished(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Nursery.Jurisdiction = "US-FL"
	in.People[0].Person.Qualifications = []identity.Qualification{
		{Kind: identity.HandlerTraining, Date: "2027-01-01", EndDate: "2027-12-31"}, {Kind: identity.FullAge, Date: "2027-03-02"},
	}
	require.NotEmpty(t, whyNot(t, compile(in), "a"))
	in.People[0].Person.Qualifications[1].Date = "2027-03-01"
	require.Len(t, modelJob(t, compile(in), "a").People, 1)
}

func TestAShiftEndsWithItsOvertimeAndNobodyWorksOnADayOff(t *testing.T) {
	in := smallNursery(t)
	in.People[0].Absences = []Absence{{StartDate: "2027-03-02", EndDate: "2027-03-05"}}
	c := compile(in)
	require.Equal(t, []model.Shift{{Span: model.Span{From: 60, To: 12 * 60}, Overtime: 10 * 60}}, c.problem.People[0].Shifts)
	require.Len(t, c.problem.People[1].Shifts, 2)
	require.Equal(t, []model.Minute{-6 * 60, 18 * 60}, c.problem.Days)
	require.Equal(t, model.Minute(42*60), c.problem.Horizon)
}

func occupation(c *compiled, job model.Job, space int32) *model.Occupation {
	for _, o := range job.Occupies {
		if o.Space == space {
			return &o
		}
	}
	return nil
}

func TestASprayClosesItsHouseAndKeepsPeopleOutOfTheOneBesideIt(t *testing.T) {
	c := compile(smallNursery(t, spraying("a"), pruning("b", 10)))
	a, b := modelJob(t, c, "a"), modelJob(t, c, "b")
	closed := occupation(c, a, c.spaces.whole[0])
	require.True(t, closed.Exclusive)
	require.Equal(t, model.Minute(12*60), closed.Tail, "the interval of the label is longer than 4 h of vents")
	beside := occupation(c, a, c.spaces.air[1])
	require.True(t, beside.Exclusive)
	require.Zero(t, beside.Tail, "only while it is applied")
	require.Nil(t, occupation(c, a, c.spaces.whole[1]), "a house beside it that is closed for days does not stand in its way")
	require.False(t, occupation(c, b, c.spaces.air[0]).Exclusive, "who prunes breathes the air of the house")
}

// 40 CFR 170.405(b)(3): 2 h of fans, 4 h of vents, 24 h of neither. From memory.
func TestAHouseIsClosedUntilItsAirIsChangedPublished(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Work[0].Chemical.RestrictedEntryInterval = quantity.Must("1", quantity.Hour)
	tail := func() model.Minute {
		c := compile(in)
		return occupation(c, modelJob(t, c, "a"), c.spaces.whole[0]).Tail
	}
	require.Equal(t, model.Minute(4*60), tail())
	in.Houses[0].FanCapacity = quantity.Must("5000", quantity.CubicMetrePerH)
	require.Equal(t, model.Minute(2*60), tail())
	in.Houses[0].FanCapacity, in.Houses[0].PassiveVents = quantity.Quantity{}, false
	require.Equal(t, model.Minute(24*60), tail())
	in.Houses[0].Covering = stockv1.Covering_COVERING_NET
	require.Equal(t, model.Minute(60), tail(), "under a net there is nothing to air")
	in.Work[0].Chemical.RestrictedEntryInterval = quantity.Must("1.01", quantity.Hour)
	require.Equal(t, model.Minute(61), tail(), "60.6 minutes: an interval is never shortened")
}

func TestADrenchClosesOnlyItsBenchWhereTheHouseClosesByBench(t *testing.T) {
	in := smallNursery(t, spraying("a"), pruning("b", 10), pruning("c", 10))
	in.Work[0].Chemical.Method, in.Work[0].Kind = productsv1.Method_METHOD_DRENCH, treatmentv1.StepKind_STEP_KIND_DRENCH
	in.Work[2].Lots[0].Bench = "b2"
	require.Len(t, compile(in).problem.Spaces, 4, "two houses and the air of both")

	in.Houses[0].ClosesByBench = true
	c := compile(in)
	bench := c.spaces.bench[stock.BenchID{House: "h1", Bench: "b1"}]
	require.True(t, occupation(c, modelJob(t, c, "a"), bench).Exclusive)
	require.Nil(t, occupation(c, modelJob(t, c, "a"), c.spaces.whole[0]))
	require.NotNil(t, occupation(c, modelJob(t, c, "b"), bench), "the same bench")
	require.Nil(t, occupation(c, modelJob(t, c, "c"), bench), "another bench of the house")
	spaces := c.problem.Spaces
	require.Equal(t, perHour(in.Settings.Weights.ClosedHouseHour, 1), spaces[bench].ClosedWeight+spaces[c.spaces.whole[0]].ClosedWeight,
		"all of the house costs what the house costs")
}

func TestASprayIsOnlyPlannedInTheHoursForIt(t *testing.T) {
	in := smallNursery(t, spraying("a"), pruning("b", 10))
	in.Houses[0].WorkingHours = []Hours{{Weekday: time.Monday, Start: "06:00", End: "17:00"}, {Weekday: time.Tuesday, Start: "06:00", End: "17:00"}}
	in.Houses[0].SprayingHours = []Hours{{Weekday: time.Tuesday, Start: "06:00", End: "09:00"}}
	c := compile(in)
	require.Equal(t, []model.Span{{From: 24 * 60, To: 27 * 60}}, modelJob(t, c, "a").Windows)
	require.Equal(t, []model.Span{{From: 0, To: 11 * 60}, {From: 24 * 60, To: 35 * 60}}, modelJob(t, c, "b").Windows)
	require.Nil(t, modelJob(t, compile(smallNursery(t, pruning("b", 10))), "b").Windows, "a house without a calendar is always open")
	in.Houses[0].SprayingHours[0].Weekday = time.Friday
	require.Equal(t, "There are no hours in these days in which people may apply anything in House 1.", whyNot(t, compile(in), "a"))
}

func TestTheLeastIntervalIsARuleAndTheLongestACost(t *testing.T) {
	first, second := spraying("a"), pruning("b", 10)
	second.Open, second.Due, second.Overdue = time.Time{}, time.Time{}, time.Time{}
	second.After = []After{{Job: "a", Least: 24 * time.Hour, Due: 26 * time.Hour, Max: 30 * time.Hour}}
	c := compile(smallNursery(t, first, second))
	require.Equal(t, []model.Lag{{From: 0, To: 1, FromEnd: true, Least: 24 * 60}}, c.problem.Lags)
	b := modelJob(t, c, "b")
	require.Equal(t, []int32{0}, b.Needs)
	require.Equal(t, c.problem.Horizon, b.Deadline, "being late keeps nothing out")
	require.Equal(t, model.Minute((12+26)*60), b.Due, "from when the first is due")
	require.Equal(t, model.Minute(50+24*60), b.Release, "it waits from when it could be done, not from now")
}

func TestWhatCanOnlyBeginAfterTheDaysPlannedIsNamed(t *testing.T) {
	first, second, third := spraying("a"), pruning("b", 10), pruning("c", 10)
	second.After = []After{{Job: "a", Least: 42 * time.Hour}}
	third.After = []After{{Job: "b", Least: time.Hour}}
	c := compile(smallNursery(t, third, second, first))
	require.Equal(t, []string{"a"}, c.jobs)
	require.Equal(t, `It may not be done before 2027-03-03 00:00: "Spray a" has to be so long ago.`, whyNot(t, c, "b"))
	require.Equal(t, `It waits for "Prune b", which is not planned.`, whyNot(t, c, "c"))
}

func TestAJobPinnedBeforeWhatItWaitsForIsNamed(t *testing.T) {
	first, second := spraying("a"), pruning("b", 10)
	second.After = []After{{Job: "a", Least: 24 * time.Hour}}
	in := smallNursery(t, first, second)
	in.Pins = []Pin{{Job: "b", Start: sixOClock.Add(5 * time.Hour)}}
	require.Equal(t, `It is pinned to 2027-03-01 11:00. It may not be done before 2027-03-02 06:50: "Spray a" has to be so long ago.`, whyNot(t, compile(in), "b"))
}

func TestWhatWaitsForAJobThatCannotBePlannedIsNamed(t *testing.T) {
	first, second := spraying("a"), pruning("b", 10)
	first.Impossible = "No product passes."
	second.After = []After{{Job: "a", Least: time.Hour}}
	c := compile(smallNursery(t, first, second))
	require.Equal(t, "No product passes.", whyNot(t, c, "a"))
	require.Equal(t, `It waits for "Spray a", which is not planned.`, whyNot(t, c, "b"))
}

func TestAMissingFigureOfASprayerIsNamed(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	in.Sprayers[0].OutputPerMinute = quantity.Quantity{}
	require.Equal(t, "No sprayer can be used for it: Knapsack has no output in a minute entered.", whyNot(t, compile(in), "a"))
	in.Sprayers[0].OutOfService = true
	require.Equal(t, "No sprayer in service is for spraying.", whyNot(t, compile(in), "a"))
}

func TestProductsThatMustBeKeptApartAreRinsedTwice(t *testing.T) {
	first, second, third := spraying("a"), spraying("b"), spraying("c")
	second.Chemical.Product, third.Chemical.Product = "nurseries/n/products/y", "nurseries/n/products/z"
	first.Chemical.KeptApart = []string{"nurseries/n/products/z"}
	c := compile(smallNursery(t, first, second, third))
	require.Equal(t, model.RinseTable{
		{{}, {}, {}},
		{{}, {Minutes: 5, Volume: 2_000}, {Minutes: 10, Volume: 4_000}},
		{{Minutes: 5, Volume: 2_000}, {}, {Minutes: 5, Volume: 2_000}},
		{{Minutes: 10, Volume: 4_000}, {Minutes: 5, Volume: 2_000}, {}},
	}, c.problem.Rinses[c.problem.Stations[0].Rinses])
}

func TestTheSameProductAtTwoStrengthsIsTwoMixes(t *testing.T) {
	first, second := spraying("a"), spraying("b")
	require.Equal(t, modelJob(t, compile(smallNursery(t, first, second)), "a").Mix, modelJob(t, compile(smallNursery(t, first, second)), "b").Mix)
	first.Chemical.Mix, second.Chemical.Mix = "x, 1 mL/L", "x, 2 mL/L"
	c := compile(smallNursery(t, first, second))
	require.NotEqual(t, modelJob(t, c, "a").Mix, modelJob(t, c, "b").Mix)
}

func TestAPinThatCannotBeKeptIsNamed(t *testing.T) {
	in := smallNursery(t, spraying("a"))
	for want, pin := range map[string]Pin{
		"It is pinned to 2027-03-01 05:00, which is past: unpin it, or pin it to a later time.":                    {Job: "a", Start: sixOClock.Add(-time.Hour)},
		"It is pinned to 2027-03-04 06:00, after the last day planned.":                                            {Job: "a", Start: sixOClock.Add(72 * time.Hour)},
		"It is pinned to Bo, who may not do it in these days: unpin it, or enter what is missing of them.":         {Job: "a", Person: "nurseries/n/people/bo"},
		"It is pinned to the sprayer gone, which cannot be used for it: unpin it, or enter what is missing of it.": {Job: "a", Sprayer: "gone"},
		"It is pinned to 2027-03-01 07:00. It may not be done before 2027-03-01 08:00: X 500 was used 6 days ago.": {Job: "a", Start: sixOClock.Add(time.Hour)},
	} {
		in.Work[0].Chemical.Earliest, in.Work[0].Chemical.Waits = time.Time{}, ""
		if pin.Start.Equal(sixOClock.Add(time.Hour)) {
			in.Work[0].Chemical.Earliest, in.Work[0].Chemical.Waits = sixOClock.Add(2*time.Hour), "X 500 was used 6 days ago"
		}
		in.Pins = []Pin{pin}
		require.Equal(t, want, whyNot(t, compile(in), "a"))
	}
	in.Pins = []Pin{{Job: "a", Start: sixOClock.Add(3 * time.Hour), Person: "ana", Sprayer: "k"}}
	require.Equal(t, &model.Pin{Start: 180, Person: 0, Way: 0}, modelJob(t, compile(in), "a").Pin)
}

func TestWhatPeopleWereToldForTodayCountsFourTimes(t *testing.T) {
	in := smallNursery(t, pruning("a", 10), pruning("b", 10), pruning("c", 10))
	in.Settings.Weights.Change = 3
	in.Told = []Told{
		{Job: "a", Start: sixOClock.Add(2 * time.Hour), End: sixOClock.Add(3 * time.Hour), Person: "ana"},
		{Job: "b", Start: sixOClock.Add(26 * time.Hour), End: sixOClock.Add(27 * time.Hour), Person: "bo"},
		{Job: "c", Start: sixOClock.Add(-3 * time.Hour), End: sixOClock.Add(-2 * time.Hour), Person: "bo"},
	}
	c := compile(in)
	require.Equal(t, &model.Told{Start: 120, Person: 0, Way: 0, Tolerance: 15, Weight: 12_000_000}, modelJob(t, c, "a").Told)
	require.Equal(t, int64(6_000_000), modelJob(t, c, "b").Told.Weight)
	require.Nil(t, modelJob(t, c, "c").Told, "what is past is a change whatever the plan does")
}

func TestWhatIsBeingDoneGoesOn(t *testing.T) {
	in := smallNursery(t, spraying("a"), pruning("b", 10))
	in.Now = sixOClock.Add(4 * time.Hour)
	in.From = in.Now
	in.Told = []Told{{Job: "a", Start: in.Now.Add(-30 * time.Minute), End: in.Now.Add(20 * time.Minute), Person: "ana", Sprayer: "k"}}
	c := compile(in)
	require.Equal(t, []string{"b"}, c.jobs)
	require.Equal(t, model.Minute(20), c.problem.People[0].Shifts[0].From, "Ana is busy until then")
	require.Equal(t, model.Minute(20), c.problem.Stations[0].Open[0].From)
	require.Equal(t, []model.Span{{From: 0, To: 20 + 12*60}}, c.problem.Spaces[c.spaces.whole[0]].Closed)
	require.Equal(t, []model.Span{{From: 0, To: 20}}, c.problem.Spaces[c.spaces.air[1]].Closed)

	day := c.dayPlan(make(model.Plan, 1), model.Score{}, noBound)
	require.Equal(t, "a", day.GetJobs()[0].GetJob())
	require.Equal(t, schedulev1.Change_CHANGE_NONE, day.GetJobs()[0].GetChange())
	require.Empty(t, day.GetRemoved())
}

func TestRoutineInspectionsGoOutFirst(t *testing.T) {
	routine, overdue := pruning("nurseries/n/houses/h1", 10), pruning("b", 10)
	routine.Kind, overdue.Overdue, overdue.Risk = treatmentv1.StepKind_STEP_KIND_INSPECT, sixOClock, 10
	c := compile(smallNursery(t, routine, overdue, pruning("c", 10)))
	require.Equal(t, []int64{1, 1000, 150}, []int64{c.problem.Jobs[0].SkipWeight, c.problem.Jobs[1].SkipWeight, c.problem.Jobs[2].SkipWeight})
}

func TestWeightsArePointsByTheMinute(t *testing.T) {
	in := smallNursery(t, pruning("a", 10))
	in.Settings.Weights = Weights{HourLate: 10, HourWaiting: 1, LitreLeftOver: 3, Rinse: 4, LitreRinseWater: 1, OvertimeHour: 6}
	c := compile(in)
	require.Equal(t, int64(5*166_666), modelJob(t, c, "a").LateWeight, "10 points an hour, rounded down by the minute, times the risk")
	require.Equal(t, int64(5*16_666), modelJob(t, c, "a").WaitWeight)
	require.Equal(t, model.Weights{Leftover: 3_000, Rinse: 4_000_000, RinseVolume: 1_000, Overtime: 100_000}, c.problem.Weights)
}

func TestLaboratoriesAndManagersAreNoCrew(t *testing.T) {
	for _, kind := range []treatment.Kind{treatmentv1.StepKind_STEP_KIND_LAB_TEST, treatmentv1.StepKind_STEP_KIND_RELEASE} {
		_, known := defaultSettings().rate(kind)
		require.False(t, known, kind)
	}
}
