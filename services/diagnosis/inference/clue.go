package inference

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// How much a second finding of the same kind is weakened. Design values.
const (
	// sameSign: the same sign on another organ, besides the group's own dependence.
	sameSign = 0.5
	// sameTest: the same test once more. What misled it once is likely to again.
	sameTest = 0.5
)

// clue is one piece of evidence as it bears on every hypothesis.
type clue struct {
	// finding is nil for a result or a condition; sample and condition name those.
	finding           *Finding
	sample, condition string
	result            Result
	// group is what it hangs together with, dependence how closely.
	group      string
	dependence float64
	// repeats is the sign, of which a second finding is weakened further.
	repeats string
	// key decides between clues that can say as much as each other.
	key    string
	spread float64
	logs   []float64 // by hypothesis
	weight float64
	// without are the marginals that the other clues leave, once needed.
	without []float64
}

func (a *assessment) findings() {
	for i := range a.facts.Findings {
		f := &a.facts.Findings[i]
		sign, known := a.base.Sign(f.Sign)
		if !known {
			a.notes = append(a.notes, fmt.Sprintf("The sign %q is not in the vocabulary and was not used.", f.Sign))
			continue
		}
		l := a.sight(*f, sign, a.seenElsewhere(*f))
		c := a.clueOf(f, sign, &l)
		c.logs = make([]float64, len(a.hypotheses))
		for h, at := range a.hypotheses {
			c.logs[h] = l.of(at)
		}
		a.clues = append(a.clues, c)
	}
}

func (a *assessment) clueOf(f *Finding, sign knowledge.Sign, l *likelihood) clue {
	group, _ := a.base.Group(sign.Group)
	return clue{
		finding: f, group: sign.Group, dependence: group.Dependence, repeats: sign.ID,
		key: fmt.Sprintf("%s %d %t", f.Sign, f.Organ, f.Observed), spread: l.spread(),
	}
}

// seenElsewhere are the other organs on which the same sign was found; for a sign
// that was found on several only those that come before, so that it counts once.
func (a *assessment) seenElsewhere(f Finding) []diagnosisv1.Organ {
	var organs []diagnosisv1.Organ
	for _, other := range a.facts.Findings {
		if bears(other, f) {
			organs = append(organs, other.Organ)
		}
	}
	return organs
}

// bears says whether a finding changes what another one says.
func bears(other, f Finding) bool {
	return other.Sign == f.Sign && other.Observed && other.Organ != f.Organ && (!f.Observed || other.Organ < f.Organ)
}

// weigh lets the clue that can say most count whole and weakens each further one.
// A clue that says the same of all hypotheses comes last, so it changes nothing.
func weigh(members []*clue) {
	slices.SortFunc(members, func(a, b *clue) int {
		return cmp.Or(cmp.Compare(b.spread, a.spread), cmp.Compare(a.key, b.key))
	})
	for k, c := range members {
		c.weight = math.Pow(1-c.dependence, float64(k))
		if slices.ContainsFunc(members[:k], func(other *clue) bool { return c.repeats != "" && other.repeats == c.repeats }) {
			c.weight *= 1 - sameSign
		}
	}
}

// results weighs tests by what they find and miss.
func (a *assessment) results() {
	for _, r := range a.facts.Results {
		test, known := a.base.Test(r.Test)
		if _, named := a.base.Disorder(r.Disorder); !known || (r.Disorder != "" && !named) {
			a.notes = append(a.notes, fmt.Sprintf("The result of %s was not used: its test or what it names is not known here.", r.Sample))
			continue
		}
		c := clue{
			sample: r.Sample, result: r, group: "test " + test.ID, dependence: sameTest,
			key: fmt.Sprintf("%s %s %t", r.Sample, r.Disorder, r.Positive), logs: make([]float64, len(a.hypotheses)),
		}
		if seen := a.seenAlready(test); seen != "" {
			// The test read what somebody has seen: one fact, not two.
			sign, _ := a.base.Sign(seen)
			group, _ := a.base.Group(sign.Group)
			c.group, c.dependence, c.repeats = sign.Group, group.Dependence, seen
		}
		targets := a.targets(test, r)
		for h, at := range a.hypotheses {
			c.logs[h] = outcome(test, r.Positive, targets.in(at))
		}
		c.spread = slices.Max(c.logs) - slices.Min(c.logs)
		a.clues = append(a.clues, c)
	}
}

// targets are disorders, by index.
type targets []bool

func (t targets) in(h hypothesis) int {
	n := 0
	if h.first != nobody && t[h.first] {
		n++
	}
	if h.second != nobody && t[h.second] {
		n++
	}
	return n
}

// targets of a result are what the test finds, or what the laboratory named: the
// others are then as likely to have been taken for it as anything else is.
func (m *model) targets(test knowledge.Test, r Result) targets {
	finds := test.Finds
	if r.Positive && r.Disorder != "" {
		finds = []string{r.Disorder}
	}
	t := make(targets, len(m.disorders))
	for i, d := range m.disorders {
		t[i] = slices.Contains(finds, d.ID)
	}
	return t
}

// outcome is the logarithm of how likely a result is when so many of the disorders
// that it is about are there.
func outcome(test knowledge.Test, positive bool, there int) float64 {
	chance := 1 - test.Specificity
	if there > 0 {
		chance = 1 - math.Pow(1-test.Sensitivity, float64(there))
	}
	if positive {
		return math.Log(chance)
	}
	return math.Log(1 - chance)
}
