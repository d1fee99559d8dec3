package rules_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/products"
	"velamen/services/treatment/rules"
)

// dice make cases that are the same in every run.
type dice struct{ *rand.Rand }

func newDice(seed uint64) dice { return dice{rand.New(rand.NewPCG(seed, 2026))} }

func (d dice) from(texts []string) string { return texts[d.IntN(len(texts))] }

var (
	someGroups    = []string{"1", "2", "3", "7", "9", "11", "12", "17", "19", "40", "49", "4", "M03", "M05", "P07", "NC", "88"}
	someDisorders = []string{"grey-mould", "rust", "powdery-mildew"}
)

// use is one of a group, alone or in a mixture.
func (d dice) use(at time.Time, group string) rules.Use {
	use := rules.Use{Time: at, Disorder: d.from(someDisorders), Class: fungus, Groups: []string{group}, Effective: []string{group}}
	for d.IntN(2) == 0 {
		if partner := d.from(someGroups); !slices.Contains(use.Groups, partner) {
			use.Groups = append(use.Groups, partner)
			if d.IntN(4) > 0 {
				use.Effective = append(use.Effective, partner)
			}
		}
	}
	return use
}

// somewhen is a moment before now, mostly within the window.
func (d dice) somewhen() time.Time {
	span := 200
	if d.IntN(4) == 0 {
		span = 500
	}
	return now.Add(-time.Duration(1+d.IntN(span*24)) * time.Hour)
}

// refusedFor returns the rules that refuse a group.
func refusedFor(tallies []rules.Tally, group string) []string {
	var refused []string
	for _, t := range tallies {
		if t.Group == group && t.Outcome == rules.Refuse {
			refused = append(refused, t.Rule)
		}
	}
	return refused
}

func TestOneMoreEarlierUseOfAGroupNeverTurnsRefusalIntoPass(t *testing.T) {
	d := newDice(1)
	refusals := map[string]int{}
	for range 20000 {
		var uses []rules.Use
		few := someGroups[:2+d.IntN(len(someGroups)-2)]
		for range d.IntN(18) {
			uses = append(uses, d.use(d.somewhen(), d.from(few)))
		}
		use := d.use(now, d.from(few))
		group := use.Groups[0]
		before := refusedFor(brokenBy(uses, use), group)
		earlier := d.use(d.somewhen(), group)
		after := refusedFor(brokenBy(append(slices.Clone(uses), earlier), use), group)
		for _, rule := range before {
			refusals[rule]++
			require.Contains(t, after, rule, "group %s, added %v to %v before %v", group, earlier, uses, use)
		}
	}
	for _, rule := range []string{
		rules.RuleRotationConsecutive, rules.RuleRotationAlone, rules.RuleRotationPartner, rules.RuleRotationRest, rules.RuleRotationReturn,
		rules.RuleRotationCount, rules.RuleRotationShare, rules.RuleRotationSoloShare, rules.RuleRotationMost,
	} {
		require.Positive(t, refusals[rule], "%s was never refused", rule)
	}
}

func TestWaitingUntilTheEarliestIsEnough(t *testing.T) {
	d := newDice(2)
	waited := 0
	refused := func(a rules.Application, h rules.History) map[string]rules.Verdict {
		x, err := rules.Index(h)
		require.NoError(t, err)
		verdicts, err := x.RotationVerdicts(a)
		require.NoError(t, err)
		byRule := map[string]rules.Verdict{}
		for _, v := range rules.Refusals(verdicts) {
			byRule[v.Rule] = v
		}
		return byRule
	}
	for range 3000 {
		few := someActives[:8]
		id := d.from(few)
		a := mix(product(id, id))
		a.Disorder, a.Start = d.from(someDisorders), now
		var made []rules.Past
		for range d.IntN(18) {
			made = append(made, past(d.somewhen(), d.from(someDisorders), fungus, d.from(few)))
		}
		slices.SortFunc(made, func(x, y rules.Past) int { return x.End.Compare(y.End) })
		h := rules.History{}
		for _, lot := range a.Lots {
			h[lot.ID] = made
		}
		for rule, v := range refused(a, h) {
			if v.Earliest.IsZero() {
				require.Equal(t, rules.RuleRotationPartner, rule, "only a lonely group is not mended by waiting")
				continue
			}
			waited++
			later := a
			later.Start = v.Earliest
			require.NotContains(t, refused(later, h), rule)
			later.Start = v.Earliest.Add(-time.Nanosecond)
			require.Contains(t, refused(later, h), rule)
		}
	}
	require.Greater(t, waited, 500)
}

