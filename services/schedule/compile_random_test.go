package schedule

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// randomInput is a nursery made up from a seed, with a little of everything and some
// things that cannot be.
func randomInput(t *testing.T, seed uint64) Input {
	t.Helper()
	zones := []string{"Africa/Johannesburg", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe"}
	g := &inputs{random: rand.New(rand.NewPCG(seed, 1))}
	zone, err := time.LoadLocation(zones[g.upTo(len(zones)-1)])
	require.NoError(t, err)
	// Days around a change of the clocks in half of the zones.
	now := time.Date(2027, time.March, 12+g.upTo(16), g.upTo(23), g.upTo(59), g.upTo(59), 0, time.UTC)
	in := &g.in
	in.Now, in.Nursery = now, identity.Nursery{ID: "n", Zone: zone, Jurisdiction: []string{"ZA", "US-FL", "DE"}[g.upTo(2)]}
	in.From, in.Until = planned(now, 2+g.upTo(3), zone)
	in.Settings = defaultSettings()
	if g.upTo(9) == 0 {
		in.Settings.Weights = Weights{100_000, 100_000, 100_000, 100_000, 100_000, 100_000, 100_000, 100_000}
	}
	g.places()
	g.people()
	g.sprayers()
	g.work()
	return *in
}

type inputs struct {
	random *rand.Rand
	in     Input
}

func (g *inputs) upTo(n int) int { return g.random.IntN(n + 1) }

func (g *inputs) clock(from, to int) string {
	return fmt.Sprintf("%02d:%02d", from+g.upTo(to-from), 15*g.upTo(3))
}

func (g *inputs) places() {
	for h := range 1 + g.upTo(3) {
		house := HousePlace{House: stock.House{ID: fmt.Sprintf("h%d", h), DisplayName: fmt.Sprintf("House %d", h), PassiveVents: g.upTo(1) == 0}}
		house.Covering = []stockv1.Covering{stockv1.Covering_COVERING_NET, stockv1.Covering_COVERING_GLASS, stockv1.Covering_COVERING_UNSPECIFIED}[g.upTo(2)]
		house.ClosesByBench, house.Benches = g.upTo(1) == 0, []string{"b0", "b1", "b2"}
		if h > 0 && g.upTo(1) == 0 {
			house.Adjoining = []string{fmt.Sprintf("h%d", h-1)}
			g.in.Houses[h-1].Adjoining = append(g.in.Houses[h-1].Adjoining, house.ID)
		}
		for day := range 7 {
			if g.upTo(7) == 0 {
				continue
			}
			hours := Hours{Weekday: time.Weekday(day), Start: g.clock(0, 7), End: g.clock(12, 22)}
			house.WorkingHours = append(house.WorkingHours, hours)
			if g.upTo(2) == 0 {
				house.SprayingHours = append(house.SprayingHours, Hours{Weekday: hours.Weekday, Start: hours.Start, End: g.clock(8, 11)})
			}
		}
		weekly := Hours{Weekday: time.Weekday(g.upTo(6)), Start: g.clock(8, 11), End: g.clock(12, 14)}
		once := g.in.From.Add(time.Duration(g.upTo(72*60)) * time.Minute)
		house.Engagements = []Engagement{{Weekly: &weekly}, {Start: once, End: once.Add(time.Hour)}}
		if g.upTo(2) == 0 {
			house.Closed = []Closure{{Bench: []string{"", "b1"}[g.upTo(1)], Start: g.in.From.Add(-time.Hour), End: g.in.From.Add(time.Duration(g.upTo(1200)) * time.Minute)}}
		}
		g.in.Houses = append(g.in.Houses, house)
	}
	g.in.Settings.Walks = []Walk{{House: "h0", OtherHouse: "h1", Minutes: int32(g.upTo(20))}}
}

func (g *inputs) people() {
	for p := range 2 + g.upTo(2) {
		person := Applicator{Person: identity.Person{ID: fmt.Sprintf("p%d", p), DisplayName: fmt.Sprintf("Person %d", p), Disabled: g.upTo(9) == 0}}
		person.Person.Role = []identityv1.Role{identityv1.Role_ROLE_WORKER, identityv1.Role_ROLE_MANAGER, identityv1.Role_ROLE_AUDITOR}[g.upTo(9)/4]
		if g.upTo(1) == 0 {
			person.Person.Certificates = []identity.Certificate{{ExpireDate: "2027-12-31"}}
		}
		person.Applies, person.MaxProtectedMinutes = g.upTo(3) > 0, 60*g.upTo(4)
		person.Person.Qualifications = []identity.Qualification{{Kind: identity.HandlerTraining, Date: "2026-06-01", EndDate: "2027-05-31"}}
		for day := range 7 {
			morning := Shift{Hours: Hours{Weekday: time.Weekday(day), Start: g.clock(0, 7), End: g.clock(11, 12)}}
			afternoon := Shift{Hours: Hours{Weekday: time.Weekday(day), Start: g.clock(13, 14), End: g.clock(16, 17)}, OvertimeEnd: g.clock(18, 20)}
			person.Shifts = append(person.Shifts, morning, afternoon)
		}
		if g.upTo(3) == 0 {
			off := g.in.Now.AddDate(0, 0, g.upTo(2)).Format(time.DateOnly)
			person.Absences = []Absence{{StartDate: off, EndDate: off}}
		}
		g.in.People = append(g.in.People, person)
	}
}

func (g *inputs) litres(least, most int) quantity.Quantity {
	return quantity.Must(fmt.Sprintf("%d.%d", least+g.upTo(most-least), g.upTo(9)), quantity.Litre)
}

func (g *inputs) sprayers() {
	methods := []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH, productsv1.Method_METHOD_BATH}
	for s := range 3 + g.upTo(2) {
		sprayer := Sprayer{ID: fmt.Sprintf("s%d", s), DisplayName: fmt.Sprintf("Sprayer %d", s), TankVolume: g.litres(5, 100), Methods: methods[:1+g.upTo(2)]}
		sprayer.OutOfService = g.upTo(7) == 0
		if g.upTo(7) > 0 {
			sprayer.OutputPerMinute, sprayer.PlantsPerHour = g.litres(1, 3), int32(100+g.upTo(400))
		}
		sprayer.MixMinutes, sprayer.RinseMinutes, sprayer.RinseVolume = int32(g.upTo(20)), int32(g.upTo(15)), g.litres(0, 9)
		if g.upTo(1) == 0 {
			sprayer.SmallestLoad, sprayer.Graduation = g.litres(1, 4), g.litres(0, 1)
		}
		g.in.Sprayers = append(g.in.Sprayers, sprayer)
	}
}

