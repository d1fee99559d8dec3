package inference

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// Question is what to look at next: a sign on an organ, or a test.
type Question struct {
	Organ      diagnosisv1.Organ
	Sign, Test string
	Sentence   string
	// Minutes of work and days until the answer is there.
	Minutes, Days int
	// Information expected of the answer, in bits.
	Information       float64
	IfFound, IfAbsent Outcome
}

// Outcome is what comes first after an answer; First is empty for none of those
// known.
type Outcome struct {
	First       string
	Probability float64
}

// What an answer costs. Design values, common practice, no source.
const (
	// minutesToBegin is what any question costs besides its own work.
	minutesToBegin = 2
	// minutesBeside is what a look at an organ costs on which nothing was found yet:
	// the answer is likelier to lie where the plant is sick.
	minutesBeside = 2
	// minutesPerDay is what a day without an answer is worth: the crop goes on.
	minutesPerDay = 15
)

const (
	// MostQuestions are returned at most.
	MostQuestions = 10
	// leastInformation in bits is what a question is worth asking for.
	leastInformation = 0.01
	// negligible is the probability below which two disorders at once are left out
	// when questions are weighed.
	negligible = 1e-6
	// virusFrom is the probability from which a virus is real enough to test for it
	// before anybody cuts: a blade carries it to the next plant. Design value.
	virusFrom = 0.05
	// settledFrom is the probability from which the first is settled but for its
	// confirmation. Design value.
	settledFrom = 0.9
)

// question is a Question and what is needed to choose among them.
type question struct {
	Question
	cuts bool
	// beside is true for an organ on which nothing was found, where something was
	// found on another.
	beside bool
	// found is how likely the answer is yes.
	found float64
}

// value is the information for the effort.
func (q question) value() float64 {
	minutes := minutesToBegin + q.Minutes + minutesPerDay*q.Days
	if q.beside {
		minutes += minutesBeside
	}
	return q.Information / float64(minutes)
}

// idle says whether the same disorder stays settled whatever a look finds. A test is
// never idle: it confirms.
func (q question) idle() bool {
	return q.Test == "" && q.IfFound.First != "" && q.IfFound.First == q.IfAbsent.First &&
		min(q.IfFound.Probability, q.IfAbsent.Probability) >= settledFrom
}

// shortlist is an assessment without the pairs that are out of the question.
type shortlist struct {
	*assessment
	kept    []hypothesis
	logPost []float64
	post    []float64
	entropy float64 // nats
	groups  map[string][]clue
	said    map[string][]float64 // what each group says already
	// shift is the logarithm of factor, by which an answer moves each hypothesis.
	shift, factor []float64
	fresh         []float64 // what a finding says by itself, logarithm
	sums          []float64 // by disorder, none last
}

func (a *assessment) shortlist() *shortlist {
	s := &shortlist{assessment: a, groups: map[string][]clue{}, said: map[string][]float64{}}
	var at []int
	for h, share := range a.posterior {
		if a.hypotheses[h].second == nobody || share >= negligible {
			at = append(at, h)
			s.kept = append(s.kept, a.hypotheses[h])
			s.logPost = append(s.logPost, a.logScore[h])
		}
	}
	s.post = normalised(s.logPost)
	for h, share := range s.post {
		s.logPost[h] = math.Log(max(share, math.SmallestNonzeroFloat64))
		s.entropy -= share * s.logPost[h]
	}
	s.shift, s.factor, s.fresh = make([]float64, len(at)), make([]float64, len(at)), make([]float64, len(at))
	s.sums = make([]float64, len(a.disorders)+1)
	for _, c := range a.clues {
		all := c.logs
		c.logs = make([]float64, len(at))
		if s.said[c.group] == nil {
			s.said[c.group] = make([]float64, len(at))
		}
		for i, h := range at {
			c.logs[i] = all[h]
			s.said[c.group][i] += c.weight * all[h]
		}
		s.groups[c.group] = append(s.groups[c.group], c)
	}
	return s
}

// askAll weighs every question that is still open, in the order of the knowledge.
func (a *assessment) askAll() []question {
	s := a.shortlist()
	var questions []question
	for _, sign := range a.base.Signs {
		for _, organ := range sign.Organs {
			if !slices.Contains(a.plant.Lacks, organ) && !a.settled(sign, organ) {
				questions = append(questions, s.lookFor(sign, organ))
			}
		}
	}
	for _, test := range a.base.Tests {
		if a.canTest(test) {
			questions = append(questions, s.testFor(test))
		}
	}
	return questions
}

// settled signs were looked for, by eye or by a test that reads them, or are ruled
// out by another on the same organ. A sign that may be said of the whole plant or the
// bench was looked for wherever it was: nobody is asked twice whether it is even
// over the bench.
func (a *assessment) settled(sign knowledge.Sign, organ diagnosisv1.Organ) bool {
	return a.read(sign.ID) || slices.ContainsFunc(a.facts.Findings, func(f Finding) bool {
		if f.Sign == sign.ID {
			return f.Organ == organ || ofAllOrgans(f.Organ) || ofAllOrgans(organ)
		}
		return f.Organ == organ && f.Observed && exclusive(a.base, f.Sign, sign.ID)
	})
}

