package evaluation

import (
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
)

func TestVignettesAreFromOtherSourcesThanTheWeights(t *testing.T) {
	require.Empty(t, Shared(knowledge.Shipped().Sources, Shipped()))
}

func TestASharedSourceIsSeenHoweverItIsWritten(t *testing.T) {
	weights := []knowledge.Source{{Publisher: "Society A", Title: "Rot", URL: "https://www.a.example/Rot/"}}
	for name, test := range map[string]struct {
		source knowledge.Source
		shared bool
	}{
		"the same page":                 {knowledge.Source{Publisher: "B", Title: "Other", URL: "http://a.example/rot"}, true},
		"the same work":                 {knowledge.Source{Publisher: "SOCIETY  A", Title: "rot.", URL: "https://mirror.example/1"}, true},
		"another page of the publisher": {knowledge.Source{Publisher: "Society A", Title: "Rust", URL: "https://mirror.example/2"}, true},
		"another publisher":             {knowledge.Source{Publisher: "B", Title: "Rot", URL: "https://b.example/rot"}, false},
	} {
		t.Run(name, func(t *testing.T) {
			require.Equal(t, test.shared, len(Shared(weights, []Vignette{{ID: "v", Source: test.source}})) > 0)
		})
	}
}

func TestNoInstitutionTeachesADisorderAndExaminesIt(t *testing.T) {
	base := knowledge.Shipped()
	require.Empty(t, SameHouse(base, Shipped()))
	edema := []string{"edema"} // its weights cite a station of the University of Florida
	for publisher, same := range map[string]bool{
		"University of Florida, IFAS Extension": true, "Purdue University": false,
	} {
		v := Vignette{ID: "v", Source: knowledge.Source{Publisher: publisher}, Disorders: edema}
		require.Equal(t, same, len(SameHouse(base, []Vignette{v})) > 0, publisher)
		v.Disorders = []string{"rust"}
		require.Empty(t, SameHouse(base, []Vignette{v}))
	}
	require.Equal(t, housesOf("UMass Extension"), housesOf("University of Massachusetts Extension"), "two names of one")
}

func TestThereAreAtLeastSixtyVignettesEachWithItsSource(t *testing.T) {
	require.GreaterOrEqual(t, len(Shipped()), 60)
	for _, v := range Shipped() {
		require.NotEmpty(t, v.Source.URL, v.ID)
	}
}

const head = `
sources:
  page: {publisher: B, title: Rot, url: "https://b.example/rot"}
vignettes:
  - id: a
    source: page
    plant: Phalaenopsis
    description: A leaf rots.
`

func TestAVignetteThatBreaksARuleIsRefused(t *testing.T) {
	for name, test := range map[string]struct{ row, says string }{
		"sound":            {head + "    findings: [leaf:slimy]\n    disorder: black-rot\n", ""},
		"none of these":    {head + "    findings: [leaf:slimy=absent]\n    disorder: none-of-these\n", ""},
		"two":              {head + "    findings: [leaf:slimy]\n    disorder: black-rot + rust\n", ""},
		"three":            {head + "    findings: [leaf:slimy]\n    disorder: black-rot + rust + edema\n", "more than two"},
		"unknown disorder": {head + "    findings: [leaf:slimy]\n    disorder: pox\n", `"pox" is unknown`},
		"unknown sign":     {head + "    findings: [leaf:green]\n    disorder: rust\n", "vocabulary"},
		"unknown organ":    {head + "    findings: [tail:slimy]\n    disorder: rust\n", "ORGAN:SIGN"},
		"half a finding":   {head + "    findings: [slimy]\n    disorder: rust\n", "ORGAN:SIGN"},
		"present":          {head + "    findings: [leaf:slimy=present]\n    disorder: rust\n", "ORGAN:SIGN"},
		"lacking organ":    {head + "    findings: [pseudobulb:slimy]\n    disorder: rust\n", "has no pseudobulb"},
		"no findings":      {head + "    disorder: rust\n", "needs findings"},
		"unknown field":    {head + "    findings: [leaf:slimy]\n    disorder: rust\n    colour: red\n", "colour"},
		"no such source":   {head + "    findings: [leaf:slimy]\n    disorder: rust\n  - {id: b, source: other, plant: Rosa, description: x, findings: [leaf:slimy], disorder: rust}\n", `"other" stands nowhere`},
		"twice":            {head + "    findings: [leaf:slimy]\n    disorder: rust\n  - {id: a, source: page, plant: Rosa, description: x, findings: [leaf:slimy], disorder: rust}\n", "once"},
		"hot":              {head + "    findings: [leaf:slimy]\n    disorder: rust\n    site: {temperature_c: \"78\"}\n", "from -20 to 60"},
		"dim":              {head + "    findings: [leaf:slimy]\n    disorder: rust\n    site: {light: dim}\n", "low, usual or high"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read(fstest.MapFS{"vignettes/a.yaml": {Data: []byte(test.row)}}, knowledge.Shipped())
			if test.says == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, test.says)
		})
	}
}