func (g *inputs) work() {
	kinds := []treatment.Kind{
		treatmentv1.StepKind_STEP_KIND_SPRAY, treatmentv1.StepKind_STEP_KIND_DRENCH, treatmentv1.StepKind_STEP_KIND_BATH,
		treatmentv1.StepKind_STEP_KIND_PRUNE, treatmentv1.StepKind_STEP_KIND_INSPECT,
	}
	for w := range 4 + g.upTo(16) {
		open := g.in.From.Add(time.Duration(g.upTo(72)-48) * time.Hour)
		work := Work{
			Job: fmt.Sprintf("nurseries/n/programs/p%d/steps/x-1", w), Title: fmt.Sprintf("Work %d", w), Kind: kinds[g.upTo(4)],
			Open: open, Due: open.Add(24 * time.Hour), Overdue: open.Add(48 * time.Hour), Risk: g.upTo(10),
		}
		for range 1 + g.upTo(2) {
			lot := stock.Lot{
				ID: fmt.Sprintf("l%d-%d", w, len(work.Lots)), Plants: int64(g.upTo(200)), House: fmt.Sprintf("h%d", g.upTo(len(g.in.Houses)-1)),
				Bench: fmt.Sprintf("b%d", g.upTo(2)),
			}
			if g.upTo(40) == 0 {
				lot.House = "gone"
			}
			work.Lots = append(work.Lots, lot)
		}
		if g.upTo(4) == 0 && w > 0 {
			work.After = []After{{Job: fmt.Sprintf("nurseries/n/programs/p%d/steps/x-1", g.upTo(w-1)), Least: time.Duration(g.upTo(30)) * time.Hour, Due: 36 * time.Hour, Max: 60 * time.Hour}}
			work.Open, work.Due, work.Overdue = time.Time{}, time.Time{}, time.Time{}
		}
		if g.upTo(19) == 0 {
			work.Impossible = "No product passes."
		}
		work.Chemical = g.chemical(work.Kind)
		g.in.Work = append(g.in.Work, work)
		g.said(work)
	}
}

