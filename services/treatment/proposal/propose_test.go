package proposal_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rules"
)

const (
	fungus   = diagnosisv1.DisorderClass_DISORDER_CLASS_FUNGUS
	oomycete = diagnosisv1.DisorderClass_DISORDER_CLASS_OOMYCETE
)

// now is when the work would begin.
var now = time.Date(2026, 6, 15, 6, 0, 0, 0, time.UTC)

func amount(text string) quantity.Quantity {
	q, err := quantity.Parse(text)
	if err != nil {
		panic(err)
	}
	return q
}

// product is a solid with 500 g/kg of each active ingredient, 1 to 2 g/L, a complete
// label that limits nothing else, and 1 kg of it in the store.
func product(id string, actives ...string) proposal.Stocked {
	direction := products.Direction{
		Method: productsv1.Method_METHOD_SPRAY, Classes: []diagnosisv1.DisorderClass{fungus, oomycete},
		RateMin: amount("1 g/L"), RateMax: amount("2 g/L"), WaterVolumeMin: amount("1000 L/ha"), WaterVolumeMax: amount("2000 L/ha"),
		RestrictedEntryInterval: amount("12 h"),
	}
	for fact := productsv1.LabelFact_LABEL_FACT_CROPS; fact <= productsv1.LabelFact_LABEL_FACT_CHEMIGATION; fact++ {
		if fact != productsv1.LabelFact_LABEL_FACT_RESTRICTED_ENTRY_INTERVAL {
			direction.SilentOn = append(direction.SilentOn, fact)
		}
	}
	p := products.Product{
		ID: id, DisplayName: strings.ToUpper(id[:1]) + id[1:], RegistrationNumber: "R-" + id, Jurisdiction: "ZA",
		Form: productsv1.ProductForm_PRODUCT_FORM_SOLID, Formulation: productsv1.Formulation_FORMULATION_WP,
		Directions: []products.Direction{direction},
	}
	for _, active := range actives {
		p.Contents = append(p.Contents, products.Content{ActiveIngredient: active, Amount: amount("500 g/kg")})
	}
	return proposal.Stocked{Product: p, Store: rules.Store{
		Counted: true, Containers: []rules.Container{{ID: "c1", Remaining: amount("1 kg"), ExpireDate: "2027-12-31"}},
	}}
}

func with(stocked proposal.Stocked, change func(*proposal.Stocked, *products.Direction)) proposal.Stocked {
	stocked.Product.Directions = slices.Clone(stocked.Product.Directions)
	change(&stocked, &stocked.Product.Directions[0])
	return stocked
}

// step is a spray against anthracnose on 100 m2 in one house.
func step(candidates string, stocked ...proposal.Stocked) proposal.Request {
	no := false
	return proposal.Request{
		Application: rules.Application{
			Start: now, Zone: time.UTC, Jurisdiction: "ZA", Method: productsv1.Method_METHOD_SPRAY, Disorder: "anthracnose", Class: fungus,
			Lots: []rules.Lot{{ID: "p1", BotanicalName: "Phalaenopsis amabilis", House: "north"}},
			Treatments: []rules.Treatment{{
				Field: "treatments[0]", House: "north", Site: productsv1.Site_SITE_GREENHOUSE, Area: amount("100 m2"), Plants: 500,
			}},
			Conditions: rules.Conditions{Temperature: amount("20 Cel"), Humidity: amount("70 %"), OpenBloom: &no, Sunlit: &no, WetFoliage: &no},
			Candidates: strings.Fields(candidates),
		},
		Products: stocked,
	}
}

// sprayed is an application of one active ingredient so many days before.
func sprayed(daysBefore int, id string) rules.Past {
	end := now.AddDate(0, 0, -daysBefore)
	active, known := products.ActiveIngredientByID(id)
	if !known {
		panic(id)
	}
	return rules.Past{
		ID: end.Format(time.DateOnly), Start: end.Add(-time.Hour), End: end, Method: productsv1.Method_METHOD_SPRAY,
		Disorder: "anthracnose", Class: fungus,
		Products: []rules.PastProduct{{
			ID: id, DisplayName: active.DisplayName, RegistrationNumber: "R-" + id,
			Actives: []rules.PastActive{{ID: id, Group: active.FRACCode, PerArea: big.NewRat(1, 10)}},
		}},
	}
}

