package inference

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

const (
	// worthSaying is the likelihood ratio, or its inverse, from which a finding is
	// said to speak for or against something.
	worthSaying = 1.05
	// reasons are at most so many in the sentence why.
	reasons = 3
	// changes are at most so many of what would change the answer.
	changes = 3
)

// Bounds of the words for how sure it is. Design values.
const (
	standsOut = 0.8 // from which the first stands out
	closeBy   = 0.5 // share of the first from which the second is as likely
)

// candidate explains one disorder, or none, at its place in the model.
func (a *assessment) candidate(at int, marginals []float64, leader int, questions []question) Candidate {
	c := Candidate{Disorder: a.idOf(at), Probability: marginals[at]}
	for i := range a.clues {
		e := a.evidence(&a.clues[i], at, marginals)
		switch {
		case e.LikelihoodRatio >= worthSaying && a.arguesAgainst(e.Finding, at):
			// It makes likelier what this one may stand beside, and says nothing for it.
		case e.LikelihoodRatio >= worthSaying:
			c.For = append(c.For, e)
		case e.LikelihoodRatio <= 1/worthSaying && a.saidAlready(e.Finding, at):
			// Others gain more by it; it is no argument against one that shows it.
		case e.LikelihoodRatio <= 1/worthSaying:
			c.Against = append(c.Against, e)
		}
	}
	strongest := func(a, b Evidence) int {
		return cmp.Compare(math.Abs(math.Log(b.LikelihoodRatio)), math.Abs(math.Log(a.LikelihoodRatio)))
	}
	slices.SortStableFunc(c.For, strongest)
	slices.SortStableFunc(c.Against, strongest)
	c.Why = a.why(at, c)
	c.WouldChange = a.wouldChange(at, leader, questions)
	return c
}

// arguesAgainst says whether a finding is a sign that a disorder shows less often
// than any sick plant does.
func (a *assessment) arguesAgainst(f *Finding, at int) bool {
	if f == nil || !f.Observed || at == len(a.disorders) {
		return false
	}
	sign, _ := a.base.Sign(f.Sign)
	expected, said := a.disorders[at].ChanceOf(f.Sign, f.Organ)
	return said && expected.Chance < sign.Elsewhere
}

// saidAlready says whether a finding is a sign that a disorder shows and that was
// found on another organ as well: it was counted there.
func (a *assessment) saidAlready(f *Finding, at int) bool {
	if f == nil || !f.Observed || at == len(a.disorders) || len(a.seenElsewhere(*f)) == 0 {
		return false
	}
	sign, _ := a.base.Sign(f.Sign)
	expected, said := a.disorders[at].ChanceOf(f.Sign, f.Organ)
	return said && expected.Chance >= sign.Elsewhere
}

// evidence is what one clue does to the odds of a candidate: the factor between
// what the clue leaves and what was there without it.
func (a *assessment) evidence(c *clue, at int, marginals []float64) Evidence {
	if c.without == nil {
		c.takeOut(a)
	}
	now, before := marginals[at], c.without[at]
	e := Evidence{Finding: c.finding, Sample: c.sample, LikelihoodRatio: odds(now) / odds(before)}
	switch {
	case c.finding != nil:
		e.Sentence, e.Source = a.findingSentence(*c.finding, at, e.LikelihoodRatio >= 1)
	case c.condition != "":
		e.Sentence, e.Source = a.conditionSentence(c.condition, at, e.LikelihoodRatio >= 1)
	default:
		e.Sentence, e.Source = a.resultSentence(c.result, at)
	}
	return e
}

// odds keeps away from 0 and 1, where rounding would make a ratio of nothing.
func odds(share float64) float64 {
	const edge = 1e-12
	share = min(max(share, edge), 1-edge)
	return share / (1 - share)
}

// takeOut sets without to the marginals that the other clues leave.
func (c *clue) takeOut(a *assessment) {
	logs := slices.Clone(a.logScore)
	for h, says := range c.logs {
		logs[h] -= c.weight * says
	}
	c.without = a.marginals(normalised(logs))
}

// frequency is how a sentence says how often a disorder shows a sign.
var frequency = map[string]string{
	"always": "nearly always shows it", "usually": "usually shows it", "often": "often shows it",
	"sometimes": "sometimes shows it", "seldom": "seldom shows it", "hardly": "hardly ever shows it",
	"never": "does not show it",
}

// showsFrom is the chance from which a disorder is said to show a sign: between
// what is sometimes seen with it and what is seldom. Design value.
const showsFrom = 0.2

