package diagnosis

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/inference"
	"velamen/services/diagnosis/knowledge"
)

// From which probability on a precaution is proposed. They are design values, and
// small: setting a lot apart costs an hour, a house full of it the crop.
const (
	// isolateFrom is for one disorder that spreads fast, isolateTogether for all of
	// them: many that are each unlikely are always there.
	isolateFrom     = 0.10
	isolateTogether = 0.30
	virusFrom       = 0.10
	notifyFrom      = 0.05
	// unsprayedFrom is for all disorders together on which no fungicide works.
	unsprayedFrom = 0.50
)

const designValue = "the threshold is a design value; common practice, no source"

// precautions are what to do before anybody knows, what the law asks for first.
// Where nobody has seen anything yet there is nothing to be cautious about: how
// common disorders are does not set plants apart.
func precautions(base *knowledge.Base, ranking inference.Ranking, seen bool, genus, jurisdiction string, now time.Time) []*diagnosisv1.Precaution {
	if !seen {
		return nil
	}
	all := holdAndNotify(ranking, genus, jurisdiction, now)
	uncut := testBeforeCutting(base, ranking)
	if apart := isolateNow(base, ranking, len(all) > 0, uncut == nil); apart != nil {
		all = append(all, apart)
	}
	if uncut != nil {
		all = append(all, uncut)
	}
	if unsprayed := noFungicide(base, ranking); unsprayed != nil {
		all = append(all, unsprayed)
	}
	return all
}

// holdAndNotify proposes to tell the authority of every regulated pest that is
// likely enough to be suspected.
func holdAndNotify(ranking inference.Ranking, genus, jurisdiction string, now time.Time) []*diagnosisv1.Precaution {
	var all []*diagnosisv1.Precaution
	for _, candidate := range ranking.Candidates {
		if candidate.Disorder == "" || candidate.Probability < notifyFrom {
			continue
		}
		for _, pest := range RegulatedPestsFor(candidate.Disorder, genus, jurisdiction) {
			all = append(all, &diagnosisv1.Precaution{
				Kind:     diagnosisv1.PrecautionKind_PRECAUTION_KIND_HOLD_AND_NOTIFY,
				Disorder: candidate.Disorder, ProbabilityPercent: percentText(candidate.Probability), ThresholdPercent: percentText(notifyFrom),
				Sentence: fmt.Sprintf("Move, split, join and sell none of these plants: it may be %s (%s). If you suspect it, raise the duty and tell %s %s. %s",
					strings.Join(pest.Names, " or "), pest.Status, pest.Authority, withinText(pest.NotifyWithin), pest.Duty),
				Source: pest.Source, NotifyByTime: timestamppb.New(pest.NotifyBy(now)),
			})
		}
	}
	return all
}

// isolateNow proposes to set the plants apart when what spreads fast is together
// likely enough: where they stand, when a law may forbid to move them.
// How to handle it is said only where nothing forbids to cut.
func isolateNow(base *knowledge.Base, ranking inference.Ranking, held, mayCut bool) *diagnosisv1.Precaution {
	together, likeliest, others := likelyTogether(ranking, func(id string) bool {
		d, _ := base.Disorder(id)
		return d.Contagion.Degree >= diagnosisv1.Contagion_CONTAGION_HIGH
	})
	threshold := isolateFrom
	if likeliest.Probability < isolateFrom {
		threshold = isolateTogether
	}
	if likeliest.Probability < isolateFrom && together < isolateTogether {
		return nil
	}
	d, _ := base.Disorder(likeliest.Disorder)
	where := "Set the plants apart now"
	if held {
		where = "Set the plants apart now where they stand, and let nobody touch or carry them"
	}
	also := ""
	if others > 0 {
		also = fmt.Sprintf(" or something else that spreads as fast (%s %% together)", percentText(together))
	}
	how := ""
	if mayCut {
		how = " " + d.Hygiene
	}
	return &diagnosisv1.Precaution{
		Kind:     diagnosisv1.PrecautionKind_PRECAUTION_KIND_ISOLATE_NOW,
		Disorder: d.ID, ProbabilityPercent: percentText(together), ThresholdPercent: percentText(threshold),
		Sentence: fmt.Sprintf("%s, before anybody knows: it may be %s (%s %%)%s.%s",
			where, d.DisplayName, percentText(likeliest.Probability), also, how),
		Source: "how fast it spreads: " + strings.Join(citations(d.Contagion.Source), "; ") + "; " + designValue,
	}
}

