package inference

import (
	"math"
	"slices"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// What is believed before anything was looked at. Design values, common practice,
// no source: no survey of ornamentals counts these.
const (
	// shareUnknown of sick plants have something that the knowledge does not hold.
	shareUnknown = 0.08
	// shareOfTwo of them have two disorders at once.
	shareOfTwo = 0.03
	// strangeHostWeight is that of a disorder not known from the plant's group, a
	// twentieth of a rare one: the list of hosts may be wrong, and clear signs must
	// be able to say so. A disorder bound to other genera stays out.
	strangeHostWeight = 0.05 / 20
)

// What is believed of signs. That people misread them is in the words for chances,
// of which none is 0 or 1. Design values, see above.
const (
	// unknownShows is the least chance of any sign with an unknown disorder. Else it
	// shows a sign as often as the known ones do on the mean: that is all one knows of
	// it. So it loses to a disorder that the findings fit and wins when they belong to
	// no known one. Of cases drawn from the knowledge with one disorder taken out of
	// it, a fixed chance for all signs described the unknown ones worse.
	unknownShows = 0.05
	// usualState is the chance from which a sign is the state of a sound plant, such
	// as sound roots: either of two disorders can take it away.
	usualState = 0.5
)

// nobody stands for no disorder in a hypothesis.
const nobody = -1

// hypothesis is none, one or two disorders, as indices into those of the model.
type hypothesis struct{ first, second int }

// mention is a disorder that says how often it shows a sign.
type mention struct {
	disorder int
	expected knowledge.Expectation
}

// model is the knowledge as it bears on one plant.
type model struct {
	base      *knowledge.Base
	plant     knowledge.Plant
	disorders []knowledge.Disorder
	// strange disorders are not known from the plant's group.
	strange  []bool
	mentions map[string][]mention // by sign
	// hypotheses are none, then each disorder alone, then the pairs.
	hypotheses []hypothesis
	logPrior   []float64
}

func newModel(base *knowledge.Base, plant knowledge.Plant) *model {
	m := &model{base: base, plant: plant, mentions: map[string][]mention{}}
	var weights []float64
	for _, d := range base.Disorders {
		weight := d.WeightIn(plant)
		if weight == 0 && boundElsewhere(d, plant) {
			continue
		}
		m.strange = append(m.strange, weight == 0)
		weights = append(weights, max(weight, strangeHostWeight))
		for _, expected := range d.Signs {
			m.mentions[expected.Sign] = append(m.mentions[expected.Sign], mention{disorder: len(m.disorders), expected: expected})
		}
		m.disorders = append(m.disorders, d)
	}
	m.expect(weights)
	return m
}

func boundElsewhere(d knowledge.Disorder, plant knowledge.Plant) bool {
	return len(d.Genera) > 0 && plant.Genus != "" && !slices.Contains(d.Genera, plant.Genus)
}

// expect lists the hypotheses and what is believed of each before looking.
func (m *model) expect(weights []float64) {
	var sum, pairs float64
	for i, w := range weights {
		sum += w
		for _, v := range weights[i+1:] {
			pairs += w * v
		}
	}
	add := func(h hypothesis, share float64) {
		m.hypotheses = append(m.hypotheses, h)
		m.logPrior = append(m.logPrior, math.Log(share))
	}
	add(hypothesis{nobody, nobody}, shareUnknown)
	for i, w := range weights {
		add(hypothesis{i, nobody}, (1-shareUnknown-shareOfTwo)*w/sum)
	}
	for i, w := range weights {
		for j := i + 1; j < len(weights); j++ {
			add(hypothesis{i, j}, shareOfTwo*w*weights[j]/pairs)
		}
	}
}

// likelihood is the logarithm of how likely one finding is with each hypothesis.
// Few chances occur, so disorders are sorted into classes of equal chance and all
// hypotheses are read from a table.
type likelihood struct {
	class   []int // by disorder
	classes int
	// table is none, then each class, then each two of them.
	table []float64
}

// row is where a hypothesis stands in the table.
func (l *likelihood) row(h hypothesis) int {
	switch {
	case h.first == nobody:
		return 0
	case h.second == nobody:
		return 1 + l.class[h.first]
	default:
		return 1 + l.classes + l.class[h.first]*l.classes + l.class[h.second]
	}
}

func (l *likelihood) of(h hypothesis) float64 { return l.table[l.row(h)] }

// spread is how far the finding can move one disorder against another.
func (l *likelihood) spread() float64 {
	least, most := l.table[0], l.table[0]
	for _, class := range l.class {
		least, most = min(least, l.table[1+class]), max(most, l.table[1+class])
	}
	return most - least
}

// sight is the likelihood of a finding. seen are other organs on which the same
// sign was found: a disorder that shows it on any of several organs has shown it
// there, and whether this organ shows it too says nothing of that disorder.
func (m *model) sight(f Finding, sign knowledge.Sign, seen []diagnosisv1.Organ) likelihood {
	chances := []float64{sign.Elsewhere}
	l := likelihood{class: make([]int, len(m.disorders))}
	for _, said := range m.mentions[sign.ID] {
		covers := func(organ diagnosisv1.Organ) bool {
			return len(said.expected.Organs) == 0 || slices.Contains(said.expected.Organs, organ)
		}
		if !covers(f.Organ) || slices.ContainsFunc(seen, covers) {
			continue
		}
		at := slices.Index(chances, said.expected.Chance)
		if at < 0 {
			at = len(chances)
			chances = append(chances, said.expected.Chance)
		}
		l.class[said.disorder] = at
	}
	says := func(chance float64) float64 {
		if f.Observed {
			return math.Log(chance)
		}
		return math.Log(1 - chance)
	}
	var mean float64
	for _, class := range l.class {
		mean += chances[class] / float64(len(l.class))
	}
	if len(seen) == 0 {
		mean = max(mean, unknownShows)
	}
	l.classes = len(chances)
	l.table = append(l.table, says(mean))
	for _, chance := range chances {
		l.table = append(l.table, says(chance))
	}
	for _, first := range chances {
		for _, second := range chances {
			l.table = append(l.table, says(both(first, second, sign.Elsewhere)))
		}
	}
	return l
}

// both is the chance to see a sign with two disorders at once. Each may cause it on
// its own: 1-(1-p)(1-q), with the chance elsewhere, which is no doing of theirs,
// counted once. A disorder that argues against a sign does not take it away from
// another that causes it, except where the sign is a sound plant's usual state.
func both(p, q, elsewhere float64) float64 {
	low, high := min(p, q), max(p, q)
	switch {
	case low >= elsewhere:
		return 1 - (1-p)*(1-q)/(1-elsewhere)
	case high <= elsewhere || elsewhere >= usualState:
		return low
	default:
		return high
	}
}