func (a *assessment) findingSentence(f Finding, at int, speaksFor bool) (sentence string, source []string) {
	sign, _ := a.base.Sign(f.Sign)
	what := fmt.Sprintf("%s (%s): found", sign.Description, organName(f.Organ))
	if !f.Observed {
		what = fmt.Sprintf("%s (%s): looked for and not there", sign.Description, organName(f.Organ))
	}
	if at == len(a.disorders) {
		if speaksFor {
			return what + "; the likely disorders explain that less well than something unknown would.", nil
		}
		return what + "; the likely disorders explain that better than something unknown would.", nil
	}
	d := a.disorders[at]
	expected, said := d.ChanceOf(f.Sign, f.Organ)
	if !said {
		return fmt.Sprintf("%s; %s is not known for it.", what, d.DisplayName), []string{knowledge.Memory}
	}
	shows := fmt.Sprintf("%s %s", d.DisplayName, frequency[expected.Word])
	if (expected.Chance >= showsFrom) == f.Observed == speaksFor {
		joint := "and"
		if !speaksFor {
			joint = "but"
		}
		return fmt.Sprintf("%s, %s %s.", what, joint, shows), expected.Source
	}
	// What it shows speaks against it, or what it does not show for it, only because
	// of how often the others do.
	others := "the other likely ones still less"
	if expected.Chance >= showsFrom {
		others = "the other likely ones more often"
	}
	return fmt.Sprintf("%s; %s, %s.", what, shows, others), expected.Source
}

func (a *assessment) conditionSentence(condition string, at int, speaksFor bool) (sentence string, source []string) {
	if at == len(a.disorders) {
		return fmt.Sprintf("The %s says nothing of what is not known.", condition), nil
	}
	d := a.disorders[at]
	if speaksFor {
		return fmt.Sprintf("The %s suits %s better than the others.", condition, d.DisplayName), d.FavouredBy.Source
	}
	return fmt.Sprintf("The %s suits %s less than the others.", condition, d.DisplayName), d.FavouredBy.Source
}

func (a *assessment) resultSentence(r Result, at int) (sentence string, source []string) {
	test, _ := a.base.Test(r.Test)
	answer := "negative"
	if r.Positive {
		answer = "positive"
	}
	if named, known := a.base.Disorder(r.Disorder); known && r.Positive {
		answer = "positive for " + named.DisplayName
	}
	found := at < len(a.disorders) && a.targets(test, r)[at]
	about := "it does not look for " + a.name(at)
	if found {
		about = "it finds " + a.name(at)
	}
	return fmt.Sprintf("%s: %s; %s.", test.DisplayName, answer, about), test.Source
}

// name is a candidate as a sentence says it.
func (m *model) name(at int) string {
	if at == len(m.disorders) {
		return "something not known here"
	}
	return m.disorders[at].DisplayName
}

func (m *model) nameOf(id string) string {
	for i, d := range m.disorders {
		if d.ID == id {
			return m.name(i)
		}
	}
	return m.name(len(m.disorders))
}

func (a *assessment) why(at int, c Candidate) string {
	if at == len(a.disorders) {
		return fmt.Sprintf("Stands for everything that is not in the knowledge: %s that it is none of those listed.", percent(c.Probability))
	}
	if len(c.For) == 0 {
		return fmt.Sprintf("Nothing found speaks for %s; it stands here for how common it is.", a.name(at))
	}
	text := fmt.Sprintf("For %s: %s.", a.name(at), a.briefly(c.For))
	if len(c.Against) > 0 {
		text += fmt.Sprintf(" Against it: %s.", a.briefly(c.Against))
	}
	return text
}

// briefly names the strongest evidence in a few words.
func (a *assessment) briefly(evidence []Evidence) string {
	var said []string
	for _, e := range evidence[:min(len(evidence), reasons)] {
		if e.Finding == nil {
			said = append(said, lowerFirst(strings.TrimSuffix(e.Sentence, ".")))
			continue
		}
		said = append(said, a.brief(*e.Finding))
	}
	return strings.Join(said, "; ")
}

func (a *assessment) brief(f Finding) string {
	sign, _ := a.base.Sign(f.Sign)
	presence := ""
	if !f.Observed {
		presence = "not "
	}
	return fmt.Sprintf("%s“%s” %s", presence, lowerFirst(sign.Description), onOrgan(f.Organ))
}

// wouldChange says which answers put another first than the leader, or, of a
// candidate that is not, which put it first; the answers to the most telling
// questions first.
func (a *assessment) wouldChange(at, leader int, questions []question) []string {
	type change struct {
		question
		yes  bool
		then Outcome
	}
	var found []change
	for _, q := range questions {
		for _, yes := range []bool{true, false} {
			then := q.IfFound
			if !yes {
				then = q.IfAbsent
			}
			if then.First != a.idOf(leader) && (at == leader || then.First == a.idOf(at)) {
				found = append(found, change{question: q, yes: yes, then: then})
			}
		}
	}
	slices.SortStableFunc(found, func(a, b change) int { return cmp.Compare(b.value(), a.value()) })
	var sentences, signs []string
	for _, c := range found {
		if sign := c.Sign + c.Test; len(sentences) < changes && !slices.Contains(signs, sign) {
			sentences, signs = append(sentences, a.changeSentence(c.question, c.yes, c.then)), append(signs, sign)
		}
	}
	return sentences
}

