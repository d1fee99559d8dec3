package treatment

import (
	"fmt"
	"slices"
	"time"
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
		if step.OnFailure == recur && mayFail(step.Kind) && !c.before[i][c.index(step.RecurTo)] {
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