var someActives = []string{
	"thiophanate-methyl", "iprodione", "tebuconazole", "metalaxyl", "boscalid", "cyprodinil", "azoxystrobin", "mancozeb", "captan",
	"sulphur", "lime-sulphur", "neem-oil", "copper-hydroxide", "fosetyl-al", "bacillus-subtilis", "oxathiapiprolin",
}

// product is one with a label that limits all that a label can.
func (d dice) product() products.Product {
	id := d.from(someActives)
	p := product(id, id)
	label := &p.Directions[0]
	label.MinIntervalDays, label.MaxPerCropCycle, label.MaxPerYear = int32(d.IntN(15)), int32(d.IntN(6)), int32(d.IntN(5))
	label.MaxConsecutive = int32(d.IntN(4))
	if d.IntN(2) == 0 {
		label.ActiveLimits = []products.ActiveLimit{{ActiveIngredient: id, MostPerYear: amount("1.5 g/m2")}}
	}
	return p
}

func (d dice) application() rules.Application {
	a := mix(d.product())
	a.Disorder = d.from(someDisorders)
	if d.IntN(3) == 0 {
		a.Disorder, a.Class = "black-rot", oomycete
	}
	if d.IntN(2) == 0 {
		a.Candidates = []string{d.from(someActives), d.from(someActives)}
	}
	if d.IntN(3) == 0 {
		a.RoundBefore = []string{d.from(someGroups)}
	}
	a.Conditions.Temperature = quantity.Must(fmt.Sprint(d.IntN(45)-2), quantity.Celsius)
	return a
}

func (d dice) history(a rules.Application) rules.History {
	h := rules.History{}
	for _, lot := range a.Lots {
		var made []rules.Past
		for range d.IntN(8) {
			made = append(made, past(d.somewhen(), a.Disorder, a.Class, d.from(someActives)))
		}
		slices.SortFunc(made, func(x, y rules.Past) int { return x.End.Compare(y.End) })
		h[lot.ID] = made
	}
	return h
}

// refusedRules are the rules that refuse, with the product or the resistance group
// that they are about.
func refusedRules(verdicts []rules.Verdict) map[string]bool {
	refused := map[string]bool{}
	for _, v := range rules.Refusals(verdicts) {
		about := v.Product
		if about == "" {
			about, _, _ = strings.Cut(v.Message, ":")
		}
		if v.Rule == rules.RuleStepCandidate {
			about = ""
		}
		refused[v.Rule+" "+about] = true
	}
	return refused
}

func TestOneMoreEarlierApplicationNeverTurnsRefusalIntoPass(t *testing.T) {
	d := newDice(3)
	for range 2000 {
		a := d.application()
		h := d.history(a)
		verdicts, err := rules.Check(a, h)
		require.NoError(t, err)
		lot := a.Lots[d.IntN(len(a.Lots))].ID
		more := append(slices.Clone(h[lot]), past(d.somewhen(), a.Disorder, a.Class, onlyLine(&a).Product.Contents[0].ActiveIngredient))
		slices.SortFunc(more, func(x, y rules.Past) int { return x.End.Compare(y.End) })
		h[lot] = more
		after, err := rules.Check(a, h)
		require.NoError(t, err)
		now := refusedRules(after)
		for rule := range refusedRules(verdicts) {
			require.True(t, now[rule], rule)
		}
	}
}

// byAPartner are the rules that a partner in the mix is there to keep.
var byAPartner = []string{rules.RuleStepCandidate, rules.RuleRotationPartner, rules.RuleRotationAlone, rules.RuleRotationSoloShare}