func (a *assessment) changeSentence(q question, yes bool, then Outcome) string {
	first := fmt.Sprintf("%s comes first (%s).", a.nameOf(then.First), percent(then.Probability))
	if test, known := a.base.Test(q.Test); known {
		answer := "negative"
		if yes {
			answer = "positive"
		}
		return fmt.Sprintf("If the test “%s” is %s, %s", test.DisplayName, answer, first)
	}
	find := "find"
	if !yes {
		find = "do not find"
	}
	return fmt.Sprintf("If you %s %s, %s", find, a.brief(Finding{Organ: q.Organ, Sign: q.Sign, Observed: true}), first)
}

// almostAll is where whole percents would round to certainty.
const almostAll = 0.995

func percent(share float64) string {
	switch {
	case share > 0 && share < 0.01:
		return "under 1 %"
	case share >= almostAll && share < 1:
		return "over 99 %"
	default:
		return fmt.Sprintf("%.0f %%", 100*share)
	}
}

// summary says in one sentence whether one stands out and what is undecided.
func summary(m *model, r Ranking) string {
	if len(r.Candidates) < 2 {
		return "No disorder known here is known from this plant."
	}
	first, second := r.Candidates[0], r.Candidates[1]
	one, other := m.nameOf(first.Disorder), m.nameOf(second.Disorder)
	switch {
	case len(r.Pairs) > 0 && r.Pairs[0].Probability > 0.5:
		return fmt.Sprintf("Two at once are likely: %s and %s (%s that both are there).",
			m.nameOf(r.Pairs[0].First), m.nameOf(r.Pairs[0].Second), percent(r.Pairs[0].Probability))
	case first.Disorder == "" && first.Probability < 0.5:
		return fmt.Sprintf("Undecided: no disorder known here fits well yet; %s comes nearest (%s).", other, percent(second.Probability))
	case first.Disorder == "":
		return fmt.Sprintf("Nothing known here fits well (%s that it is something else); of those known %s comes nearest (%s).",
			percent(first.Probability), other, percent(second.Probability))
	case first.Probability >= standsOut:
		return fmt.Sprintf("%s stands out (%s).", one, percent(first.Probability))
	case second.Probability >= closeBy*first.Probability:
		return fmt.Sprintf("%s (%s) and %s (%s) cannot be told apart yet.",
			one, percent(first.Probability), other, percent(second.Probability))
	default:
		return fmt.Sprintf("%s comes first (%s) but is not sure; next is %s (%s).",
			one, percent(first.Probability), other, percent(second.Probability))
	}
}

// nothingFound says whether all that was looked for is not there and no test is
// positive.
func (a *assessment) nothingFound() bool {
	return !slices.ContainsFunc(a.facts.Findings, func(f Finding) bool { return f.Observed }) &&
		!slices.ContainsFunc(a.facts.Results, func(r Result) bool { return r.Positive })
}

// caveats are what a reader must know of how the ranking came about.
func (a *assessment) caveats(r Ranking) []string {
	var notes []string
	if a.plant.Group == "" {
		notes = append(notes, "The plant's group is not known, so no disorder was left out for its host.")
	}
	if len(a.facts.Findings) == 0 && len(a.facts.Results) == 0 {
		notes = append(notes, "No sign was noted as found or as missed: the order only says how common each is.")
	} else if a.nothingFound() {
		notes = append(notes, "No sign was found: the order says what is left among sick plants, and these may be sound.")
	}
	for i, d := range a.disorders {
		if d.ID == r.Candidates[0].Disorder && a.strange[i] {
			notes = append(notes, fmt.Sprintf("%s is not known from this kind of plant; have it confirmed.", d.DisplayName))
		}
	}
	for _, c := range r.Candidates {
		d, _ := a.base.Disorder(c.Disorder)
		if d.Class != diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS || c.Probability < virusFrom || a.nothingFound() && !a.found(d.ID) {
			continue
		}
		if a.found(d.ID) {
			notes = append(notes, fmt.Sprintf("A test found %s: cut nothing of these plants, a blade carries it on.", d.DisplayName))
		} else {
			notes = append(notes, fmt.Sprintf("%s is possible (%s): test for it before anybody cuts.", d.DisplayName, percent(c.Probability)))
		}
	}
	return notes
}
