package treatment

import (
	"slices"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

// slowestEscalation is the longest that an overdue step should go unmentioned,
// in hours: a week. Common practice, no source.
const slowestEscalation = 7 * 24

// sanity warns of numbers that do nothing, or not what was meant.
func (c *templateCheck) sanity() {
	recurs := slices.ContainsFunc(c.plan.Steps, func(s PlanStep) bool { return s.OnFailure == recur })
	switch rounds := c.plan.MaxRounds; {
	case rounds > 1 && !recurs:
		c.warn(RuleRounds, "template.max_rounds", "%d rounds, but no check begins another (RECUR)", rounds)
	case rounds == 1 && recurs:
		c.warn(RuleRounds, "template.max_rounds", "1 round, but a check begins another (RECUR): it gives up instead")
	}
	if hours := c.template.GetEscalateEveryHours(); hours > slowestEscalation {
		c.warn(RuleEscalatesLate, "template.escalate_every_hours", "an overdue step is mentioned every %d h only; %d h is the most", hours, slowestEscalation)
	}
	for i, step := range c.template.GetSteps() {
		c.attempts(i, step)
		c.cleanTimes(i, step)
		if step.GetRecurTo() != "" && step.GetOnFailure() != recur {
			c.warn(RuleRecurTo, stepPath(i)+".recur_to", "%q is used with RECUR only", step.GetRecurTo())
		}
	}
}

func (c *templateCheck) attempts(i int, step *treatmentv1.TemplateStep) {
	path := stepPath(i) + ".max_attempts"
	attempts, clean := step.GetMaxAttempts(), max(1, step.GetCleanTimes())
	switch {
	case step.GetOnFailure() != repeat:
		if attempts > 0 {
			c.warn(RuleAttempts, path, "%d attempts are used with REPEAT only", attempts)
		}
	case attempts == 0:
		c.warn(RuleEndlessRepeat, path, "a check that fails is repeated without end; say after how many attempts the program gives up")
	case attempts <= clean:
		c.warn(RuleAttempts, path, "%d attempts leave none to repeat a check that must be clean %d times", attempts, clean)
	}
}

func (c *templateCheck) cleanTimes(i int, step *treatmentv1.TemplateStep) {
	path := stepPath(i)
	times, apart := step.GetCleanTimes(), step.GetCleanApartHours()
	switch {
	case times > 1 && !checks(step.GetKind()):
		c.warn(RuleCleanTimes, path+".clean_times", "a step of the kind %s has no check; it would have to be done %d times", kindName(step.GetKind()), times)
	case times > 1 && apart == 0:
		c.warn(RuleCleanTimes, path+".clean_apart_hours", "%d clean checks may follow each other within the hour, and say no more than one", times)
	case times <= 1 && apart > 0:
		c.warn(RuleCleanTimes, path+".clean_apart_hours", "%d h between clean checks, of which only one is asked for", apart)
	}
}