func ids(options []proposal.Option) string {
	var all []string
	for _, option := range options {
		all = append(all, option.Product.ID)
	}
	return strings.Join(all, " ")
}

func TestRanking(t *testing.T) {
	mancozeb, captan := product("mancozeb", "mancozeb"), product("captan", "captan")
	priced := func(id, cost string, actives ...string) proposal.Stocked {
		return with(product(id, actives...), func(s *proposal.Stocked, _ *products.Direction) {
			s.Product.Cost, s.Product.CostPer = products.Money{Currency: "ZAR", Amount: decimal.RequireFromString(cost)}, amount("1 kg")
		})
	}
	for _, test := range []struct {
		name       string
		candidates string
		stocked    []proposal.Stocked
		past       []rules.Past
		proposed   string
	}{
		{"the step's order is its priority", "captan mancozeb", []proposal.Stocked{mancozeb, captan}, nil, "captan mancozeb"},
		{"what is in the store goes before what must be bought", "captan mancozeb",
			[]proposal.Stocked{mancozeb, with(captan, func(s *proposal.Stocked, _ *products.Direction) { s.Store = rules.Store{} })}, nil, "mancozeb captan"},
		{"what is too little must be bought too", "captan mancozeb",
			[]proposal.Stocked{mancozeb, with(captan, func(s *proposal.Stocked, _ *products.Direction) {
				s.Store.Containers = []rules.Container{{ID: "c1", Remaining: amount("19.999 g")}}
			})}, nil, "mancozeb captan"},
		{"what is as good costs less", "mancozeb", []proposal.Stocked{priced("a", "120", "mancozeb"), priced("b", "90.5", "mancozeb"), product("c", "mancozeb")}, nil, "b a c"},
		{"the one that was not used for longest", "tebuconazole fludioxonil",
			[]proposal.Stocked{product("tebuconazole", "tebuconazole"), product("fludioxonil", "fludioxonil")},
			[]rules.Past{sprayed(90, "tebuconazole"), sprayed(28, "mancozeb"), sprayed(21, "tebuconazole"), sprayed(14, "mancozeb"), sprayed(7, "captan")}, "fludioxonil tebuconazole"},
		{"the shorter restricted entry", "mancozeb",
			[]proposal.Stocked{product("a", "mancozeb"), with(product("b", "mancozeb"), func(_ *proposal.Stocked, d *products.Direction) { d.RestrictedEntryInterval = amount("48 h") })}, nil, "a b"},
		{"the one whose label leaves more", "mancozeb",
			[]proposal.Stocked{with(product("a", "mancozeb"), func(_ *proposal.Stocked, d *products.Direction) { d.MaxPerYear = 1 }), product("b", "mancozeb")}, nil, "b a"},
		{"no two alike: by id", "mancozeb", []proposal.Stocked{product("b", "mancozeb"), product("a", "mancozeb")}, nil, "a b"},
	} {
		t.Run(test.name, func(t *testing.T) {
			request := step(test.candidates, test.stocked...)
			request.History = rules.History{"p1": test.past}
			got, err := proposal.Propose(request)
			require.NoError(t, err)
			for _, option := range slices.Concat(got.Proposed, got.Lost) {
				t.Log(option.Rank, option.Product.ID, option.Points, option.Reasons)
			}
			require.Equal(t, test.proposed, ids(got.Proposed))
			require.Empty(t, got.Lost)
		})
	}
}

func TestWhyProductsLose(t *testing.T) {
	for _, test := range []struct {
		name    string
		request proposal.Request
		reason  string
	}{
		{"not one of the step's", step("mancozeb", product("x", "captan")), "no product of the mix holds an active ingredient of this step (mancozeb)"},
		{"does not work on the class", step("mefenoxam", product("x", "mefenoxam")), "does not work on a disorder of the class fungus"},
		{"wrong method", step("mancozeb", with(product("x", "mancozeb"), func(_ *proposal.Stocked, d *products.Direction) {
			d.Method = productsv1.Method_METHOD_DRENCH
		})), "has no direction for a spray"},
		{"no restricted-entry interval", step("mancozeb", with(product("x", "mancozeb"), func(_ *proposal.Stocked, d *products.Direction) {
			d.RestrictedEntryInterval = quantity.Quantity{}
		})), "restricted entry interval on the label of X is not entered"},
		{"an active ingredient that nobody knows", step("mancozeb", product("x", "snake-oil")), "is not in the catalog"},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := proposal.Propose(test.request)
			require.NoError(t, err)
			require.Empty(t, got.Proposed)
			require.Contains(t, strings.Join(got.Lost[0].Reasons, "\n"), test.reason)
			require.Zero(t, got.Lost[0].Rank)
		})
	}
}