func (g *inputs) chemical(kind treatment.Kind) *Chemical {
	method := map[treatment.Kind]productsv1.Method{
		treatmentv1.StepKind_STEP_KIND_SPRAY: productsv1.Method_METHOD_SPRAY, treatmentv1.StepKind_STEP_KIND_DRENCH: productsv1.Method_METHOD_DRENCH,
		treatmentv1.StepKind_STEP_KIND_BATH: productsv1.Method_METHOD_BATH,
	}[kind]
	if method == productsv1.Method_METHOD_UNSPECIFIED {
		return nil
	}
	product := fmt.Sprintf("nurseries/n/products/x%d", g.upTo(2))
	chemical := &Chemical{
		Product: product, DisplayName: product, Mix: fmt.Sprintf("%s, %d", product, g.upTo(1)), KeptApart: []string{"nurseries/n/products/x1"}, Method: method,
		Restricted: g.upTo(4) == 0, Volume: g.litres(0, 40), Protected: g.upTo(2) > 0,
		RestrictedEntryInterval: quantity.Must(fmt.Sprintf("%d.5", g.upTo(30)), quantity.Hour),
	}
	if method == productsv1.Method_METHOD_BATH && g.upTo(1) == 0 {
		chemical.Volume = quantity.Quantity{}
	}
	if g.upTo(4) == 0 {
		chemical.Earliest = g.in.From.Add(time.Duration(g.upTo(3000)) * time.Minute)
	}
	if g.upTo(4) == 0 {
		chemical.Forbidden = []Closure{{Start: g.in.From.Add(5 * time.Hour), End: g.in.From.Add(9 * time.Hour)}}
	}
	return chemical
}

// said makes up a pin or what people were told.
func (g *inputs) said(work Work) {
	person := fmt.Sprintf("p%d", g.upTo(len(g.in.People)))
	sprayer := ""
	if work.Chemical != nil {
		sprayer = fmt.Sprintf("s%d", g.upTo(len(g.in.Sprayers)))
	}
	start := g.in.From.Add(time.Duration(g.upTo(3000)-200) * time.Minute)
	switch g.upTo(5) {
	case 0:
		g.in.Told = append(g.in.Told, Told{Job: work.Job, Start: start, End: start.Add(90 * time.Minute), Person: person, Sprayer: sprayer})
	case 1:
		g.in.Pins = append(g.in.Pins, []Pin{
			{Job: work.Job, Start: start}, {Job: work.Job, Person: "nurseries/n/people/" + person}, {Job: work.Job, Sprayer: sprayer},
		}[g.upTo(2)])
	}
}

const randomInputs = 50

func TestEveryInputCompilesToAProblemOfTheRightForm(t *testing.T) {
	planned := 0
	for seed := range uint64(20 * randomInputs) {
		in := randomInput(t, seed)
		c := compile(in)
		require.NoError(t, c.problem.Validate(), "seed %d", seed)
		require.Equal(t, c.problem.Hash(), compile(in).problem.Hash(), "seed %d: the same input makes the same problem", seed)
		require.Len(t, c.jobs, len(c.problem.Jobs))
		require.Equal(t, len(in.Work), len(c.jobs)+len(c.impossible)+len(c.underway), "seed %d: each job is planned, impossible or under way", seed)
		for _, out := range c.impossible {
			require.NotEmpty(t, out.GetReasons()[0], "seed %d", seed)
		}
		planned += len(c.jobs)
	}
	require.Greater(t, planned, 4000, "most of what is made up can be planned")
}

func TestEveryPlanIsWrittenAndReadBackUnchanged(t *testing.T) {
	placed, shared := 0, 0
	for seed := range uint64(randomInputs) {
		c := compile(randomInput(t, seed))
		if len(c.jobs) == 0 {
			continue
		}
		ctx := t.Context()
		if seed%10 != 0 { // the first plan is enough
			over, end := context.WithCancel(ctx)
			end()
			ctx = over
		}
		result, err := search.Solve(ctx, c.problem, search.Options{Seed: seed, Rounds: 1, Start: c.toldPlan()})
		if err != nil {
			require.ErrorIs(t, err, search.ErrPinned, "seed %d", seed)
		}
		score, violations := checker.Check(c.problem, result.Plan)
		violations = slices.DeleteFunc(violations, func(v checker.Violation) bool { return v.Rule == "R11" && !result.Plan[v.Job].Placed })
		require.Empty(t, violations, "seed %d", seed)

		day := c.dayPlan(result.Plan, score, provenBy(result.Bound))
		back, err := c.planOf(day, nil)
		require.NoError(t, err)
		require.Equal(t, tidy(result.Plan), back, "seed %d", seed)
		require.Equal(t, result.Plan.Hash(), back.Hash())
		stored, err := proto.Marshal(day)
		require.NoError(t, err)
		kept := &schedulev1.DayPlan{}
		require.NoError(t, proto.Unmarshal(stored, kept))
		again, err := c.planOf(kept, nil)
		require.NoError(t, err)
		require.Equal(t, back, again)

		require.Equal(t, score.Terms, sumOf(c, result.Plan), "seed %d: what jobs cost adds up to what the plan costs", seed)
		requireWhole(t, c, day)
		placed += len(day.GetJobs())
		for _, load := range day.GetTankLoads() {
			shared += len(load.GetJobs()) - 1
		}
	}
	require.Greater(t, placed, 200, "the plans have jobs")
	require.Positive(t, shared, "some share a load")
}