func FuzzVignettesAreReadOrRefused(f *testing.F) {
	f.Add(head + "    findings: [leaf:slimy=absent]\n    disorder: black-rot + rust\n    site: {temperature_c: \"26\", light: low, leaves_wet: true}\n")
	f.Add("vignettes: [{id: a}]")
	base := knowledge.Shipped()
	f.Fuzz(func(t *testing.T, text string) {
		all, err := Read(fstest.MapFS{"vignettes/a.yaml": {Data: []byte(text)}}, base)
		if err != nil {
			return
		}
		for _, v := range all {
			require.NoError(t, inference.Check(base, v.Case))
		}
	})
}

// ranked is a ranking of these candidates.
func ranked(shares map[string]float64, order ...string) inference.Ranking {
	var r inference.Ranking
	for _, id := range order {
		r.Candidates = append(r.Candidates, inference.Candidate{Disorder: id, Probability: shares[id]})
	}
	return r
}

func TestBrierByHand(t *testing.T) {
	r := ranked(map[string]float64{"a": 0.7, "b": 0.2, "": 0.1}, "a", "b", "")
	require.InDelta(t, 0.09+0.04+0.01, brier(r, "a"), 1e-12)
	require.InDelta(t, 0.49+0.64+0.01, brier(r, "b"), 1e-12)
	require.InDelta(t, 0.49+0.04+0.81, brier(r, ""), 1e-12)
	require.InDelta(t, 0.49+0.04+0.01+1, brier(r, "never weighed"), 1e-12)
	two := ranked(map[string]float64{"a": 1, "b": 1}, "a", "b")
	require.InDelta(t, 0.25+0.25, brier(two, "a"), 1e-12, "scaled to sum to 1")
}

func TestRankOfTheTruth(t *testing.T) {
	r := ranked(map[string]float64{"a": 0.7, "b": 0.2, "": 0.1}, "a", "b", "")
	require.Equal(t, 1, rankOf(r, []string{"a"}))
	require.Equal(t, 3, rankOf(r, []string{""}))
	require.Equal(t, 2, rankOf(r, []string{"a", "b"}), "of two the worse")
	require.Equal(t, 4, rankOf(r, []string{"never weighed"}))
}

func TestAReportCountsEveryCaseOnce(t *testing.T) {
	report := Score(knowledge.Shipped(), Shipped()[:20])
	require.Equal(t, 20, report.Vignettes)
	var inBins, inClasses, first int
	for _, b := range report.Reliability {
		inBins += b.Vignettes
		require.True(t, b.Vignettes == 0 || (b.Said > b.Above && b.Said <= b.UpTo), "the mean of a bin lies in it")
	}
	for _, c := range report.Classes {
		inClasses += c.Vignettes
		first += c.Top1
	}
	require.Equal(t, []int{20, 20}, []int{inBins, inClasses})
	require.Len(t, report.Misses, 20-first)
	require.InDelta(t, float64(first)/20, report.Top1, 1e-9)
	for _, m := range report.Misses {
		require.Greater(t, m.Rank, 1)
	}
}

// Floors of the published cases: the figures of the first run, before anybody had
// looked at which it missed, less five of a hundred, about the standard error of a
// share over so few cases. Whoever lowers them says why.
const (
	leastTop1 = 0.66
	leastTop3 = 0.80
)

func TestPublishedCasesAreRankedAsWellAsTheyWere(t *testing.T) {
	report := Score(knowledge.Shipped(), Shipped())
	require.NoError(t, report.WriteReliability(t.Output()))
	require.NoError(t, report.WriteCases(t.Output()))
	require.GreaterOrEqual(t, report.Top1, leastTop1)
	require.GreaterOrEqual(t, report.Top3, leastTop3)
}

func BenchmarkVignettes(b *testing.B) {
	var report Report
	for b.Loop() {
		report = Score(knowledge.Shipped(), Shipped())
	}
	b.ReportMetric(100*report.Top1, "top1-%")
	b.ReportMetric(100*report.Top3, "top3-%")
	b.ReportMetric(report.Brier, "Brier")
	require.NoError(b, report.WriteReliability(b.Output()))
}