func TestOneMoreProductNeverTurnsRefusalIntoPass(t *testing.T) {
	d := newDice(4)
	for range 2000 {
		a := d.application()
		h := d.history(a)
		verdicts, err := rules.Check(a, h)
		require.NoError(t, err)
		more := d.product()
		if more.ID == onlyLine(&a).Product.ID {
			continue
		}
		line := mix(more).Treatments[0].Lines[0]
		line.Field = "treatments[0].products[1]"
		a.Treatments[0].Lines = append(a.Treatments[0].Lines, line)
		after, err := rules.Check(a, h)
		require.NoError(t, err)
		now := refusedRules(after)
		for rule := range refusedRules(verdicts) {
			id, _, _ := strings.Cut(rule, " ")
			require.True(t, now[rule] || slices.Contains(byAPartner, id), rule)
		}
	}
}

func TestVerdictsAreDeterministicAndNameTheirRuleAndSource(t *testing.T) {
	d := newDice(5)
	known := rules.Rules()
	seen := map[string]bool{}
	for range 2000 {
		a := d.application()
		a.Treatments[0].Lines = append(a.Treatments[0].Lines, mix(d.product()).Treatments[0].Lines...)
		h := d.history(a)
		first, err := rules.Check(a, h)
		require.NoError(t, err)
		indexed, err := rules.Index(h)
		require.NoError(t, err)
		second, err := indexed.Check(a)
		require.NoError(t, err)
		require.Equal(t, first, second)
		for _, v := range first {
			require.Contains(t, known, v.Rule)
			require.NotEmpty(t, v.Source, v.Rule)
			require.NotEmpty(t, v.Message, v.Rule)
			require.NotContains(t, v.Message, "%!", v.Rule)
			seen[v.Rule] = true
		}
		earliest, ok := rules.EarliestPass(first)
		require.True(t, !ok || earliest.After(a.Start))
	}
	require.Greater(t, len(seen), 40)
}

// The comparison with the label is that of whole numbers: micrograms against
// micrograms per litre times microlitres.
func TestNoRoundingEverExceedsALabelsMaximum(t *testing.T) {
	d := newDice(6)
	micro := func(n int64, unit quantity.Unit) quantity.Quantity {
		return quantity.ExactOf(big.NewRat(n, 1_000_000), unit).Round()
	}
	for range 5000 {
		a := plain()
		rate, volume := 1+d.Int64N(5_000_000), 1+d.Int64N(50_000_000)
		most := new(big.Int).Mul(big.NewInt(rate), big.NewInt(volume))
		limit := new(big.Int).Quo(most, big.NewInt(1_000_000)).Int64()
		product := max(1, limit+d.Int64N(3)-1)
		label(&a).RateMin, label(&a).RateMax = micro(1, "g/L"), micro(rate, "g/L")
		onlyLine(&a).Amount, a.Treatments[0].MixVolume = micro(product, "g"), micro(volume, "L")
		v, _ := verdictOn(t, a, nil, rules.RuleLabelRateMax)
		above := new(big.Int).Mul(big.NewInt(product), big.NewInt(1_000_000)).Cmp(most) > 0
		require.Equal(t, above, v.Outcome == rules.Refuse, v.Message)
	}
}

func TestEveryRuleIsDocumented(t *testing.T) {
	pages, err := filepath.Glob("../../../docs/rules/*.md")
	require.NoError(t, err)
	var text strings.Builder
	for _, page := range pages {
		content, err := os.ReadFile(page)
		require.NoError(t, err)
		text.Write(content)
	}
	documented := map[string]bool{}
	for _, m := range regexp.MustCompile("(?m)^\\| `([a-z0-9-]+)` \\|").FindAllStringSubmatch(text.String(), -1) {
		require.False(t, documented[m[1]], "%s is documented twice", m[1])
		documented[m[1]] = true
	}
	for _, id := range rules.Rules() {
		require.True(t, documented[id], "docs/rules does not say what %s is", id)
		delete(documented, id)
	}
	require.Empty(t, documented, "documented, but no rule")
	// The list is that of the constants.
	source, err := os.ReadFile("rule.go")
	require.NoError(t, err)
	for _, m := range regexp.MustCompile(`Rule\w+ += "([a-z-]+)"`).FindAllStringSubmatch(string(source), -1) {
		require.Contains(t, rules.Rules(), m[1])
	}
}
