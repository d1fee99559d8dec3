package rotation

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

func TestRotation(t *testing.T) {
	mancozeb, chlorothalonil := product("mancozeb", "mancozeb"), product("chlorothalonil", "chlorothalonil")
	tebuconazole, fludioxonil := product("tebuconazole", "tebuconazole"), product("fludioxonil", "fludioxonil")
	azoxystrobin, polyoxin := product("azoxystrobin", "azoxystrobin"), product("polyoxin", "polyoxin-d")
	expired := product("expired", "mancozeb")
	expired.Product.RegistrationExpireDate = "2026-03-10"
	for _, test := range []struct {
		name    string
		request Request
		plan    string
	}{
		{"a group without a cap may follow itself", season(3, 7, mancozeb), "mancozeb mancozeb mancozeb"},
		{"the groups take turns", season(4, 7, mancozeb, chlorothalonil), "chlorothalonil mancozeb chlorothalonil mancozeb"},
		{"three different groups before one returns", season(6, 7, fludioxonil, tebuconazole, polyoxin),
			"fludioxonil polyoxin tebuconazole fludioxonil polyoxin tebuconazole"},
		{"two capped groups and blocks", season(4, 7, tebuconazole, mancozeb), "mancozeb tebuconazole mancozeb mancozeb"},
		{"high risk is used only where nothing else will do", season(4, 7, azoxystrobin, with(mancozeb, perYear(3))),
			"mancozeb azoxystrobin mancozeb mancozeb"},
		{"a label's days between applications", season(4, 7, with(mancozeb, everyDays(14)), chlorothalonil),
			"chlorothalonil mancozeb chlorothalonil mancozeb"},
		{"a product whose registration ends is used before", season(4, 7, expired, with(chlorothalonil, perYear(2))),
			"expired expired chlorothalonil chlorothalonil"},
	} {
		t.Run(test.name, func(t *testing.T) {
			plan, err := Lay(t.Context(), test.request)
			require.NoError(t, err)
			t.Log(chosen(plan), conflicting(plan))
			require.Equal(t, test.plan, chosen(plan))
		})
	}
}

func TestConflict(t *testing.T) {
	mancozeb, chlorothalonil := product("mancozeb", "mancozeb"), product("chlorothalonil", "chlorothalonil")
	tebuconazole := product("tebuconazole", "tebuconazole")
	for _, test := range []struct {
		name     string
		request  Request
		conflict string
	}{
		{"one product, too seldom", season(4, 7, with(mancozeb, everyDays(14))), "label-min-interval"},
		{"one product, too few", season(4, 7, with(mancozeb, perYear(3))), "label-max-per-year"},
		{"two products, each too few", season(8, 7, with(mancozeb, perYear(3)), with(chlorothalonil, perYear(4))), "label-max-per-year label-max-per-year"},
		{"one capped group", season(4, 7, tebuconazole), "rotation-consecutive"},
		{"either of two limits would do: one is enough", season(4, 7, with(with(mancozeb, perYear(1)), everyDays(30))), "label-min-interval"},
	} {
		t.Run(test.name, func(t *testing.T) {
			plan, err := Lay(t.Context(), test.request)
			require.NoError(t, err)
			require.Empty(t, plan.Applications)
			require.True(t, plan.Smallest)
			for _, limit := range plan.Conflict {
				t.Log(limit)
				require.NotEmpty(t, limit.Message)
				require.NotEmpty(t, limit.Source)
			}
			require.Equal(t, test.conflict, conflicting(plan))
		})
	}
}

func TestNoProductAtAll(t *testing.T) {
	plan, err := Lay(t.Context(), season(3, 7, product("mefenoxam", "mefenoxam")))
	require.NoError(t, err)
	require.Equal(t, RuleNoProduct, conflicting(plan))
	require.Contains(t, plan.Conflict[0].Message, "does not work on")
	require.Equal(t, "mefenoxam", plan.LeftOut[0].Product)
}

func TestWhatIsNoPeriodIsRefused(t *testing.T) {
	request := season(3, 7, product("mancozeb", "mancozeb"))
	request.To = request.From.AddDate(0, 0, -1)
	_, err := Lay(t.Context(), request)
	require.Equal(t, "to_date", fieldOf(t, err))
	request.To = request.From.AddDate(2, 0, 0)
	request.IntervalDays = 1
	_, err = Lay(t.Context(), request)
	require.Equal(t, "to_date", fieldOf(t, err))
	request = season(61, 7, product("mancozeb", "mancozeb"))
	_, err = Lay(t.Context(), request)
	require.Equal(t, "to_date", fieldOf(t, err))
	require.ErrorContains(t, err, "a season has at most 60 applications; plan it in parts")
	request.IntervalDays = 0
	_, err = Lay(t.Context(), request)
	require.Equal(t, "interval_days", fieldOf(t, err))
}