func TestLosersOfTheStepComeFirst(t *testing.T) {
	drenched := func(_ *proposal.Stocked, d *products.Direction) { d.Method = productsv1.Method_METHOD_DRENCH }
	named := func(stocked proposal.Stocked, name string) proposal.Stocked {
		stocked.Product.DisplayName = name
		return stocked
	}
	got, err := proposal.Propose(step("mancozeb",
		named(product("a", "captan"), "Alpha"), named(with(product("b", "mancozeb"), drenched), "Zulu"), named(with(product("z", "mancozeb"), drenched), "Bravo")))
	require.NoError(t, err)
	require.Equal(t, "z b a", ids(got.Lost), "what holds mancozeb first, then by name")
	require.Equal(t, []string{"no product of the mix holds an active ingredient of this step (mancozeb)"}, got.Lost[2].Reasons)
}

func TestReasonsBeginWithTheSumAndAddUpToIt(t *testing.T) {
	random := rand.New(rand.NewPCG(39, 40))
	for range 40 {
		got, err := proposal.Propose(invent(random, 12, 2))
		require.NoError(t, err)
		for _, option := range got.Proposed {
			require.Equal(t, fmt.Sprintf("%d points against it in all; the fewer the better", option.Points), option.Reasons[0])
			sum, last := 0, option.Points
			for _, reason := range option.Reasons[1:] {
				points, text, found := strings.Cut(reason, " points: ")
				require.True(t, found, reason)
				require.NotEmpty(t, text)
				number := 0
				if points != "no" {
					_, err := fmt.Sscan(points, &number)
					require.NoError(t, err)
				}
				require.LessOrEqual(t, number, last, "most important first")
				sum, last = sum+number, number
			}
			require.Equal(t, option.Points, sum)
		}
	}
}

func TestWhatMustBeBoughtIsNotSaidToBeUncounted(t *testing.T) {
	expired := with(product("x", "mancozeb"), func(s *proposal.Stocked, _ *products.Direction) { s.Store.Containers[0].ExpireDate = "2026-01-31" })
	got, err := proposal.Propose(step("mancozeb", expired))
	require.NoError(t, err)
	require.Equal(t, "x", ids(got.Proposed), "buying it is all that is needed")
	for _, verdict := range got.Proposed[0].Verdicts {
		require.NotEqual(t, rules.RuleContainerCounted, verdict.Rule, "a container of it was entered")
	}
	require.False(t, got.Proposed[0].Enough)
	require.Contains(t, strings.Join(got.Proposed[0].Reasons, "\n"), "only 0 g that may be used is in the store, and 20 g is needed")
}

func TestWhatMustBeKeptApartFromThePastIsNotWorthBuying(t *testing.T) {
	request := step("lime-sulphur mancozeb")
	request.History = rules.History{"p1": {sprayed(5, "copper-hydroxide")}}
	got, err := proposal.Propose(request)
	require.NoError(t, err)
	require.Equal(t, []string{"mancozeb"}, got.ToBuy, "lime sulphur must not follow copper")
}

func TestAmountsAreThoseOfTheHighestRateAndTheLeastWater(t *testing.T) {
	got, err := proposal.Propose(step("mancozeb", product("x", "mancozeb")))
	require.NoError(t, err)
	option := got.Proposed[0]
	require.Equal(t, "2 g/L", option.Rate.String())
	require.Equal(t, "10 L", option.MixVolume.String())
	require.Equal(t, "20 g", option.Amount.String())
	require.Equal(t, "12 h", option.RestrictedEntryInterval.String())
	require.Equal(t, "1 kg", option.InStore.String())
}

