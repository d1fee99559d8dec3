package rules_test

import (
	"math/big"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

func against(disorder string, class diagnosisv1.DisorderClass) func(*rules.Application) {
	return func(a *rules.Application) { a.Disorder, a.Class = disorder, class }
}

func TestTheMixServesTheStep(t *testing.T) {
	candidates := func(ids ...string) func(*rules.Application) {
		return func(a *rules.Application) { a.Candidates = ids }
	}
	specify(t, rules.RuleStepCandidate, false, []rule{
		{name: "outside a step", want: ""},
		{name: "a candidate", change: candidates("captan", "mancozeb"), want: "pass"},
		{name: "none", change: candidates("captan"), want: "refuse", says: "captan"},
		{name: "one of two products", of: of("iprodione", "captan"), change: candidates("captan"), want: "pass"},
	})
	specify(t, rules.RuleWorksOnClass, false, []rule{
		{name: "works", want: "pass"},
		{name: "group 1 against an oomycete", of: of("thiophanate-methyl"), change: against("black-rot", oomycete), want: "refuse", says: "thiophanate-methyl (group 1)"},
		{name: "group 4 against an oomycete", of: of("metalaxyl"), change: against("black-rot", oomycete), want: "pass"},
		{name: "group 4 against a fungus", of: of("metalaxyl"), want: "refuse"},
		{name: "a partner does not help", of: of("metalaxyl", "thiophanate-methyl"), change: against("black-rot", oomycete), want: "refuse"},
		{name: "virus", change: against("virus-mosaic", diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS), want: "refuse", says: "no chemical works"},
		{name: "sunburn", change: against("sunburn", diagnosisv1.DisorderClass_DISORDER_CLASS_NO_DISEASE), want: "refuse", says: "no chemical works"},
		{name: "mites", change: against("spider-mite-injury", diagnosisv1.DisorderClass_DISORDER_CLASS_ANIMAL), want: "refuse", says: "no fungicide works"},
	})
	failed := func(groups ...string) func(*rules.Application) {
		return func(a *rules.Application) {
			a.RoundBefore, a.Candidates = groups, []string{"iprodione", "tebuconazole", "mancozeb"}
		}
	}
	specify(t, rules.RuleRotationRoundBefore, false, []rule{
		{name: "first round", of: of("iprodione"), want: ""},
		{name: "another group", of: of("iprodione"), change: failed("3"), want: "pass"},
		{name: "the same group", of: of("iprodione"), change: failed("2"), want: "refuse"},
		{name: "a multi-site group", of: of("mancozeb"), change: failed("M3"), want: "pass"},
	})
	v, _ := verdictOn(t, func() rules.Application { a := of("iprodione")(); failed("2")(&a); return a }(), nil, rules.RuleRotationRoundBefore)
	require.Equal(t, []string{"tebuconazole (group 3)", "mancozeb (group M03)"}, v.Alternatives)
}

func TestRotationOfAnApplication(t *testing.T) {
	specify(t, rules.RuleRotationConsecutive, true, []rule{
		{name: "multi-site", before: sprayed("mancozeb", 21, 14, 7), want: ""},
		{name: "second in a row", of: of("tebuconazole"), before: sprayed("tebuconazole", 7), want: "pass"},
		{name: "third in a row", of: of("tebuconazole"), before: sprayed("tebuconazole", 14, 7), want: "refuse", says: "lot p1", earliest: "2026-11-28 09:00"},
		{name: "another active of the group", of: of("tebuconazole"), before: sprayed("propiconazole", 14, 7), want: "refuse", earliest: "2026-11-28 09:00"},
		{name: "in mixtures", of: of("tebuconazole", "captan"), before: sprayed("myclobutanil+mancozeb", 14, 7), want: "refuse", earliest: "2026-11-28 09:00"},
		{name: "against another class", of: of("azoxystrobin", "captan"), before: func() rules.History {
			return rules.History{"p1": {past(now.AddDate(0, 0, -14), "black-rot", oomycete, "azoxystrobin", "mancozeb"), past(now.AddDate(0, 0, -7), "black-rot", oomycete, "azoxystrobin", "mancozeb")}}
		}(), want: "pass"},
	})
	specify(t, rules.RuleRotationPartner, true, []rule{
		{name: "alone", of: of("metalaxyl"), change: against("black-rot", oomycete), want: "refuse", says: "must never be alone"},
		{name: "with a partner", of: of("metalaxyl", "mancozeb"), change: against("black-rot", oomycete), want: "pass"},
		{name: "a partner that does not work on the class", of: of("metalaxyl", "iprodione"), change: against("black-rot", oomycete), want: "refuse"},
	})
	specify(t, rules.RuleLabelConsecutive, false, []rule{
		{name: "label says one", of: of("tebuconazole"), change: func(a *rules.Application) { label(a).MaxConsecutive = 1 }, before: sprayed("tebuconazole", 7),
			want: "refuse", earliest: "2026-12-05 09:00"},
	})
}

func TestRotationSaysWhatWouldPassInstead(t *testing.T) {
	a := of("tebuconazole")()
	a.Candidates = []string{"tebuconazole", "iprodione", "fludioxonil", "metalaxyl"}
	a.RoundBefore = []string{"12"}
	h := sprayed("tebuconazole", 14, 7)
	h["p2"] = sprayed("iprodione+tebuconazole", 7)["p1"]
	v, _ := verdictOn(t, a, h, rules.RuleRotationConsecutive)
	require.Equal(t, []string{"wait until 28 November 2026 09:00"}, v.Alternatives, "iprodione was the last on p2")
	delete(h, "p2")
	v, _ = verdictOn(t, a, h, rules.RuleRotationConsecutive)
	require.Equal(t, []string{"iprodione (group 2)", "wait until 28 November 2026 09:00"}, v.Alternatives)
}

// The verdict is that of the lot worst off, and waiting is for the last of them.
func TestTheWorstLotSpeaks(t *testing.T) {
	a := plain()
	label(&a).MinIntervalDays = 14
	h := sprayed("mancozeb", 10)
	h["p2"] = sprayed("mancozeb", 3)["p1"]
	v, _ := verdictOn(t, a, h, rules.RuleLabelMinInterval)
	require.Contains(t, v.Message, "lot p2 and 1 other")
	require.Equal(t, at("2026-06-26 10:00"), v.Earliest)

	a = of("tebuconazole")()
	h = sprayed("tebuconazole", 14, 7)
	h["p2"] = sprayed("tebuconazole", 15, 10, 5)["p1"]
	v, _ = verdictOn(t, a, h, rules.RuleRotationConsecutive)
	require.Contains(t, v.Message, "lot p2 and 1 other")
	require.Contains(t, v.Message, "application 4")
	require.Equal(t, now.AddDate(0, 0, -10).Add(180*24*time.Hour), v.Earliest)
}

// Lots that were always treated together share their past; each is counted, and
// one that was too close twice is counted once.
func TestLotsAlikeAreCounted(t *testing.T) {
	a := plain()
	label(&a).MinIntervalDays = 14
	a.Lots = append(a.Lots, rules.Lot{ID: "p3", BotanicalName: "Phalaenopsis amabilis", House: "north"})
	h := sprayed("mancozeb", 10, 5)
	h["p2"] = sprayed("mancozeb", 10, 5)["p1"]
	v, _ := verdictOn(t, a, h, rules.RuleLabelMinInterval)
	require.Contains(t, v.Message, "lot p1 and 1 other was")
	h["p3"] = sprayed("mancozeb", 10, 5)["p1"]
	h["p3"][1].Products[0].Actives[0].PerArea = big.NewRat(3, 4)
	v, _ = verdictOn(t, a, h, rules.RuleLabelMinInterval)
	require.Contains(t, v.Message, "lot p1 and 2 others")
	label(&a).ActiveLimits = []products.ActiveLimit{{ActiveIngredient: "mancozeb", MostPerYear: amount("1.5 g/m2")}}
	v, _ = verdictOn(t, a, h, rules.RuleLabelActivePerYear)
	require.Contains(t, v.Message, "1.625 g/m2 of mancozeb in 365 days on lot p3;")
}

func TestRefusalsComeFirstAndEarliestPassIsTheLastOfThem(t *testing.T) {
	a := plain()
	label(&a).MinIntervalDays, label(&a).MaxPerYear = 7, 1
	onlyLine(&a).Store.Counted = false
	verdicts, err := rules.Check(a, sprayed("mancozeb", 3))
	require.NoError(t, err)
	order := make([]int, len(verdicts))
	for i, v := range verdicts {
		order[i] = -int(v.Outcome)
	}
	require.True(t, slices.IsSorted(order))
	require.Len(t, rules.Refusals(verdicts), 2)
	earliest, ok := rules.EarliestPass(verdicts)
	require.True(t, ok)
	require.Equal(t, at("2027-06-12 10:00"), earliest)

	onlyLine(&a).Product.RegistrationExpireDate = "2026-01-01"
	verdicts, err = rules.Check(a, sprayed("mancozeb", 3))
	require.NoError(t, err)
	_, ok = rules.EarliestPass(verdicts)
	require.False(t, ok, "waiting does not renew a registration")

	verdicts, err = rules.Check(plain(), nil)
	require.NoError(t, err)
	require.Empty(t, rules.Refusals(verdicts))
	_, ok = rules.EarliestPass(verdicts)
	require.False(t, ok)
}

func TestSameRuleInTwoHousesSpeaksOnce(t *testing.T) {
	a := plain()
	second := a.Treatments[0]
	second.Field, second.House = "treatments[1]", "south"
	a.Treatments = append(a.Treatments, second)
	a.Lots[1].House = "south"
	verdicts, err := rules.Check(a, nil)
	require.NoError(t, err)
	seen := map[string]int{}
	for _, v := range verdicts {
		seen[v.Rule+v.Message]++
	}
	for what, times := range seen {
		require.Equal(t, 1, times, what)
	}
}

func TestBrokenFactsAreFaults(t *testing.T) {
	for name, broken := range map[string]func(*rules.Application){
		"an active ingredient that nobody knows": func(a *rules.Application) { onlyLine(a).Product.Contents[0].ActiveIngredient = "dragonbane" },
		"no class":                               func(a *rules.Application) { a.Class = 0 },
		"no method":                              func(a *rules.Application) { a.Method = 0 },
		"a solid by volume":                      func(a *rules.Application) { onlyLine(a).Amount = amount("15 mL") },
		"a rate by volume of a solid":            func(a *rules.Application) { label(a).RateMax = amount("2 mL/L") },
		"ppm of two active ingredients": func(a *rules.Application) {
			*onlyLine(a) = mix(product("two", "captan", "mancozeb")).Treatments[0].Lines[0]
			label(a).RateMin, label(a).RateMax = amount("50 ppm"), amount("100 ppm")
		},
		"degrees of another kind": func(a *rules.Application) { a.Conditions.Temperature = amount("20 %") },
	} {
		t.Run(name, func(t *testing.T) {
			a := plain()
			broken(&a)
			_, err := rules.Check(a, nil)
			_, isFault := fault.As(err)
			require.True(t, isFault, "%v", err)
		})
	}
	disorder := sprayed("mancozeb", 3, 30)
	_, err := rules.Check(plain(), disorder)
	require.ErrorContains(t, err, "lot p1: its applications are not in the order of their ends")
}

func TestATreatmentOfAHouseIsForItsLots(t *testing.T) {
	a := plain()
	a.Lots[1].BotanicalName, a.Lots[1].House = "Cattleya labiata", "south"
	south := a.Treatments[0]
	south.House = "south"
	a.Treatments = append(a.Treatments, south)
	require.Equal(t, products.Use{
		Method: productsv1.Method_METHOD_SPRAY, Class: fungus, Disorder: "rust", Site: productsv1.Site_SITE_GREENHOUSE,
		Crops: []string{"Phalaenopsis amabilis"},
	}, a.Use(a.Treatments[0]))
	a.Treatments = a.Treatments[:1]
	require.Equal(t, []string{"Phalaenopsis amabilis", "Cattleya labiata"}, a.Use(a.Treatments[0]).Crops, "it is on the record as treated, so it was there")
	a.Treatments[0].House = "west"
	require.Equal(t, []string{"Phalaenopsis amabilis", "Cattleya labiata"}, a.Use(a.Treatments[0]).Crops)
}

// What is on the record as treated is held to the rules, wherever the books have
// it: else a lot that is moved on paper escapes its own history.
func TestALotThatStandsInNoHouseTreatedIsHeldToItsHistoryToo(t *testing.T) {
	a := plain()
	label(&a).MinIntervalDays = 14
	a.Lots[0].House = "south"
	v, found := verdictOn(t, a, sprayed("mancozeb", 3), rules.RuleLabelMinInterval)
	require.True(t, found)
	require.Equal(t, rules.Refuse, v.Outcome, v.Message)
	a.Treatments[0].Lines = mix(product("azoxystrobin", "azoxystrobin")).Treatments[0].Lines
	v, found = verdictOn(t, a, sprayed("azoxystrobin", 20, 10), rules.RuleRotationConsecutive)
	require.True(t, found)
	require.Equal(t, rules.Refuse, v.Outcome, v.Message)
}