func fieldOf(t testing.TB, err error) string {
	t.Helper()
	var refused *fault.Fault
	require.ErrorAs(t, err, &refused)
	return refused.Field
}

// actives are those that a nursery rotates against fungi.
var actives = []string{
	"mancozeb", "chlorothalonil", "captan", "copper-hydroxide", "sulphur", "paraffinic-oil", "tebuconazole", "propiconazole",
	"azoxystrobin", "trifloxystrobin", "boscalid", "fluopyram", "cyprodinil", "fludioxonil", "fenhexamid", "polyoxin-d",
	"thiophanate-methyl", "iprodione", "bacillus-subtilis", "potassium-bicarbonate",
}

// inventSeason is a season with some products and a past, drawn at random.
func inventSeason(random *rand.Rand, applications, most int) Request {
	interval := []int{7, 7, 10, 14, 21}[random.IntN(5)]
	request := season(applications, interval)
	request.Application.Disorder = []string{"rust", "grey-mould", "powdery-mildew"}[random.IntN(3)]
	for i := range 1 + random.IntN(most) {
		held := []string{actives[random.IntN(len(actives))]}
		if other := actives[random.IntN(len(actives))]; random.IntN(4) == 0 && other != held[0] {
			held = append(held, other)
		}
		one := product(fmt.Sprintf("p%02d", i), held...)
		d := &one.Product.Directions[0]
		d.MaxPerYear = []int32{0, 2, 4, 6}[random.IntN(4)]
		d.MaxPerCropCycle = []int32{0, 0, 3, 8}[random.IntN(4)]
		d.MinIntervalDays = []int32{0, 7, 10, 14}[random.IntN(4)]
		d.MaxConsecutive = []int32{0, 0, 1, 2}[random.IntN(4)]
		if random.IntN(5) == 0 {
			d.ActiveLimits = []products.ActiveLimit{{ActiveIngredient: held[0], MostPerYear: amount("3.5 kg/ha")}}
		}
		if random.IntN(8) == 0 {
			one.Product.RegistrationExpireDate = first.AddDate(0, 0, random.IntN(200)).Format(time.DateOnly)
		}
		request.Products = append(request.Products, one)
	}
	request.Application.Lots = append(request.Application.Lots, rules.Lot{ID: "p2", BotanicalName: "Vanda coerulea", House: "north"})
	request.History = rules.History{}
	for _, lot := range request.Application.Lots {
		for before := random.IntN(400); before > 0; before -= 5 + random.IntN(60) {
			request.History[lot.ID] = append(request.History[lot.ID], sprayed(before, actives[random.IntN(len(actives))]))
		}
	}
	return request
}

func TestEveryPlanPassesTheEngineAndEveryConflictIsOne(t *testing.T) {
	random := rand.New(rand.NewPCG(21, 22))
	laid, not, unproven := 0, 0, 0
	for range 150 {
		request := inventSeason(random, 2+random.IntN(12), 8)
		// Lay runs every plan through the engine and returns an error where it fails.
		plan, err := Lay(t.Context(), request)
		require.NoError(t, err)
		if len(plan.Applications) > 0 {
			laid++
			if !plan.Fewest || !plan.Preferred {
				unproven++
			}
			continue
		}
		if conflicting(plan) == RuleNoProduct {
			continue
		}
		not++
		if !plan.Smallest {
			unproven++
		}
		if !plan.Irreducible {
			continue
		}
		q, _, err := newQuestion(t.Context(), request)
		require.NoError(t, err)
		p, err := q.problem(t.Context())
		require.NoError(t, err)
		c := p.conflict(&budget{left: searchBudget})
		require.Len(t, c.limits, len(plan.Conflict))
		_, got := p.exists(c.limits, p.slots, plenty())
		require.Equal(t, impossible, got)
		for _, index := range c.limits {
			without := slices.DeleteFunc(slices.Clone(c.limits), func(i int) bool { return i == index })
			_, got := p.exists(without, p.slots, plenty())
			require.Equal(t, found, got, "without %s", p.limits[index].Message)
		}
	}
	require.Greater(t, laid, 20)
	require.Greater(t, not, 20)
	require.Less(t, unproven, 8, "the budget is enough for nearly all")
}