func TestAmountsAddUpOverHouses(t *testing.T) {
	request := step("mancozeb", product("x", "mancozeb"))
	second := request.Application.Treatments[0]
	second.Field, second.House, second.Area = "treatments[1]", "south", amount("33.33 m2")
	request.Application.Treatments = append(request.Application.Treatments, second)
	got, err := proposal.Propose(request)
	require.NoError(t, err)
	// 3.333 L are rounded up to 3.34 L, as a hand sprayer is read.
	require.Equal(t, "13.34 L", got.Proposed[0].MixVolume.String())
	require.Equal(t, "26.68 g", got.Proposed[0].Amount.String())
}

func TestARateThatIsNotTheSameInEveryHouseIsSaid(t *testing.T) {
	request := step("mancozeb", with(product("x", "mancozeb"), func(s *proposal.Stocked, d *products.Direction) {
		outdoor := *d
		outdoor.Sites, d.Sites = []productsv1.Site{productsv1.Site_SITE_OUTDOOR}, []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}
		outdoor.RateMin, outdoor.RateMax = amount("0.1 g/L"), amount("0.2 g/L")
		s.Product.Directions = append(s.Product.Directions, outdoor)
	}))
	second := request.Application.Treatments[0]
	second.Field, second.House, second.Site = "treatments[1]", "south", productsv1.Site_SITE_OUTDOOR
	request.Application.Treatments = append(request.Application.Treatments, second)
	got, err := proposal.Propose(request)
	require.NoError(t, err)
	require.Equal(t, "22 g", got.Proposed[0].Amount.String(), "10 L at 2 g/L and 10 L at 0.2 g/L")
	require.Contains(t, got.Proposed[0].Reasons, "no points: the label's rate is not the same in every house: 2 g/L, but 0.2 g/L in house south")
}

func TestAVolumeThatIsGivenIsTaken(t *testing.T) {
	request := step("mancozeb", product("x", "mancozeb"))
	request.Application.Treatments[0].MixVolume = amount("15 L")
	got, err := proposal.Propose(request)
	require.NoError(t, err)
	require.Equal(t, "30 g", got.Proposed[0].Amount.String())
}

func TestWhatIsWorthBuying(t *testing.T) {
	request := step("mancozeb tebuconazole mefenoxam fludioxonil boscalid", product("x", "mancozeb"))
	request.Application.RoundBefore = []string{"12"}
	request.History = rules.History{"p1": {sprayed(14, "tebuconazole"), sprayed(7, "tebuconazole")}}
	got, err := proposal.Propose(request)
	require.NoError(t, err)
	require.Equal(t, []string{"boscalid"}, got.ToBuy,
		"mancozeb is here, group 3 was used twice one after another, mefenoxam does nothing against fungi, group 12 failed in the round before")
}

func TestFactsThatNoProductCanMendAreAnError(t *testing.T) {
	request := step("mancozeb", product("x", "mancozeb"))
	request.Application.Class = diagnosisv1.DisorderClass_DISORDER_CLASS_UNSPECIFIED
	_, err := proposal.Propose(request)
	require.ErrorContains(t, err, "what the application is against must be given")
}

var actives = []string{
	"mancozeb", "chlorothalonil", "captan", "copper-hydroxide", "sulphur", "paraffinic-oil", "tebuconazole", "propiconazole",
	"azoxystrobin", "trifloxystrobin", "boscalid", "fluopyram", "cyprodinil", "fludioxonil", "fenhexamid", "polyoxin-d",
	"thiophanate-methyl", "iprodione", "bacillus-subtilis", "potassium-bicarbonate", "lime-sulphur", "oxathiapiprolin",
}