// ofAllOrgans are the places that are no part of a plant.
func ofAllOrgans(organ diagnosisv1.Organ) bool {
	return organ == diagnosisv1.Organ_ORGAN_WHOLE_PLANT || organ == diagnosisv1.Organ_ORGAN_BENCH
}

// read says whether a test that reads the sign has a result.
func (a *assessment) read(sign string) bool {
	return slices.ContainsFunc(a.facts.Results, func(r Result) bool {
		test, _ := a.base.Test(r.Test)
		return slices.Contains(test.Reads, sign)
	})
}

// canTest is false when the plant lacks what is sampled, the result is there, or
// somebody has looked for what the test reads.
func (a *assessment) canTest(test knowledge.Test) bool {
	done := slices.ContainsFunc(a.facts.Results, func(r Result) bool { return r.Test == test.ID }) || a.seenAlready(test) != ""
	sample := len(test.SampleOrgans) == 0
	for _, organ := range test.SampleOrgans {
		sample = sample || !slices.Contains(a.plant.Lacks, organ)
	}
	return sample && !done
}

// seenAlready is the first sign that a test reads and the findings speak of, be it
// that they rule it out; empty when there is none.
func (a *assessment) seenAlready(test knowledge.Test) string {
	for _, sign := range test.Reads {
		for _, f := range a.facts.Findings {
			if f.Sign == sign || f.Observed && exclusive(a.base, f.Sign, sign) {
				return sign
			}
		}
	}
	return ""
}

// isBeside says whether something was found, and nothing on this organ. The whole
// plant and its bench are never beside.
func (a *assessment) isBeside(organ diagnosisv1.Organ) bool {
	if organ == diagnosisv1.Organ_ORGAN_WHOLE_PLANT || organ == diagnosisv1.Organ_ORGAN_BENCH {
		return false
	}
	found := false
	for _, f := range a.facts.Findings {
		if f.Observed && f.Organ == organ {
			return false
		}
		found = found || f.Observed
	}
	return found
}

func (s *shortlist) lookFor(sign knowledge.Sign, organ diagnosisv1.Organ) question {
	way, _ := s.base.Way(sign.Way)
	q := question{cuts: way.Cuts, beside: s.isBeside(organ), Question: Question{
		Organ: organ, Sign: sign.ID, Minutes: way.Minutes,
		Sentence: fmt.Sprintf("%s, %s: %s?", way.Question, onOrgan(organ), lowerFirst(sign.Description)),
	}}
	var left [2]float64
	q.found = s.answer(Finding{Organ: organ, Sign: sign.ID, Observed: true}, sign)
	q.IfFound, left[0] = s.then()
	s.answer(Finding{Organ: organ, Sign: sign.ID}, sign)
	q.IfAbsent, left[1] = s.then()
	q.Information = s.information(q.found, left)
	return q
}

// answer sets what an answer would change, as if it stood among the findings
// already, and returns how likely it is.
func (s *shortlist) answer(f Finding, sign knowledge.Sign) float64 {
	l := s.sight(f, sign, s.seenElsewhere(f))
	chances := make([]float64, len(l.table))
	for row, says := range l.table {
		chances[row] = math.Exp(says)
	}
	var likely float64
	for h, at := range s.kept {
		row := l.row(at)
		likely += s.post[h] * chances[row]
		// What a finding does that is the first of its group.
		s.fresh[h], s.shift[h], s.factor[h] = l.table[row], l.table[row], chances[row]
	}
	before := s.groups[sign.Group]
	if len(before) == 0 {
		return likely
	}
	latest := s.clueOf(&f, sign, &l)
	members := make([]*clue, 0, len(before)+1)
	for _, c := range before {
		if c.finding != nil && bears(f, *c.finding) {
			c = s.again(c, sign, f.Organ)
		}
		members = append(members, &c)
	}
	latest.logs = s.fresh
	members = append(members, &latest)
	weigh(members)
	for h, said := range s.said[sign.Group] {
		s.shift[h] = -said
	}
	for _, c := range members {
		for h, says := range c.logs {
			s.shift[h] += c.weight * says
		}
	}
	for h, shift := range s.shift {
		s.factor[h] = math.Exp(shift)
	}
	return likely
}

// again is what a finding says once the same sign is found on another organ.
func (s *shortlist) again(c clue, sign knowledge.Sign, foundOn diagnosisv1.Organ) clue {
	l := s.sight(*c.finding, sign, append(s.seenElsewhere(*c.finding), foundOn))
	changed := s.clueOf(c.finding, sign, &l)
	changed.logs = make([]float64, len(s.kept))
	for h, at := range s.kept {
		changed.logs[h] = l.of(at)
	}
	return changed
}