// testBeforeCutting proposes to cut nothing before a test when a virus is likely
// enough: the blade carries it to the next plant.
func testBeforeCutting(base *knowledge.Base, ranking inference.Ranking) *diagnosisv1.Precaution {
	together, likeliest, _ := likelyTogether(ranking, func(id string) bool {
		d, _ := base.Disorder(id)
		return d.Class == diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS
	})
	if together < virusFrom {
		return nil
	}
	d, _ := base.Disorder(likeliest.Disorder)
	return &diagnosisv1.Precaution{
		Kind:     diagnosisv1.PrecautionKind_PRECAUTION_KIND_TEST_BEFORE_CUTTING,
		Disorder: d.ID, ProbabilityPercent: percentText(together), ThresholdPercent: percentText(virusFrom),
		Sentence: fmt.Sprintf("Cut, divide and repot nothing before a test says that it is no virus: it may be %s, nothing cures it, and the blade carries it on. %s",
			d.DisplayName, d.Confirmation),
		Source: strings.Join(citations(d.ConfirmationSource), "; ") + "; " + designValue,
	}
}

// noFungicide says so when no fungicide works on what comes first, or on most of
// what it may be, or when nothing known fits.
func noFungicide(base *knowledge.Base, ranking inference.Ranking) *diagnosisv1.Precaution {
	leader := ranking.Candidates[0]
	useless := func(id string) bool {
		d, _ := base.Disorder(id)
		return d.Fungicide.Works == diagnosisv1.FungicideUse_FUNGICIDE_USE_NO
	}
	if leader.Disorder == "" {
		return &diagnosisv1.Precaution{
			Kind: diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE, ProbabilityPercent: percentText(leader.Probability),
			Sentence: "Apply nothing yet: none of the disorders that velamen knows fits well, and a spray on a guess can harm the plants and hide the signs.",
			Source:   "common practice, no source",
		}
	}
	d, _ := base.Disorder(leader.Disorder)
	if useless(leader.Disorder) {
		return &diagnosisv1.Precaution{
			Kind:     diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE,
			Disorder: d.ID, ProbabilityPercent: percentText(leader.Probability),
			Sentence: strings.TrimSpace(fmt.Sprintf("Apply no fungicide on the strength of this: %s comes first, and none works on it. %s", d.DisplayName, d.Fungicide.Note)),
			Source:   strings.Join(citations(d.Fungicide.Source), "; "),
		}
	}
	together, likeliest, _ := likelyTogether(ranking, useless)
	if together < unsprayedFrom {
		return nil
	}
	d, _ = base.Disorder(likeliest.Disorder)
	return &diagnosisv1.Precaution{
		Kind:     diagnosisv1.PrecautionKind_PRECAUTION_KIND_NO_FUNGICIDE,
		Disorder: d.ID, ProbabilityPercent: percentText(together), ThresholdPercent: percentText(unsprayedFrom),
		Sentence: fmt.Sprintf("Apply no fungicide yet: on most of what this may be none works (%s %% together), %s first among them (%s %%).",
			percentText(together), d.DisplayName, percentText(likeliest.Probability)),
		Source: strings.Join(citations(d.Fungicide.Source), "; ") + "; " + designValue,
	}
}

// likelyTogether sums the probabilities of some disorders, at most to 1, and returns
// the likeliest of them and how many others there are of any weight.
func likelyTogether(ranking inference.Ranking, wanted func(id string) bool) (together float64, likeliest inference.Candidate, others int) {
	const weightless = 0.005
	for _, candidate := range ranking.Candidates {
		if candidate.Disorder == "" || !wanted(candidate.Disorder) {
			continue
		}
		if likeliest.Disorder == "" {
			likeliest = candidate
		} else if candidate.Probability >= weightless {
			others++
		}
		together += candidate.Probability
	}
	return min(together, 1), likeliest, others
}