// invent draws a step with some products and a past.
func invent(random *rand.Rand, stocked, lots int) proposal.Request {
	var candidates []string
	for _, id := range actives {
		if random.IntN(3) > 0 {
			candidates = append(candidates, id)
		}
	}
	request := step(strings.Join(candidates, " "))
	for i := range stocked {
		held := []string{actives[random.IntN(len(actives))]}
		if other := actives[random.IntN(len(actives))]; random.IntN(4) == 0 && other != held[0] {
			held = append(held, other)
		}
		one := product(fmt.Sprintf("p%03d", i), held...)
		d := &one.Product.Directions[0]
		d.MaxPerYear = []int32{0, 2, 6}[random.IntN(3)]
		d.MinIntervalDays = []int32{0, 7, 14}[random.IntN(3)]
		d.RateMax = amount([]string{"2 g/L", "2.5 kg/ha", "1.7 oz/gal", "3 lb/acre", "900 ppm"}[random.IntN(5)])
		d.RateMin = quantity.Quantity{Amount: d.RateMax.Amount.Div(decimal.NewFromInt(2)), Unit: d.RateMax.Unit}
		if random.IntN(4) == 0 {
			d.WaterVolumeMin, d.WaterVolumeMax = amount("100 gal/acre"), amount("100 gal/acre")
		}
		if random.IntN(10) == 0 {
			d.Crops = []string{"Vanda"}
			d.SilentOn = slices.DeleteFunc(slices.Clone(d.SilentOn), func(f productsv1.LabelFact) bool { return f == productsv1.LabelFact_LABEL_FACT_CROPS })
		}
		if random.IntN(3) > 0 {
			one.Product.Cost = products.Money{Currency: []string{"ZAR", "USD"}[random.IntN(2)], Amount: decimal.NewFromInt(int64(50 + random.IntN(400)))}
			one.Product.CostPer = amount("1 kg")
		}
		one.Store.Containers[0].Remaining = amount(fmt.Sprintf("%d g", random.IntN(60)))
		request.Products = append(request.Products, one)
	}
	request.History = rules.History{}
	request.Application.Lots = nil
	for i := range lots {
		id := fmt.Sprintf("lot-%04d", i)
		request.Application.Lots = append(request.Application.Lots, rules.Lot{ID: id, BotanicalName: "Phalaenopsis amabilis", House: "north"})
		for before := random.IntN(200); before > 0; before -= 5 + random.IntN(40) {
			request.History[id] = append(request.History[id], sprayed(before, actives[random.IntN(len(actives))]))
		}
	}
	return request
}

func TestWhatIsProposedPassesTheRules(t *testing.T) {
	random := rand.New(rand.NewPCG(31, 32))
	proposed, lost := 0, 0
	for range 150 {
		request := invent(random, 12, 3)
		got, err := proposal.Propose(request)
		require.NoError(t, err)
		require.Len(t, request.Products, len(got.Proposed)+len(got.Lost))
		for i, option := range got.Proposed {
			proposed++
			require.Equal(t, i+1, option.Rank)
			verdicts, err := rules.Check(option.Application, request.History)
			require.NoError(t, err)
			require.Empty(t, rules.Refusals(verdicts), option.Product.ID)
			require.NotEmpty(t, option.Reasons)
		}
		for _, option := range got.Lost {
			lost++
			require.NotEmpty(t, option.Reasons, option.Product.ID)
		}
	}
	require.Greater(t, proposed, 200)
	require.Greater(t, lost, 300)
}

func TestTheOrderOfTheProductsDoesNotMatter(t *testing.T) {
	random := rand.New(rand.NewPCG(33, 34))
	for range 60 {
		request := invent(random, 12, 2)
		want, err := proposal.Propose(request)
		require.NoError(t, err)
		random.Shuffle(len(request.Products), func(i, j int) {
			request.Products[i], request.Products[j] = request.Products[j], request.Products[i]
		})
		got, err := proposal.Propose(request)
		require.NoError(t, err)
		require.Equal(t, want, got)
	}
}

func TestOneMoreProductNeitherRemovesNorReordersTheOthers(t *testing.T) {
	random := rand.New(rand.NewPCG(35, 36))
	for range 60 {
		request := invent(random, 12, 2)
		with, err := proposal.Propose(request)
		require.NoError(t, err)
		left := request.Products[0].Product.ID
		request.Products = request.Products[1:]
		without, err := proposal.Propose(request)
		require.NoError(t, err)
		keep := slices.DeleteFunc(with.Proposed, func(o proposal.Option) bool { return o.Product.ID == left })
		require.Equal(t, ids(without.Proposed), ids(keep))
	}
}

