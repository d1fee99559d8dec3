package inference

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/knowledge"
)

// Two disorders that growers take for each other, on shared evidence that makes
// them the first two candidates. The next question, answered as a plant with either
// would answer it, must put the right one first.
var lookAlikes = []struct {
	// rule is the row of the key of look-alikes or the separation rule.
	rule, plant   string
	first, second string
	shared        string
}{
	{rule: "1, 2: foul, slimy, in days against black, no smell, wet", plant: "Phalaenopsis", first: "bacterial-soft-rot", second: "black-rot",
		shared: "leaf:soft-wet-rot leaf:water-soaked leaf:advances-within-days"},
	{rule: "3: ring in the cut", plant: "Cattleya", first: "fusarium-wilt", second: "drought-injury",
		shared: "whole-plant:recovers-at-night root:hollow-dead-roots whole-plant:stunted root:medium-stays-wet=absent"},
	{rule: "3: ring in the cut", plant: "Cattleya", first: "fusarium-wilt", second: "overwatering",
		shared: "whole-plant:wilts-though-moist leaf:on-old-leaves-first root:hollow-dead-roots"},
	{rule: "3: ring in the cut", plant: "Cattleya", first: "fusarium-wilt", second: "rhizoctonia-rot",
		shared: "root:firm-dry-rot whole-plant:wilting"},
	{rule: "3: ring in the cut", plant: "Cattleya", first: "fusarium-wilt", second: "black-rot",
		shared: "stem:brown-throughout-cut leaf:wilting leaf:yellowing"},
	{rule: "4: rings and pink spores", plant: "Cattleya", first: "anthracnose", second: "sunburn",
		shared: "leaf:round-or-banded-patch whole-plant:after-more-light leaf:dark-border"},
	{rule: "4: rings and pink spores", plant: "Cattleya", first: "anthracnose", second: "salt-injury",
		shared: "leaf:starts-at-tip leaf:sharp-edge"},
	{rule: "4: rings and pink spores", plant: "Cattleya", first: "anthracnose", second: "phyllosticta-leaf-spot",
		shared: "leaf:black-pinheads leaf:pale-centre whole-plant:thin-stretched-growth"},
	{rule: "4: rings and pink spores", plant: "Cattleya", first: "anthracnose", second: "bacterial-brown-spot",
		shared: "leaf:sunken leaf:narrow-yellow-halo"},
	{rule: "5: rough diamonds along the veins", plant: "Vanda", first: "phyllosticta-leaf-spot", second: "cercospora-leaf-spot",
		shared: "leaf:fine-spots-run-together leaf:pale-centre whole-plant:slow-decline leaf:on-lower-leaves-first"},
	{rule: "5: rough diamonds along the veins", plant: "Vanda", first: "phyllosticta-leaf-spot", second: "thrips-injury",
		shared: "leaf:thrips-seen leaf:round-black-spots-thin-centre leaf:wilting=absent whole-plant:stunted=absent"},
	{rule: "5: rough diamonds along the veins", plant: "Dendrobium", first: "phyllosticta-leaf-spot", second: "bacterial-brown-spot",
		shared: "leaf:raised-rough leaf:streaks-along-veins leaf:ooze leaf:blackened-patch"},
	{rule: "6: underside first on old leaves", plant: "Cattleya", first: "cercospora-leaf-spot", second: "virus-mosaic",
		shared: "leaf:sunken leaf:irregular-soft-brown-patch leaf:advances-within-days=absent leaf:wilting=absent"},
	{rule: "6: underside first on old leaves", plant: "Cattleya", first: "cercospora-leaf-spot", second: "edema",
		shared: "leaf:on-underside-first leaf:mites-seen=absent leaf:fine-pale-stippling=absent leaf:advances-within-days=absent"},
	{rule: "6: underside first on old leaves", plant: "Phalaenopsis", first: "cercospora-leaf-spot", second: "flat-mite-injury",
		shared: "leaf:on-underside-first whole-plant:after-wet-spell leaf:dry-pits leaf:on-old-leaves-first"},
	{rule: "6: underside first on old leaves", plant: "Cymbidium", first: "cercospora-leaf-spot", second: "spider-mite-injury",
		shared: "leaf:on-underside-first leaf:leaves-drop-early leaf:on-lower-leaves-first"},
	{rule: "septoria: lens shows pinheads", plant: "Chrysanthemum", first: "septoria-leaf-spot", second: "cercospora-leaf-spot",
		shared: "leaf:fine-spots-run-together leaf:blackened-patch leaf:on-old-leaves-first"},
	{rule: "septoria: lens shows pinheads", plant: "Chrysanthemum", first: "septoria-leaf-spot", second: "xanthomonas-leaf-spot",
		shared: "leaf:narrow-yellow-halo leaf:small-round-spots whole-plant:after-wet-spell leaf:advances-within-days=absent"},
	{rule: "septoria: lens shows pinheads", plant: "Chrysanthemum", first: "septoria-leaf-spot", second: "pseudomonas-leaf-spot",
		shared: "leaf:blackened-patch leaf:narrow-yellow-halo leaf:on-lower-leaves-first leaf:small-round-spots"},
	{rule: "grey mould: grey fuzz that dusts", plant: "Saintpaulia", first: "grey-mould", second: "thrips-injury",
		shared: "leaf:dark-droppings flower:grey-dusty-mould flower:buds-drop"},
	{rule: "grey mould: grey fuzz that dusts", plant: "Phalaenopsis", first: "grey-mould", second: "virus-mosaic",
		shared: "flower:grey-dusty-mould leaf:sunken leaf:leaves-drop-early=absent leaf:blackened-patch=absent"},
	{rule: "rust: pustules rub off", plant: "Pelargonium", first: "rust", second: "spider-mite-injury",
		shared: "leaf:on-underside-first bench:spreads-from-a-focus"},
	{rule: "rust: pustules rub off", plant: "Pelargonium", first: "rust", second: "edema",
		shared: "leaf:on-underside-first leaf:raised-rough"},
	{rule: "powdery mildew: powder wipes off", plant: "Rosa", first: "powdery-mildew", second: "spray-injury",
		shared: "leaf:twisted-young-growth leaf:burnt-tip-or-margin leaf:advances-within-days=absent leaf:wilting=absent"},
	{rule: "powdery mildew: powder wipes off", plant: "Rosa", first: "powdery-mildew", second: "scale-or-mealybug",
		shared: "leaf:yellow-patches-above leaf:rust-pustules=absent leaf:fine-spots-run-together=absent leaf:angular-spots=absent"},
	{rule: "7: static, one exposed face", plant: "Phalaenopsis", first: "sunburn", second: "chilling-injury",
		shared: "leaf:bleached leaf:does-not-enlarge"},
	{rule: "8: a bump that scrapes off", plant: "Ficus", first: "scale-or-mealybug", second: "edema",
		shared: "leaf:corky-bumps leaf:yellow-patches-above leaf:wilting=absent whole-plant:slow-decline"},
	{rule: "9: many species at once, spray-shaped", plant: "Petunia", first: "spray-injury", second: "salt-injury",
		shared: "leaf:burnt-tip-or-margin whole-plant:many-species-at-once"},
	{rule: "9: many species at once, spray-shaped", plant: "Ficus", first: "spray-injury", second: "sunburn",
		shared: "whole-plant:many-species-at-once leaf:does-not-enlarge leaf:after-cold=absent"},
	{rule: "10: mosaic, rings, streaks: test before cutting", plant: "Phalaenopsis", first: "virus-mosaic", second: "chilling-injury",
		shared: "leaf:does-not-enlarge leaf:sunken"},
}