// tidy empties the placements of jobs that are left out.
func tidy(plan model.Plan) model.Plan {
	clean := slices.Clone(plan)
	for i := range clean {
		if !clean[i].Placed {
			clean[i] = model.Placement{}
		}
	}
	return clean
}

func sumOf(c *compiled, plan model.Plan) [model.Terms]int64 {
	var sum [model.Terms]int64
	for _, costs := range c.layOut(plan).costs {
		for term, cost := range costs {
			sum[term] += cost
		}
	}
	return sum
}

// requireWhole asks that everything that waits is in a plan once, with times that
// follow one another and with reasons.
func requireWhole(t *testing.T, c *compiled, day *schedulev1.DayPlan) {
	t.Helper()
	var names, waits []string
	for _, job := range day.GetJobs() {
		names = append(names, job.GetJob())
		require.LessOrEqual(t, job.GetPrepareTime().AsTime(), job.GetStartTime().AsTime())
		require.Less(t, job.GetStartTime().AsTime(), job.GetEndTime().AsTime())
		require.NotEmpty(t, job.GetReason())
		if job.GetClosedUntilTime() != nil {
			require.GreaterOrEqual(t, job.GetClosedUntilTime().AsTime(), job.GetEndTime().AsTime())
		}
	}
	for _, job := range day.GetUnplanned() {
		names = append(names, job.GetJob())
		require.NotEmpty(t, job.GetReasons())
	}
	for _, work := range c.input.Work {
		waits = append(waits, work.Job)
	}
	require.ElementsMatch(t, waits, names)
}

func TestABoundThatIsNotKnownIsNotShown(t *testing.T) {
	c := compile(randomInput(t, 3))
	empty := make(model.Plan, len(c.problem.Jobs))
	score, _ := checker.Check(c.problem, empty)
	of, err := bound.Of(t.Context(), c.problem)
	require.NoError(t, err)
	require.Empty(t, c.dayPlan(empty, score, noBound).GetBound(), "nobody worked one out")
	require.Empty(t, c.dayPlan(empty, score, provenBy(of)).GetBound(), "it holds only for plans that leave out less")
	require.NotEmpty(t, c.dayPlan(empty, model.Score{}, provenBy(of)).GetBound())
}

func TestAPlanThatLeavesOutMoreIsHeldAgainstPlansThatLeaveOutTheSame(t *testing.T) {
	c := compile(randomInput(t, 3))
	empty := make(model.Plan, len(c.problem.Jobs))
	score, _ := checker.Check(c.problem, empty)
	of, err := bound.Of(t.Context(), c.problem)
	require.NoError(t, err)
	require.Greater(t, score.Skipped, of.Skipped)
	proven, err := c.prove(t.Context(), empty, score, of)
	require.NoError(t, err)
	day := c.dayPlan(empty, score, proven)
	require.True(t, day.GetBoundOfSameUnplanned())
	require.Equal(t, day.GetPoints(), day.GetBound(), "without work nothing is left to cost anything but changes")

	of.Skipped = score.Skipped
	proven, err = c.prove(t.Context(), empty, score, of)
	require.NoError(t, err)
	require.False(t, c.dayPlan(empty, score, proven).GetBoundOfSameUnplanned())
}

func TestThatNotAllWorkFindsAPlaceIsSaidWhereItIsProven(t *testing.T) {
	in := smallNursery(t, pruning("a", 4000), pruning("b", 4000), pruning("c", 4000), pruning("d", 4000))
	for i := range in.People {
		in.People[i].Shifts = in.People[i].Shifts[:2] // Sunday and Monday
	}
	c := compile(in)
	of, err := bound.Of(t.Context(), c.problem)
	require.NoError(t, err)
	require.Positive(t, of.Overload)
	require.True(t, c.dayPlan(make(model.Plan, len(c.problem.Jobs)), model.Score{}, provenBy(of)).GetUnplannedProven())
}
