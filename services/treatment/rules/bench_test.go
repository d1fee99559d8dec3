package rules_test

import (
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// The size of the benchmark: ten years of a nursery that treats every lot every
// two weeks. The 8 lots of a bench were always treated together; an application
// treats 40 lots of 5 benches.
const (
	benchLots     = 5000
	benchBench    = 8
	benchTogether = 40
	benchYears    = 10
	benchPerYear  = 26
)

// nurseryHistory is what all lots of the benchmark were treated with.
func nurseryHistory() rules.History {
	d := newDice(7)
	h := rules.History{}
	for first := 0; first < benchLots; first += benchBench {
		made := make([]rules.Past, 0, benchYears*benchPerYear)
		for i := benchYears * benchPerYear; i > 0; i-- {
			end := now.Add(-time.Duration(i)*14*24*time.Hour + time.Duration(first)*time.Second)
			made = append(made, past(end, d.from(someDisorders), fungus, d.from(someActives), "mancozeb"))
		}
		for lot := first; lot < first+benchBench; lot++ {
			h["lot-"+strconv.Itoa(lot)] = slices.Clone(made)
		}
	}
	return h
}

// benchApplication treats 40 lots with a mixture whose labels limit all they can.
func benchApplication(first int) rules.Application {
	limited := func(id string) products.Product {
		p := product(id, id)
		label := &p.Directions[0]
		label.MinIntervalDays, label.MaxPerCropCycle, label.MaxPerYear, label.MaxConsecutive = 7, 100, 20, 2
		label.WaterVolumeMin, label.WaterVolumeMax = amount("400 mL/m2"), amount("600 mL/m2")
		label.TemperatureMax, label.SaleIntervalDays, label.OpenBloom, label.Chemigation = amount("30 Cel"), days(7), allowed, allowed
		label.ActiveLimits = []products.ActiveLimit{{ActiveIngredient: id, MostPerYear: amount("200 kg/ha")}}
		return p
	}
	a := mix(limited("tebuconazole"), limited("azoxystrobin"))
	a.Candidates, a.RoundBefore = []string{"tebuconazole", "iprodione", "thiophanate-methyl"}, []string{"1"}
	a.Lots = nil
	for lot := first; lot < first+benchTogether; lot++ {
		a.Lots = append(a.Lots, rules.Lot{ID: "lot-" + strconv.Itoa(lot), BotanicalName: "Phalaenopsis amabilis", House: "north"})
	}
	return a
}

// BenchmarkCheck holds applications to 40 lots each to all rules, over ten years
// of history of 5,000 lots that is indexed once.
func BenchmarkCheck(b *testing.B) {
	history, err := rules.Index(nurseryHistory())
	require.NoError(b, err)
	checkAll(b, history.Check)
}

// BenchmarkCheckOnce is the same with the history of the lots read anew for every
// application, as a single confirmation does.
func BenchmarkCheckOnce(b *testing.B) {
	h := nurseryHistory()
	checkAll(b, func(a rules.Application) ([]rules.Verdict, error) { return rules.Check(a, h) })
}

// BenchmarkCheckOfManyLots holds one application to 1,000 lots to all rules: what that
// costs must grow with the lots, not with their square.
func BenchmarkCheckOfManyLots(b *testing.B) {
	history, err := rules.Index(nurseryHistory())
	require.NoError(b, err)
	a := benchApplication(0)
	for lot := benchTogether; lot < 1000; lot++ {
		a.Lots = append(a.Lots, rules.Lot{ID: "lot-" + strconv.Itoa(lot), BotanicalName: "Phalaenopsis amabilis", House: "north"})
	}
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		_, err := history.Check(a)
		require.NoError(b, err)
	}
}

// BenchmarkIndex makes the history of 5,000 lots ready.
func BenchmarkIndex(b *testing.B) {
	h := nurseryHistory()
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		_, err := rules.Index(h)
		require.NoError(b, err)
	}
}

func checkAll(b *testing.B, check func(rules.Application) ([]rules.Verdict, error)) {
	applications := make([]rules.Application, benchLots/benchTogether)
	for i := range applications {
		applications[i] = benchApplication(i * benchTogether)
	}
	b.ReportAllocs()
	b.ResetTimer()
	verdicts := 0
	for i := 0; i < b.N; i++ {
		said, err := check(applications[i%len(applications)])
		require.NoError(b, err)
		verdicts += len(said)
	}
	b.ReportMetric(float64(verdicts)/b.Elapsed().Seconds(), "verdicts/s")
}

// BenchmarkSequenceTallies asks one lot's sequence of ten years for one more use, as a
// proposal does for every product.
func BenchmarkSequenceTallies(b *testing.B) {
	d := newDice(8)
	var uses []rules.Use
	for i := benchYears * benchPerYear; i > 0; i-- {
		uses = append(uses, d.use(now.Add(-time.Duration(i)*14*24*time.Hour), d.from(someGroups)))
	}
	s, use := rules.NewSequence(uses...), useNow("rust", fungus, "3", "11")
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		s.Tallies(use)
	}
}