func TestTheNextQuestionTellsLookAlikesApart(t *testing.T) {
	base := knowledge.Shipped()
	for _, row := range lookAlikes {
		t.Run(row.first+" or "+row.second, func(t *testing.T) {
			c := Case{Plant: base.PlantOf(row.plant), Findings: findings(strings.Fields(row.shared)...)}
			require.NoError(t, Check(base, c))
			before := Assess(base, c)
			leading := []string{before.Candidates[0].Disorder, before.Candidates[1].Disorder}
			require.ElementsMatch(t, []string{row.first, row.second}, leading, "the shared evidence leaves the two; %s", shares(before))
			for _, truth := range leading {
				separated(t, base, c, truth)
			}
		})
	}
}

// separated asks the next question and answers it as the truth would.
func separated(t *testing.T, base *knowledge.Base, c Case, truth string) {
	t.Helper()
	d, _ := base.Disorder(truth)
	q := Assess(base, c).Questions[0]
	yes, typical := answers(base, d, q)
	require.True(t, typical, "%s answers either way: %s", truth, q.Sentence)
	if q.Test != "" {
		c.Results = []Result{{Sample: "nurseries/test/samples/1", Test: q.Test, Positive: yes}}
	} else {
		c.Findings = append(slices.Clone(c.Findings), Finding{Organ: q.Organ, Sign: q.Sign, Observed: yes})
	}
	after := Assess(base, c)
	require.Equal(t, truth, after.Candidates[0].Disorder, "after %s %t: %s", q.Sentence, yes, shares(after))
}

// answers is what a typical plant with the disorder says to a question: yes to what
// it often shows, no to what it seldom does; what it shows sometimes tells nothing.
func answers(base *knowledge.Base, d knowledge.Disorder, q Question) (yes, typical bool) {
	const often, seldom = 0.6, 0.1 // as in chances.yaml
	if test, known := base.Test(q.Test); known {
		return slices.Contains(test.Finds, d.ID), true
	}
	sign, _ := base.Sign(q.Sign)
	chance := sign.Elsewhere
	if expected, said := d.ChanceOf(q.Sign, q.Organ); said {
		chance = expected.Chance
	}
	return chance >= often, chance >= often || chance <= seldom
}

func shares(r Ranking) string {
	var text []string
	for _, c := range r.Candidates[:5] {
		text = append(text, fmt.Sprintf("%q %.2f", c.Disorder, c.Probability))
	}
	return strings.Join(text, ", ")
}
