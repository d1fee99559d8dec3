// Package inference ranks what may be wrong with a plant from what was found on
// it, what was looked for and is not there, the conditions and test results. It is
// pure and deterministic: the same case gives the same answer to the last bit.
//
// It ranks, says how sure and asks the next question. It decides nothing: a named
// person confirms, licensed advice and, where it matters, a laboratory come first.
//
// # Hypotheses
//
// None of the known disorders, each disorder alone, and every two at once. How
// common a disorder is among the sick plants of the plant's group is its prior.
//
// # Evidence
//
// A finding counts by how likely it is with each hypothesis (Bayes' rule). A sign
// looked for and not found counts by the complement, a sign nobody looked for not
// at all. Findings of one group hang together: the one that can say most counts
// whole and each further one is weakened, for all hypotheses alike, so that the
// result is a log-linear pool of the findings and stays coherent.
package inference

import (
	"cmp"
	"math"
	"slices"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// Finding is one sign that somebody looked for.
type Finding struct {
	Organ diagnosisv1.Organ
	// Sign is its identifier.
	Sign string
	// Observed is false when it was looked for and is not there.
	Observed bool
}

// Conditions are those of the days before the signs; nil or unspecified is not
// known.
type Conditions struct {
	// TemperatureC is the mean in °C, HumidityPercent the mean relative humidity.
	TemperatureC, HumidityPercent *float64
	// WetHoursPerDay are hours with wet leaves.
	WetHoursPerDay *float64
	Light          diagnosisv1.Light
	// WetMedium says whether the medium stays wet.
	WetMedium *bool
}

// Result is that of a test; one that says neither yes nor no is none.
type Result struct {
	// Sample is the resource name of the sample.
	Sample string
	// Test is the identifier of the test.
	Test     string
	Positive bool
	// Disorder is the identifier of what the laboratory named, or empty.
	Disorder string
}

// Case is what is known of a sick plant.
type Case struct {
	Plant      knowledge.Plant
	Findings   []Finding
	Conditions Conditions
	Results    []Result
}

// Ranking is what a case points to.
type Ranking struct {
	// Candidates are all that were weighed, the likeliest first.
	Candidates []Candidate
	// Pairs are two at once, the likeliest first, from PairsFrom on.
	Pairs []Pair
	// Questions are what to look at next, the most telling for its effort first,
	// and a virus test before any cut where one is called for.
	Questions []Question
	// Summary is one sentence that says how sure it is.
	Summary string
	// Notes say what was not used or not known.
	Notes []string
}

// Candidate is a disorder that the case may point to.
type Candidate struct {
	// Disorder is empty for none of those known.
	Disorder string
	// Probability that it is there, alone or with another; they may sum to more
	// than 1.
	Probability float64
	// Why is one or two sentences.
	Why string
	// For and Against are the strongest first.
	For, Against []Evidence
	// WouldChange says what to find or to miss and what comes first then.
	WouldChange []string
}

// Evidence is what one finding, condition or result says of a candidate.
type Evidence struct {
	// Finding is nil for conditions and for results.
	Finding *Finding
	// Sample is the resource name for a result.
	Sample string
	// LikelihoodRatio is the factor by which it moves the candidate's odds against
	// all others together; above 1 speaks for it.
	LikelihoodRatio float64
	Sentence        string
	// Source are keys of the knowledge's sources.
	Source []string
}

// Pair is two disorders at once.
type Pair struct {
	First, Second string
	Probability   float64
}

// PairsFrom is the probability from which a pair is named. Design value.
const PairsFrom = 0.05

// Assess ranks a case that Check has passed. Signs and tests that the knowledge
// lacks are left out and named in the notes.
func Assess(base *knowledge.Base, c Case) Ranking {
	a := assess(base, c)
	marginals := a.marginals(a.posterior)
	order := a.order(marginals)
	asked := a.askAll()
	tests, mayCut := a.testsBeforeCutting(asked, marginals)

	ranking := Ranking{Pairs: a.pairs(), Questions: inSafeOrder(asked, tests, mayCut)}
	// Whoever reads what would change the answer goes and looks: no cut yet.
	atOnce := asked
	if !mayCut || len(tests) > 0 {
		atOnce = slices.DeleteFunc(slices.Clone(asked), func(q question) bool { return q.cuts })
	}
	for _, at := range order {
		ranking.Candidates = append(ranking.Candidates, a.candidate(at, marginals, order[0], atOnce))
	}
	ranking.Summary = summary(a.model, ranking)
	ranking.Notes = append(a.notes, a.caveats(ranking)...)
	return ranking
}

// assessment is a case being weighed.
type assessment struct {
	*model
	facts    Case
	clues    []clue
	notes    []string
	logScore []float64 // by hypothesis, not normalised
	// posterior by hypothesis; sums to 1.
	posterior []float64
}

func assess(base *knowledge.Base, c Case) *assessment {
	a := &assessment{model: newModel(base, c.Plant), facts: c}
	a.findings()
	a.conditions()
	a.results()
	// Sums of floating-point numbers depend on their order; evidence comes in any.
	slices.SortFunc(a.clues, func(a, b clue) int {
		return cmp.Or(cmp.Compare(a.group, b.group), cmp.Compare(a.key, b.key))
	})
	for first, next := 0, 0; first < len(a.clues); first = next {
		var members []*clue
		for ; next < len(a.clues) && a.clues[next].group == a.clues[first].group; next++ {
			members = append(members, &a.clues[next])
		}
		weigh(members)
	}
	a.score()
	return a
}

// score sums what all evidence says, in one order.
func (a *assessment) score() {
	a.logScore = slices.Clone(a.logPrior)
	for _, clue := range a.clues {
		for h, says := range clue.logs {
			a.logScore[h] += clue.weight * says
		}
	}
	a.posterior = normalised(a.logScore)
}

// normalised turns logarithms of weights into probabilities.
func normalised(logs []float64) []float64 {
	greatest := slices.Max(logs)
	shares := make([]float64, len(logs))
	var sum float64
	for h, l := range logs {
		shares[h] = math.Exp(l - greatest)
		sum += shares[h]
	}
	for h := range shares {
		shares[h] /= sum
	}
	return shares
}

// marginals are the probabilities that each disorder is there, alone or with
// another; the last is that of none.
func (m *model) marginals(shares []float64) []float64 {
	sums := make([]float64, len(m.disorders)+1)
	for h, share := range shares {
		at := m.hypotheses[h]
		if at.first == nobody {
			sums[len(m.disorders)] += share
			continue
		}
		sums[at.first] += share
		if at.second != nobody {
			sums[at.second] += share
		}
	}
	return sums
}

// order is the likeliest first; equals stay in the order of the knowledge.
func (m *model) order(marginals []float64) []int {
	order := make([]int, len(marginals))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case marginals[a] > marginals[b]:
			return -1
		case marginals[a] < marginals[b]:
			return 1
		default:
			return 0
		}
	})
	return order
}

// idOf is empty for none.
func (m *model) idOf(at int) string {
	if at == len(m.disorders) {
		return ""
	}
	return m.disorders[at].ID
}

func (a *assessment) pairs() []Pair {
	var pairs []Pair
	for h, at := range a.hypotheses {
		if at.second != nobody && a.posterior[h] >= PairsFrom {
			pairs = append(pairs, Pair{First: a.idOf(at.first), Second: a.idOf(at.second), Probability: a.posterior[h]})
		}
	}
	slices.SortStableFunc(pairs, func(a, b Pair) int {
		switch {
		case a.Probability > b.Probability:
			return -1
		case a.Probability < b.Probability:
			return 1
		default:
			return 0
		}
	})
	return pairs
}
