package treatment

import (
	"fmt"
	"slices"
	"strings"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/treatment/sampling"
)

// course checks what follows what: that every step can be done and be done in
// time, that a failed check is checked again, and that the release is earned.
func (c *templateCheck) course() {
	c.findBefore()
	c.recurrences()
	c.reachable()
	c.release()
	c.windows()
	c.spans()
}

// findBefore fills which steps lead to which. Intervals point backwards, so one
// pass finds all.
func (c *templateCheck) findBefore() {
	index := map[string]int{}
	for i, step := range c.plan.Steps {
		leads := make([]bool, len(c.plan.Steps))
		for _, interval := range step.After {
			j := index[interval.Key]
			leads[j] = true
			for k, earlier := range c.before[j] {
				leads[k] = leads[k] || earlier
			}
		}
		c.before = append(c.before, leads)
		index[step.Key] = i
	}
}

func (c *templateCheck) index(key string) int {
	return slices.IndexFunc(c.plan.Steps, func(s PlanStep) bool { return s.Key == key })
}

// recurrences holds that a check goes back to a step that leads to it: otherwise
// the next round would not check again.
func (c *templateCheck) recurrences() {
	for i, step := range c.plan.Steps {
		if step.OnFailure == recur && checks(step.Kind) && !c.before[i][c.index(step.RecurTo)] {
			c.fault(RuleRecurLeadsBack, stepPath(i)+".recur_to", "%q does not lead to this step", step.RecurTo)
		}
	}
}

// reachable holds that no step stands behind one that is never done in the
// course of a program: release and discard end it.
func (c *templateCheck) reachable() {
	for i, step := range c.plan.Steps {
		ended := false
		for j, interval := range step.After {
			earlier, _ := c.plan.step(interval.Key)
			if earlier.Kind != release && earlier.Kind != discard {
				continue
			}
			ended = true
			c.fault(RuleUnreachable, fmt.Sprintf("%s.intervals[%d].after", stepPath(i), j),
				"the program ends with %q: nothing after it is ever done", earlier.Key)
		}
		for j, leads := range c.before[i] {
			earlier := c.plan.Steps[j]
			if leads && !ended && (earlier.Kind == release || earlier.Kind == discard) {
				c.fault(RuleUnreachable, stepPath(i), "it stands behind %q, which ends the program: it is never done", earlier.Key)
				break
			}
		}
	}
}

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

// windows holds that there is a course on which every step is done in the window
// of each of its intervals.
func (c *templateCheck) windows() {
	times := newTimetable(len(c.plan.Steps))
	for i, step := range c.plan.Steps {
		if len(step.After) == 0 {
			times.within(times.round(), times.begin(i), window{0, firstOverdue})
		}
		for j, interval := range step.After {
			asked := window{interval.Min, interval.Max}
			left, possible := times.within(times.done(c.index(interval.Key)), times.begin(i), asked)
			if !possible {
				c.fault(RuleWindowEmpty, fmt.Sprintf("%s.intervals[%d]", stepPath(i), j),
					"%s after %q cannot be kept: the other intervals put this step %s after it", asked, interval.Key, left)
			}
		}
		times.within(times.begin(i), times.done(i), step.clean())
	}
}

// clean returns how long the step lasts when nothing fails: from its first check
// to its last.
func (step PlanStep) clean() window {
	again := time.Duration(step.CleanTimes - 1)
	leeway := firstOverdue
	for j, interval := range step.After {
		if j == 0 || interval.Max-interval.Min > leeway {
			leeway = interval.Max - interval.Min
		}
	}
	return window{again * step.CleanApart, again * (step.CleanApart + leeway)}
}

// spans warns of a release that comes before signs could have: the last clean
// check must be one longest latent period after the last step that ends an
// infection.
func (c *templateCheck) spans() {
	for _, disorder := range c.known {
		period, ok := sampling.PeriodOf(disorder.ID)
		if !ok || period.ReleasedBy == sampling.ByNothing {
			continue
		}
		from, check, span := c.shortestSpan(period.ReleasedBy)
		if check < 0 || span >= days(period.LatentMaxDays) {
			continue
		}
		c.warn(RuleReleaseSpan, stepPath(check), "the last clean check may be %d days after %q; %s may stand without signs for %d days",
			int(span/days(1)), c.plan.Steps[from].Key, disorder.ID, period.LatentMaxDays)
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