// The engine, asked about a whole sequence application by application, refuses what
// the limits of the planner refuse, and nothing else but the planner's own limits
// on the whole season.
func TestTheLimitsAreThoseOfTheEngine(t *testing.T) {
	random := rand.New(rand.NewPCG(23, 24))
	kept, broke := 0, 0
	for range 500 {
		request := inventSeason(random, 2+random.IntN(20), 6)
		q, _, err := newQuestion(t.Context(), request)
		require.NoError(t, err)
		if len(q.candidates) == 0 {
			continue
		}
		p, err := q.problem(t.Context())
		require.NoError(t, err)
		var sequence []int
		for range p.slots {
			sequence = append(sequence, random.IntN(p.products))
			// The longest beginning that the engine passes, and one more.
			if q.verify(t.Context(), q.planned(sequence)) != nil {
				break
			}
		}
		refusal := q.verify(t.Context(), q.planned(sequence))
		var refusedBy []string
		for _, l := range p.limits {
			if _, season := l.machine.counter.(capCounter); !season && !l.keeps(sequence) {
				refusedBy = append(refusedBy, l.Message)
			}
		}
		if refusal == nil {
			kept++
			require.Empty(t, refusedBy)
		} else {
			broke++
			require.NotEmpty(t, refusedBy, refusal.Error())
		}
	}
	require.Greater(t, kept, 20)
	require.Greater(t, broke, 100)
}

func TestNoSequenceHasMoreOfALimitThanItsRoom(t *testing.T) {
	random := rand.New(rand.NewPCG(27, 28))
	full := 0
	for range 60 {
		q, _, err := newQuestion(t.Context(), inventSeason(random, 2+random.IntN(20), 6))
		require.NoError(t, err)
		if len(q.candidates) == 0 {
			continue
		}
		p, err := q.problem(t.Context())
		require.NoError(t, err)
		for _, l := range p.limits {
			for range 20 {
				if fillAtRandom(t, random, l, p.slots) {
					full++
				}
			}
		}
	}
	require.Greater(t, full, 1000, "sequences that come up to the room")
}

// fillAtRandom draws a sequence that keeps a limit, counted applications first, and
// reports whether it came up to the limit's room.
func fillAtRandom(t *testing.T, random *rand.Rand, l limit, slots int) bool {
	t.Helper()
	id := l.starts[random.IntN(len(l.starts))]
	room := l.machine.room(id)
	count := 0
	for slot := range slots {
		product := random.IntN(len(l.letter))
		if len(l.members) > 0 && random.IntN(3) > 0 {
			product = l.members[random.IntN(len(l.members))]
		}
		next := l.machine.step(id, l.letter[product])
		if next == broken {
			next = l.machine.step(id, 0)
		} else if slices.Contains(l.members, product) {
			count++
		}
		require.NotEqual(t, broken, next)
		require.LessOrEqual(t, count, room[slot], l.Message)
		id = next
	}
	return count == room[slots-1]
}

func TestTheOrderOfTheProductsDoesNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(25, 26))
	for range 60 {
		request := inventSeason(random, 10, 8)
		plan, err := Lay(t.Context(), request)
		require.NoError(t, err)
		request.Products = slices.Clone(request.Products)
		random.Shuffle(len(request.Products), func(i, j int) {
			request.Products[i], request.Products[j] = request.Products[j], request.Products[i]
		})
		again, err := Lay(t.Context(), request)
		require.NoError(t, err)
		require.Equal(t, plan, again)
	}
}

func TestSharesHoldOverTheWholeSeason(t *testing.T) {
	boscalid := product("boscalid", "boscalid", "mancozeb")
	mancozeb, chlorothalonil := with(product("mancozeb", "mancozeb"), perYear(7)), with(product("chlorothalonil", "chlorothalonil"), perYear(6))
	plan, err := Lay(t.Context(), season(26, 14, boscalid, mancozeb, chlorothalonil))
	require.NoError(t, err)
	require.Len(t, plan.Applications, 26)
	count := 0
	for _, planned := range plan.Applications {
		if planned.Product.ID == "boscalid" {
			count++
		}
	}
	require.Equal(t, 13, count)
	require.Equal(t, 13, rules.LimitsOf("7").Share.Of(26))
}

