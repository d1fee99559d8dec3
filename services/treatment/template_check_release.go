package treatment

import (
	"strings"
	"time"

	"github.com/shopspring/decimal"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
	"velamen/services/treatment/sampling"
)

// release holds that no lot is released without an inspection, and none with a
// virus without two negative tests; and says what the release would leave undone.
func (c *templateCheck) release() {
	for i, step := range c.plan.Steps {
		if step.Kind != release {
			continue
		}
		inspected, tests := false, 0
		for j, earlier := range c.plan.Steps {
			if !c.before[i][j] {
				continue
			}
			inspected = inspected || earlier.Kind == inspect
			if earlier.Kind == labTest {
				tests += earlier.CleanTimes
			}
		}
		path := stepPath(i) + ".intervals"
		if !inspected {
			c.fault(RuleReleaseInspected, path, "a release must follow an inspection")
		}
		if virus := c.disordersOf(diagnosisv1.DisorderClass_DISORDER_CLASS_VIRUS); len(virus) > 0 && tests < negativeTests {
			c.fault(RuleReleaseTested, path, "a plant with %s may be without signs: a release must follow %d negative tests, not %d",
				strings.Join(virus, ", "), negativeTests, tests)
		}
		c.left(i)
		c.cleanInspections(i)
	}
}

// negativeTests are the least that free a lot of the suspicion of a virus.
// Design value, from memory.
const negativeTests = 2

// left warns of steps that the release does not wait for: when the lots are
// released, those that are not done are dropped.
func (c *templateCheck) left(releaseIndex int) {
	for i, step := range c.plan.Steps {
		if i == releaseIndex || step.Kind == discard || c.before[releaseIndex][i] || c.before[i][releaseIndex] {
			continue
		}
		c.warn(RuleNotAwaited, stepPath(i), "no interval leads from %q to the release, which drops it when it is not done by then", step.Key)
	}
}

func (c *templateCheck) disordersOf(class diagnosisv1.DisorderClass) []string {
	var ids []string
	for _, disorder := range c.known {
		if disorder.Class == class {
			ids = append(ids, disorder.ID)
		}
	}
	return ids
}

// cleanInspections warns of fewer clean inspections or tests than a release asks
// for where the nursery sets nothing else.
func (c *templateCheck) cleanInspections(releaseIndex int) {
	needed := sampling.DesignValues().CleanInspections
	for _, disorder := range c.known {
		period, ok := sampling.PeriodOf(disorder.ID)
		if !ok || period.ReleasedBy != sampling.ByInspections {
			continue
		}
		clean := 0
		for i, step := range c.plan.Steps {
			if c.before[releaseIndex][i] && (step.Kind == inspect || step.Kind == labTest) {
				clean += step.CleanTimes
			}
		}
		if clean > 0 && clean < needed {
			c.warn(RuleReleaseTimes, stepPath(releaseIndex), "%d clean inspection comes before it; a release from %s needs %d", clean, disorder.ID, needed)
			return
		}
	}
}

// shares holds what a release must prove to what can be proven, and warns where it
// stands on a step that releases nothing.
func (c *templateCheck) shares() {
	for i, step := range c.template.GetSteps() {
		design := sampling.DesignValues()
		for _, own := range []struct {
			field   string
			message *typev1.Quantity
			share   *decimal.Decimal
		}{
			{"release_confidence", step.GetReleaseConfidence(), &design.Confidence},
			{"release_prevalence", step.GetReleasePrevalence(), &design.Prevalence},
			{"inspection_sensitivity", step.GetInspectionSensitivity(), &design.Sensitivity},
		} {
			if own.message == nil {
				continue
			}
			path := stepPath(i) + "." + own.field
			if step.GetKind() != release {
				c.warn(RuleShareWithout, path, "only the release step has it")
			}
			share, err := quantity.FromContract(own.message)
			if err != nil || share.Unit != quantity.Percent {
				c.fault(RuleShare, path, "must be a number in %s", quantity.Percent)
				continue
			}
			kept := *own.share
			*own.share = share.Amount.Shift(-2)
			if _, err := sampling.SampleSize(1, design.Confidence, design.Prevalence, design.Sensitivity); err != nil {
				c.fault(RuleShare, path, "%s %% cannot be: %s", share.Amount, err)
				*own.share = kept
			}
		}
	}
}

// spans warns of a release before the lots have been clean for as long as the
// disorder asks for, one longest latent period at least: signs could still come.
func (c *templateCheck) spans() {
	for _, disorder := range c.known {
		period, ok := sampling.PeriodOf(disorder.ID)
		if !ok || period.ReleasedBy == sampling.ByNothing {
			continue
		}
		from, check, span := c.shortestSpan(period.ReleasedBy)
		if check < 0 || span >= days(period.SpanDays) {
			continue
		}
		c.warn(RuleReleaseSpan, stepPath(check), "the last clean check may be %d days after %q; a release from %s needs %d days, its signs come after up to %d",
			int(span/days(1)), c.plan.Steps[from].Key, disorder.ID, period.SpanDays, period.LatentMaxDays)
	}
}

func days(n int) time.Duration { return time.Duration(n) * 24 * time.Hour }

// shortestSpan returns the least time from a step that ends an infection to the
// last check before the release, and the two steps; the check is negative when
// there is none.
func (c *templateCheck) shortestSpan(by sampling.Proof) (from, check int, span time.Duration) {
	check = -1
	for _, treating := range c.treating() {
		done := c.earliest(treating)
		last, at := -1, time.Duration(0)
		for i, step := range c.plan.Steps {
			proves := step.Kind == labTest || (step.Kind == inspect && by == sampling.ByInspections)
			if proves && c.leadsToRelease(i) && (last < 0 || done[i] >= at) {
				last, at = i, done[i]
			}
		}
		if last >= 0 && (check < 0 || at < span) {
			from, check, span = treating, last, at
		}
	}
	return from, check, span
}

func (c *templateCheck) leadsToRelease(i int) bool {
	for j, step := range c.plan.Steps {
		if step.Kind == release && c.before[j][i] {
			return true
		}
	}
	return false
}

// treating returns the steps after which a plant that still falls ill was
// infected before them: those whose active goes into the plant; where there are
// none, those that cut off what is ill; where there are none either, those that
// set the lots apart, or else the first step. A contact fungicide between them and
// the release keeps clean what is clean and begins nothing anew.
func (c *templateCheck) treating() []int {
	ranks := []func(i int) bool{
		c.entersPlant,
		func(i int) bool { return cuts(c.plan.Steps[i].Kind) },
		func(i int) bool { return c.plan.Steps[i].Kind == isolate },
		func(i int) bool { return i == 0 },
	}
	for _, belongs := range ranks {
		var found []int
		for i := range c.plan.Steps {
			if belongs(i) && c.leadsToRelease(i) {
				found = append(found, i)
			}
		}
		if len(found) > 0 {
			return found
		}
	}
	return nil
}

// earliest returns how long after a step the others are done at the earliest;
// nothing for steps that do not follow it. Whatever is late makes it longer, so a
// program never releases sooner.
func (c *templateCheck) earliest(from int) map[int]time.Duration {
	done := map[int]time.Duration{from: 0}
	for i, step := range c.plan.Steps {
		for _, interval := range step.After {
			earlier, follows := done[c.index(interval.Key)]
			if !follows || i == from {
				continue
			}
			done[i] = max(done[i], earlier+interval.Min+step.clean().Min)
		}
	}
	return done
}
