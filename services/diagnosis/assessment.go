package diagnosis

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/diagnosis/regulation"
)

// assessmentCaution stands on every assessment.
const assessmentCaution = "This is a proposal and no diagnosis: the figures are judgements, and a named person decides. " +
	"Licensed advice and, where it matters, a laboratory come first; the product label and local law decide on every treatment."

const (
	// defaultCandidates are returned when nobody says how many.
	defaultCandidates = 10
	// maxQuestions are asked at most; who has answered them asks anew.
	maxQuestions = 5
)

// noneName and noneConfirmation are said of what the knowledge does not have.
const (
	noneName         = "None of the disorders that velamen knows"
	noneConfirmation = "Send a sample to a plant clinic and describe what was found and what was not."
)

// assess weighs evidence.
func assess(e evidence, jurisdiction string, now time.Time, mostCandidates int) *diagnosisv1.Assessment {
	base := knowledge.Shipped()
	ranking := inference.Assess(base, inference.Case{
		Plant: e.plant, Findings: findingsOf(e.observations), Conditions: e.conditions, Results: e.results,
	})
	if e.seen() {
		e.noteOtherLaws(ranking, jurisdiction)
	}
	assessment := &diagnosisv1.Assessment{
		Precautions: precautions(base, ranking, e.seen(), e.plant.Genus, jurisdiction, now),
		Summary:     ranking.Summary, PlantGroup: e.plant.Group, Conditions: conditionsContract(e.conditions),
		Observations: e.observations, Samples: e.samples, KnowledgeVersion: knowledge.Version(),
		Notes: slices.Concat(e.notes, ranking.Notes), Caution: assessmentCaution,
	}
	for _, candidate := range shownCandidates(ranking.Candidates, mostCandidates) {
		assessment.Candidates = append(assessment.Candidates, candidateContract(base, candidate))
	}
	for _, pair := range ranking.Pairs {
		assessment.Pairs = append(assessment.Pairs, &diagnosisv1.Pair{
			Disorders: []string{pair.First, pair.Second}, ProbabilityPercent: percentText(pair.Probability),
		})
	}
	for _, question := range ranking.Questions[:min(maxQuestions, len(ranking.Questions))] {
		assessment.Questions = append(assessment.Questions, questionContract(question))
	}
	return assessment
}

// shownCandidates are the first of the candidates; none of those known is always
// among them.
func shownCandidates(all []inference.Candidate, most int) []inference.Candidate {
	most = cmp.Or(most, defaultCandidates)
	if len(all) <= most {
		return all
	}
	shown := slices.Clone(all[:most])
	isNone := func(c inference.Candidate) bool { return c.Disorder == "" }
	if slices.ContainsFunc(shown, isNone) {
		return shown
	}
	return append(shown, all[slices.IndexFunc(all, isNone)])
}

func candidateContract(base *knowledge.Base, c inference.Candidate) *diagnosisv1.Candidate {
	candidate := &diagnosisv1.Candidate{
		Disorder: c.Disorder, DisplayName: noneName, Confirmation: noneConfirmation, ProbabilityPercent: percentText(c.Probability),
		Why: c.Why, EvidenceFor: evidenceContract(c.For), EvidenceAgainst: evidenceContract(c.Against), WouldChange: c.WouldChange,
	}
	d, known := base.Disorder(c.Disorder)
	if !known {
		return candidate
	}
	candidate.DisplayName, candidate.DisorderClass, candidate.Confirmation = d.DisplayName, d.Class, d.Confirmation
	candidate.FungicideUse, candidate.FungicideNote = d.Fungicide.Works, d.Fungicide.Note
	candidate.Tests, candidate.Contagion = testsFor(base, d.ID), d.Contagion.Degree
	candidate.Environment, candidate.Hygiene = d.Environment, d.Hygiene
	return candidate
}

// testsFor are the ids of the tests that find a disorder, the quickest first.
func testsFor(base *knowledge.Base, disorder string) []string {
	tests := base.TestsFor(disorder)
	slices.SortStableFunc(tests, func(a, b knowledge.Test) int {
		return cmp.Or(cmp.Compare(a.Days, b.Days), cmp.Compare(a.Minutes, b.Minutes))
	})
	ids := make([]string, len(tests))
	for i, test := range tests {
		ids[i] = test.ID
	}
	return ids
}

func evidenceContract(all []inference.Evidence) []*diagnosisv1.Evidence {
	written := make([]*diagnosisv1.Evidence, len(all))
	for i, e := range all {
		written[i] = &diagnosisv1.Evidence{
			Sample: e.Sample, LikelihoodRatio: threeDigits(e.LikelihoodRatio), Sentence: e.Sentence, Sources: citations(e.Source),
		}
		if e.Finding == nil {
			continue
		}
		written[i].Organ, written[i].Sign, written[i].Presence = e.Finding.Organ, e.Finding.Sign, diagnosisv1.Presence_PRESENCE_ABSENT
		if e.Finding.Observed {
			written[i].Presence = diagnosisv1.Presence_PRESENCE_OBSERVED
		}
	}
	return written
}

func questionContract(q inference.Question) *diagnosisv1.Question {
	return &diagnosisv1.Question{
		Organ: q.Organ, Sign: q.Sign, Test: q.Test, Sentence: q.Sentence, Minutes: int32(q.Minutes), Days: int32(q.Days),
		ExpectedInformation: strconv.FormatFloat(q.Information, 'f', 2, 64),
		FirstIfFound:        q.IfFound.First, PercentIfFound: percentText(q.IfFound.Probability),
		FirstIfAbsent: q.IfAbsent.First, PercentIfAbsent: percentText(q.IfAbsent.Probability),
	}
}

// percentText writes a share with one decimal.
func percentText(share float64) string { return strconv.FormatFloat(share*100, 'f', 1, 64) }

// threeDigits writes a ratio with three significant digits and without an exponent.
func threeDigits(ratio float64) string {
	if ratio <= 0 || math.IsInf(ratio, 0) || math.IsNaN(ratio) {
		return "0"
	}
	unit := math.Pow(10, math.Floor(math.Log10(ratio))-2)
	return strconv.FormatFloat(math.Round(ratio/unit)*unit, 'f', max(0, int(-math.Floor(math.Log10(unit)))), 64)
}

// noteOtherLaws says so when what is likely is named by laws, but by none known here
// of the nursery's own: that velamen knows no rule is not that there is none.
func (e *evidence) noteOtherLaws(ranking inference.Ranking, jurisdiction string) {
	for _, candidate := range ranking.Candidates {
		if candidate.Disorder == "" || candidate.Probability < notifyFrom || len(RegulatedPestsFor(candidate.Disorder, e.plant.Genus, jurisdiction)) > 0 {
			continue
		}
		elsewhere := slices.ContainsFunc(regulation.All(), func(p regulation.Pest) bool {
			return p.Disorder == candidate.Disorder && p.On(e.plant.Genus)
		})
		if elsewhere {
			d, _ := knowledge.Shipped().Disorder(candidate.Disorder)
			e.note("%s is named by the laws of some places, and velamen knows no rule of %s about it: ask the plant health authority whether it must be told.",
				d.DisplayName, jurisdiction)
		}
	}
}