// nurserySeason is a house's year: weekly, 20 products with labels as they are.
func nurserySeason() Request {
	request := season(52, 7)
	request.Application.Disorder = "rust"
	for i, id := range actives {
		one := product(fmt.Sprintf("p%02d", i), id)
		d := &one.Product.Directions[0]
		d.MaxPerYear = []int32{4, 6, 8, 10}[i%4]
		d.MinIntervalDays = []int32{7, 10, 14}[i%3]
		one.Product.Cost = products.Money{Currency: "ZAR", Amount: amount(fmt.Sprintf("%d g", 100+37*i%90)).Amount}
		one.Product.CostPer = amount("1 kg")
		request.Products = append(request.Products, one)
	}
	for before := 360; before > 0; before -= 21 {
		request.History = rules.History{"p1": append(request.History["p1"], sprayed(before, actives[before%len(actives)]))}
	}
	return request
}

func BenchmarkLayAYearOfWeeks(b *testing.B) {
	request := nurserySeason()
	for b.Loop() {
		plan, err := Lay(b.Context(), request)
		require.NoError(b, err)
		require.Len(b, plan.Applications, 52)
	}
}

func BenchmarkConflictOfAYearOfWeeks(b *testing.B) {
	request := nurserySeason()
	request.Products = slices.DeleteFunc(request.Products, func(s proposal.Stocked) bool {
		return !slices.ContainsFunc(s.Product.Contents, func(c products.Content) bool {
			active, _ := products.ActiveIngredientByID(c.ActiveIngredient)
			return rules.Capped(active.FRACCode)
		})
	})[:7]
	for b.Loop() {
		plan, err := Lay(b.Context(), request)
		require.NoError(b, err)
		require.NotEmpty(b, plan.Conflict)
	}
}

func TestWhatFollowsAfterExactlyTheDaysAskedForIsMarked(t *testing.T) {
	plan, err := Lay(t.Context(), season(3, 7, with(product("mancozeb", "mancozeb"), everyDays(7))))
	require.NoError(t, err)
	var marked []bool
	for _, planned := range plan.Applications {
		marked = append(marked, planned.SameHour)
	}
	require.Equal(t, []bool{false, true, true}, marked)

	plan, err = Lay(t.Context(), season(3, 8, with(product("mancozeb", "mancozeb"), everyDays(7))))
	require.NoError(t, err)
	for _, planned := range plan.Applications {
		require.False(t, planned.SameHour, "8 days leave a day to spare")
	}
}

func TestProductsWithTheSameNumbersOnTheirLabelsAreCountedEachForItself(t *testing.T) {
	plan, err := Lay(t.Context(), season(4, 14, with(product("mancozeb", "mancozeb"), perYear(2)), with(product("captan", "captan"), perYear(2))))
	require.NoError(t, err)
	require.Len(t, plan.Applications, 4, "two of each")
	request := season(4, 14, with(product("mancozeb", "mancozeb"), perYear(2)), with(product("captan", "captan"), perYear(2)))
	request.History = rules.History{"p1": {sprayed(30, "captan")}}
	plan, err = Lay(t.Context(), request)
	require.NoError(t, err)
	require.Empty(t, plan.Applications, "one captan was applied before")
}

func TestASearchThatEndsEarlySaysSoAndClaimsNothing(t *testing.T) {
	_, err := lay(t.Context(), nurserySeason(), 3)
	require.ErrorContains(t, err, "the search ended early: no rotation was found, and it was not shown that there is none")

	impossibleSeason := season(8, 7, with(product("mancozeb", "mancozeb"), perYear(3)), with(product("chlorothalonil", "chlorothalonil"), perYear(4)))
	whole, err := Lay(t.Context(), impossibleSeason)
	require.NoError(t, err)
	require.True(t, whole.Smallest)
	settled := 0
	for steps := 1; steps < 10_000; steps += 53 {
		plan, err := lay(t.Context(), impossibleSeason, steps)
		if err != nil {
			require.ErrorContains(t, err, "not shown that there is none")
			continue
		}
		require.Empty(t, plan.Applications)
		settled++
		if plan.Smallest {
			require.Len(t, plan.Conflict, len(whole.Conflict), "%d steps", steps)
			require.True(t, plan.Irreducible)
		}
	}
	require.Positive(t, settled)
}