// BenchmarkPropose ranks 300 products for a step on 20 lots with half a year of
// history each.
func BenchmarkPropose(b *testing.B) {
	request := invent(rand.New(rand.NewPCG(37, 38)), 300, 20)
	var took []time.Duration
	for b.Loop() {
		start := time.Now()
		got, err := proposal.Propose(request)
		took = append(took, time.Since(start))
		require.NoError(b, err)
		require.NotEmpty(b, got.Proposed)
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "p99-ms")
}

// inTwoHouses moves some lots of a step to a second house, in the open, with another
// kind of plant.
func inTwoHouses(random *rand.Rand, request proposal.Request) proposal.Request {
	south := request.Application.Treatments[0]
	south.Field, south.House, south.Site, south.Area = "treatments[1]", "south", productsv1.Site_SITE_OUTDOOR, amount("37.5 m2")
	request.Application.Treatments = append(slices.Clone(request.Application.Treatments), south)
	for i := range request.Application.Lots {
		if random.IntN(2) == 0 {
			request.Application.Lots[i].House, request.Application.Lots[i].BotanicalName = "south", "Vanda coerulea"
		}
	}
	for i := range request.Products {
		d := &request.Products[i].Product.Directions[0]
		switch random.IntN(6) {
		case 0:
			d.Sites = []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}
		case 1:
			d.Crops = []string{"Phalaenopsis"}
		case 2:
			outdoor := *d
			outdoor.Sites, d.Sites = []productsv1.Site{productsv1.Site_SITE_OUTDOOR}, []productsv1.Site{productsv1.Site_SITE_GREENHOUSE}
			outdoor.RateMin, outdoor.RateMax = amount("0.1 g/L"), amount("0.2 g/L")
			request.Products[i].Product.Directions = append(request.Products[i].Product.Directions, outdoor)
		case 3:
			request.Products[i].Store.Containers[0].ExpireDate = "2026-06-14"
		}
	}
	return request
}

func TestWhatIsProposedPassesTheRulesInEveryHouseAndOutOfTheStore(t *testing.T) {
	random := rand.New(rand.NewPCG(41, 42))
	proposed, bought := 0, 0
	for range 250 {
		request := inTwoHouses(random, invent(random, 12, 4))
		got, err := proposal.Propose(request)
		require.NoError(t, err)
		stores := map[string]rules.Store{}
		for _, stocked := range request.Products {
			stores[stocked.Product.ID] = stocked.Store
		}
		for _, option := range got.Proposed {
			proposed++
			verdicts, err := rules.Check(option.Application, request.History)
			require.NoError(t, err)
			require.Empty(t, rules.Refusals(verdicts), option.Product.ID)
			require.Equal(t, request.Application.Candidates, option.Application.Candidates)
			for i := range option.Application.Treatments {
				require.Len(t, option.Application.Treatments[i].Lines, 1)
				option.Application.Treatments[i].Lines[0].Store = stores[option.Product.ID]
			}
			verdicts, err = rules.Check(option.Application, request.History)
			require.NoError(t, err)
			refused := rules.Refusals(verdicts)
			for _, verdict := range refused {
				require.Contains(t, []string{rules.RuleContainerLeft, rules.RuleContainerExpired}, verdict.Rule)
			}
			require.Equal(t, len(refused) == 0, option.Enough, "%s: %v", option.Product.ID, refused)
			if !option.Enough {
				bought++
			}
		}
	}
	require.Greater(t, proposed, 100)
	require.Greater(t, bought, 30)
}

func TestWhatIsToBuyPassesTheRules(t *testing.T) {
	random := rand.New(rand.NewPCG(43, 44))
	checked := 0
	for range 150 {
		request := invent(random, 6, 3)
		got, err := proposal.Propose(request)
		require.NoError(t, err)
		for _, id := range got.ToBuy {
			bought := request
			bought.Products = []proposal.Stocked{product("bought", id)}
			again, err := proposal.Propose(bought)
			require.NoError(t, err)
			for _, lost := range again.Lost {
				for _, verdict := range rules.Refusals(lost.Verdicts) {
					require.Contains(t, []string{rules.RuleRotationPartner, rules.RuleRotationAlone, rules.RuleRotationSoloShare}, verdict.Rule, "%s: %s", id, verdict.Message)
				}
			}
			checked++
		}
	}
	require.Greater(t, checked, 200)
}
