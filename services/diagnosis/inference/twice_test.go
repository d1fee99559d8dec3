package inference

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/knowledge"
)

func asks(r Ranking, wanted func(Question) bool) bool {
	return slices.ContainsFunc(r.Questions, wanted)
}

func on(base *knowledge.Base, plant string, texts ...string) Case {
	return Case{Plant: base.PlantOf(plant), Findings: findings(texts...)}
}

// Who has scraped the bump, or has a test of it, is not asked to do it again.
func TestWhatSomebodyHasLookedForIsNotAskedAgain(t *testing.T) {
	base := knowledge.Shipped()
	for _, texts := range [][]string{{"leaf:bump-stays-when-scraped"}, {"leaf:bump-scrapes-off"}} {
		require.False(t, asks(Assess(base, on(base, "Hedera", texts...)), func(q Question) bool {
			return q.Test == "bump-stays" || texts[0] == "leaf:bump-scrapes-off" && q.Test == "scrape-bump"
		}), texts)
	}
	c := on(base, "Hedera", "leaf:corky-bumps")
	require.True(t, asks(Assess(base, c), func(q Question) bool { return q.Sign == "bump-stays-when-scraped" }))
	c.Results = []Result{{Sample: "nurseries/test/samples/1", Test: "bump-stays", Positive: true}}
	require.False(t, asks(Assess(base, c), func(q Question) bool { return q.Sign == "bump-stays-when-scraped" }))

	c = on(base, "Phalaenopsis", "leaf:burnt-tip-or-margin")
	even := func(q Question) bool { return q.Sign == "uniform-along-feed-line" }
	require.True(t, asks(Assess(base, c), even))
	c.Findings = append(c.Findings, findings("leaf:uniform-along-feed-line=absent")...)
	require.False(t, asks(Assess(base, c), even), "nor whether it is even over the bench, of another organ")
}

func TestASignAndTheTestThatReadsItAreOneFact(t *testing.T) {
	base := knowledge.Shipped()
	odds := func(texts []string, results ...Result) float64 {
		c := on(base, "Cattleya", texts...)
		c.Results = results
		return probability(Assess(base, c), "fusarium-wilt")
	}
	ring := Result{Sample: "nurseries/test/samples/1", Test: "cut-for-ring", Positive: true}
	seen := odds([]string{"pseudobulb:ring-in-cut-face"})
	both := odds([]string{"pseudobulb:ring-in-cut-face"}, ring)
	apart := odds([]string{"pseudobulb:ring-in-cut-face"}, Result{Sample: "nurseries/test/samples/1", Test: "fungal-culture", Positive: true, Disorder: "fusarium-wilt"})
	require.Greater(t, both, seen)
	require.Greater(t, apart, 1.2*both, "a laboratory says more than the same look once more")
}

// A strip misses some: while much of the virus is left, the next thing is another
// test and no blade.
func TestANegativeStripIsNotEnoughWhereTheSignsAreClear(t *testing.T) {
	base := knowledge.Shipped()
	c := on(base, "Cattleya", "leaf:mosaic", "flower:colour-break", "leaf:dead-streaks", "leaf:ring-pattern", "whole-plant:wilting", "stem:firm-dry-rot")
	c.Results = []Result{{Sample: "nurseries/test/samples/1", Test: "orchid-virus-strip"}}
	r := Assess(base, c)
	require.Greater(t, probability(r, "virus-mosaic"), 0.5)
	cut := slices.IndexFunc(r.Questions, func(q Question) bool { return q.Sign == "ring-in-cut-face" || q.Test == "cut-for-ring" })
	another := slices.IndexFunc(r.Questions, func(q Question) bool {
		test, _ := base.Test(q.Test)
		return slices.Contains(test.Finds, "virus-mosaic")
	})
	require.True(t, cut < 0 || (another >= 0 && another < cut))

	plain := on(base, "Cattleya", "whole-plant:wilting", "stem:firm-dry-rot", "leaf:yellowing")
	plain.Results = c.Results
	require.True(t, asks(Assess(base, plain), func(q Question) bool { return q.Sign == "ring-in-cut-face" || q.Test == "cut-for-ring" }),
		"without such signs it is")

	c.Results[0].Positive = true
	require.Contains(t, Assess(base, c).Notes, "A test found Virus mosaic and ringspot: cut nothing of these plants, a blade carries it on.")
}

// Sentences agree with the side on which they stand.
func TestASentenceSaysWhyItSpeaksForOrAgainst(t *testing.T) {
	base := knowledge.Shipped()
	r := Assess(base, on(base, "Phalaenopsis", "leaf:slimy", "leaf:foul-smell", "leaf:collapse-within-days", "leaf:water-soaked=absent"))
	sentences := func(disorder string) (pro, contra []string) {
		for _, c := range r.Candidates {
			if c.Disorder != disorder {
				continue
			}
			for _, e := range c.For {
				pro = append(pro, e.Sentence)
			}
			for _, e := range c.Against {
				contra = append(contra, e.Sentence)
			}
		}
		return pro, contra
	}
	pro, contra := sentences("bacterial-soft-rot")
	require.Contains(t, pro, "Foul smell (leaf): found, and Bacterial soft rot usually shows it.")
	require.Contains(t, contra, "Looks soaked with water, dirty green, glassy against the light (leaf): looked for and not there, but Bacterial soft rot usually shows it.")
	_, contra = sentences("bacterial-brown-spot")
	require.Contains(t, contra, "Foul smell (leaf): found, but Bacterial brown spot seldom shows it.")
	pro, _ = sentences("virus-mosaic")
	require.NotContains(t, pro, "Foul smell (leaf): found, but Virus mosaic and ringspot does not show it.")
}

func TestAPlantOnWhichNothingWasFoundMayBeSound(t *testing.T) {
	base := knowledge.Shipped()
	const sound = "No sign was found: the order says what is left among sick plants, and these may be sound."
	require.Contains(t, Assess(base, on(base, "Phalaenopsis", "leaf:sunken=absent")).Notes, sound)
	require.NotContains(t, Assess(base, on(base, "Phalaenopsis", "leaf:sunken=absent", "leaf:mosaic")).Notes, sound)
}