func (s *shortlist) testFor(test knowledge.Test) question {
	q := question{cuts: test.Cuts, Question: Question{Test: test.ID, Minutes: test.Minutes, Days: test.Days, Sentence: testSentence(test)}}
	targets := s.targets(test, Result{})
	var left [2]float64
	for i, positive := range []bool{true, false} {
		var shift, chance [3]float64 // by how many of the targets are there
		for there := range chance {
			says := outcome(test, positive, there)
			shift[there], chance[there] = says, math.Exp(says)
		}
		for h, at := range s.kept {
			there := targets.in(at)
			s.shift[h], s.factor[h] = shift[there], chance[there]
			if positive {
				q.found += s.post[h] * chance[there]
			}
		}
		var then Outcome
		then, left[i] = s.then()
		if positive {
			q.IfFound = then
		} else {
			q.IfAbsent = then
		}
	}
	q.Information = s.information(q.found, left)
	return q
}

// then is what comes first after shift, and the entropy that is left, in nats.
func (s *shortlist) then() (Outcome, float64) {
	clear(s.sums)
	none := len(s.disorders)
	var total, mean float64
	for h, at := range s.kept {
		share := s.post[h] * s.factor[h]
		total += share
		mean += share * (s.logPost[h] + s.shift[h])
		if at.first == nobody {
			s.sums[none] += share
			continue
		}
		s.sums[at.first] += share
		if at.second != nobody {
			s.sums[at.second] += share
		}
	}
	first := 0
	for at, sum := range s.sums {
		if sum > s.sums[first] {
			first = at
		}
	}
	return Outcome{First: s.idOf(first), Probability: s.sums[first] / total}, math.Log(total) - mean/total
}

// information in bits. Weakened findings can leave a little more doubt than there
// was; such a question says nothing.
func (s *shortlist) information(found float64, left [2]float64) float64 {
	return max(0, s.entropy-found*left[0]-(1-found)*left[1]) / math.Ln2
}

// inSafeOrder is the most telling for its effort first, each sign on the organ
// where it tells most, and before the first cut the test of every virus that is
// real enough. Where one must not cut, nothing that cuts is asked.
func inSafeOrder(all []question, before []Question, mayCut bool) []Question {
	sorted := slices.Clone(all)
	slices.SortStableFunc(sorted, func(a, b question) int { return cmp.Compare(b.value(), a.value()) })
	var questions []Question
	taken := map[string]bool{}
	take := func(q Question) {
		if key := q.Sign + "/" + q.Test; !taken[key] {
			taken[key] = true
			questions = append(questions, q)
		}
	}
	for _, q := range sorted {
		if q.Information < leastInformation || (q.cuts && !mayCut) || q.idle() {
			continue
		}
		if q.cuts {
			for _, test := range before {
				take(test)
			}
		}
		take(q.Question)
	}
	return questions[:min(len(questions), MostQuestions)]
}

// testsBeforeCutting are those of the viruses that may be there, one for each; false
// when a blade must not be used at all: such a virus was found, or no test of it is
// left. A negative test is enough only when little of the virus is left after it.
func (a *assessment) testsBeforeCutting(all []question, marginals []float64) ([]Question, bool) {
	var tests []Question
	for i, d := range a.disorders {
		if d.Class != diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS || marginals[i] < virusFrom {
			continue
		}
		if a.found(d.ID) {
			return nil, false
		}
		quickest, left := a.quickestTest(all, d.ID)
		if !left {
			return nil, false
		}
		tests = append(tests, quickest)
	}
	return tests, true
}

// found says whether a test that finds the disorder, or named it, was positive.
func (a *assessment) found(disorder string) bool {
	return slices.ContainsFunc(a.facts.Results, func(r Result) bool {
		test, _ := a.base.Test(r.Test)
		return r.Positive && (r.Disorder == disorder || r.Disorder == "" && slices.Contains(test.Finds, disorder))
	})
}

func (a *assessment) quickestTest(all []question, disorder string) (Question, bool) {
	var best Question
	for _, q := range all {
		test, known := a.base.Test(q.Test)
		if !known || !slices.Contains(test.Finds, disorder) {
			continue
		}
		if best.Test == "" || cmp.Or(cmp.Compare(q.Days, best.Days), cmp.Compare(q.Minutes, best.Minutes)) < 0 {
			best = q.Question
		}
	}
	return best, best.Test != ""
}

func testSentence(test knowledge.Test) string {
	wait := "the answer is there at once"
	switch {
	case test.Days == 1:
		wait = "the answer takes a day"
	case test.Days > 1:
		wait = fmt.Sprintf("the answer takes %d days", test.Days)
	}
	return fmt.Sprintf("Test: %s; %d minutes of work, %s.", test.DisplayName, test.Minutes, wait)
}

func onOrgan(organ diagnosisv1.Organ) string { return "on the " + organName(organ) }

// lowerFirst leaves abbreviations such as pH as they are.
func lowerFirst(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	second, _ := utf8.DecodeRuneInString(text[size:])
	if unicode.IsUpper(second) {
		return text
	}
	return strings.ToLower(string(first)) + text[size:]
}
