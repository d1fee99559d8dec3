package treatment

import (
	"fmt"
	"slices"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/services/diagnosis"
)

// Rule identifies one rule that a template is held to. docs/templates.md lists
// them all.
type Rule string

// The rules of the format: a template that breaks one cannot be run.
const (
	RuleFormat         Rule = "format"
	RuleKeyTwice       Rule = "key-twice"
	RuleAfterEarlier   Rule = "after-earlier"
	RuleIntervalFalls  Rule = "interval-falls"
	RuleWindowEmpty    Rule = "window-empty"
	RuleDecidingProof  Rule = "deciding-proof"
	RuleFailureNeeded  Rule = "failure-needed"
	RuleFailureWithout Rule = "failure-without-check"
	RuleRecurToEarlier Rule = "recur-to-earlier"
	RuleRecurLeadsBack Rule = "recur-leads-back"
	RuleOneRelease     Rule = "one-release"
	RuleOneDiscard     Rule = "one-discard"
	RuleDiscardFollows Rule = "discard-follows-giving-up"
	RuleUnreachable    Rule = "unreachable"
)

// The rules of the trade.
const (
	RuleDisorderUnknown Rule = "disorder-unknown"
	RuleNoDisorder      Rule = "no-disorder"

	RuleReleaseInspected Rule = "release-inspected"
	RuleReleaseTested    Rule = "release-virus-tested"
	RuleReleaseSpan      Rule = "release-latent-period"
	RuleReleaseTimes     Rule = "release-clean-inspections"
	RuleShare            Rule = "release-share"
	RuleShareWithout     Rule = "share-without-release"
	RuleNotAwaited       Rule = "release-does-not-wait"

	RuleActivesMissing Rule = "actives-missing"
	RuleActivesWithout Rule = "actives-without-application"
	RuleActiveUnknown  Rule = "active-unknown"
	RuleActiveWorks    Rule = "active-works-on-class"
	RuleNothingWorks   Rule = "no-chemical-works"
	RuleGroupsRunOut   Rule = "resistance-groups-run-out"
	RuleThreeGroups    Rule = "three-resistance-groups"
	RuleContactFirst   Rule = "contact-before-systemic"

	RuleCutDisinfected Rule = "cut-disinfected"
	RuleCutBinned      Rule = "cut-binned"

	RuleEndlessRepeat Rule = "repeat-without-end"
	RuleAttempts      Rule = "attempts-of-no-use"
	RuleRounds        Rule = "rounds-of-no-use"
	RuleRecurTo       Rule = "recur-to-of-no-use"
	RuleCleanTimes    Rule = "clean-times-of-no-use"
	RuleEscalatesLate Rule = "escalates-late"
)

// Finding is one thing that is wrong with a template.
type Finding struct {
	// Field is the path in the template, for example
	// "template.steps[3].intervals[1]".
	Field string
	Rule  Rule
	// Message says what is wrong, with the numbers.
	Message string
	// Warning is true of what a nursery may decide for itself: it does not keep
	// a template from being published.
	Warning bool
}

// CheckTemplate refuses a template with the first fault that is found in it,
// naming the field and the rule. Warnings do not refuse.
func CheckTemplate(template *treatmentv1.Template) error {
	for _, finding := range FindTemplateFaults(template) {
		if !finding.Warning {
			return finding.refusal()
		}
	}
	return nil
}

func (f Finding) refusal() error {
	return fault.FieldReason(fault.Invalid, fault.TemplateInvalid, f.Field, "%s", f.Message).With("rule", string(f.Rule))
}

func (f Finding) contract() *treatmentv1.TemplateFinding {
	return &treatmentv1.TemplateFinding{Field: f.Field, Rule: string(f.Rule), Message: f.Message, Warning: f.Warning}
}

// broken is the refusal of what is no template at all.
func broken(field, format string, args ...any) error {
	return Finding{Field: field, Rule: RuleFormat, Message: fmt.Sprintf(format, args...)}.refusal()
}

// FindTemplateFaults returns everything that is wrong with a template, step by
// step and then as a whole. A template without findings that is walked through
// with clean checks ends in release.
func FindTemplateFaults(template *treatmentv1.Template) []Finding {
	c := &templateCheck{template: template, plan: PlanOf(template)}
	c.disorders()
	seen := map[string]bool{}
	for i, step := range template.GetSteps() {
		c.step(i, step, seen)
		seen[step.GetKey()] = true
	}
	c.ends()
	// What follows what has no answer in a template whose intervals point to
	// nothing, so nothing more is said about its course.
	if c.ordered {
		c.course()
	}
	c.chemistry()
	c.shares()
	c.sanity()
	return c.findings
}

// templateCheck gathers what is wrong with a template.
type templateCheck struct {
	template *treatmentv1.Template
	plan     Plan
	// known are those of the template's disorders that can be diagnosed.
	known []diagnosis.Disorder
	// before says, by the indexes of two steps, whether the second leads to the
	// first. It is filled when ordered.
	before   [][]bool
	ordered  bool
	findings []Finding
}

func (c *templateCheck) fault(rule Rule, field, format string, args ...any) {
	c.findings = append(c.findings, Finding{Field: field, Rule: rule, Message: fmt.Sprintf(format, args...)})
}

func (c *templateCheck) warn(rule Rule, field, format string, args ...any) {
	c.findings = append(c.findings, Finding{Field: field, Rule: rule, Message: fmt.Sprintf(format, args...), Warning: true})
}

func stepPath(i int) string { return fmt.Sprintf("template.steps[%d]", i) }

func (c *templateCheck) disorders() {
	if len(c.template.GetDisorders()) == 0 {
		c.warn(RuleNoDisorder, "template.disorders", "it is for no disorder, so no program can start from it")
	}
	for i, id := range c.template.GetDisorders() {
		disorder, ok := diagnosis.DisorderByID(id)
		if !ok {
			c.fault(RuleDisorderUnknown, fmt.Sprintf("template.disorders[%d]", i), "there is no disorder %q", id)
			continue
		}
		c.known = append(c.known, disorder)
	}
}

// step holds one step to the format.
func (c *templateCheck) step(i int, step *treatmentv1.TemplateStep, earlier map[string]bool) {
	path := stepPath(i)
	if i == 0 {
		c.ordered = true
	}
	if earlier[step.GetKey()] {
		c.ordered = false
		c.fault(RuleKeyTwice, path+".key", "%q stands twice", step.GetKey())
	}
	if step.GetKind() == discard && len(step.GetIntervals()) > 0 {
		c.fault(RuleDiscardFollows, path+".intervals", "the discard step follows from giving up, not from a step")
	}
	for j, interval := range step.GetIntervals() {
		c.interval(fmt.Sprintf("%s.intervals[%d]", path, j), interval, earlier)
	}
	c.actives(path, step)
	c.proofs(path, step)
	c.failure(path, step, earlier)
}

func (c *templateCheck) interval(path string, interval *treatmentv1.Interval, earlier map[string]bool) {
	if !earlier[interval.GetAfter()] {
		c.ordered = false
		c.fault(RuleAfterEarlier, path+".after", "%q is not an earlier step", interval.GetAfter())
	}
	if interval.GetMinHours() > interval.GetDueHours() || interval.GetDueHours() > interval.GetMaxHours() {
		c.ordered = false
		c.fault(RuleIntervalFalls, path, "min_hours %d, due_hours %d and max_hours %d must not fall",
			interval.GetMinHours(), interval.GetDueHours(), interval.GetMaxHours())
	}
}

// proofs holds that a step asks for what decides its outcome: a check that
// nothing was said about would pass for clean. A cut with a dirty blade carries
// on what it should end.
func (c *templateCheck) proofs(path string, step *treatmentv1.TemplateStep) {
	proof, needed := decidingProof(step.GetKind())
	if needed && !slices.Contains(step.GetProofs(), proof) {
		c.fault(RuleDecidingProof, path+".proofs", "a step of the kind %s must ask for %s", kindName(step.GetKind()), proofName(proof))
	}
	if !cuts(step.GetKind()) {
		return
	}
	if !slices.Contains(step.GetProofs(), treatmentv1.Proof_PROOF_DISINFECTANT) {
		c.warn(RuleCutDisinfected, path+".proofs", "a step that cuts does not ask how the blade was disinfected (%s)",
			proofName(treatmentv1.Proof_PROOF_DISINFECTANT))
	}
	if !slices.Contains(step.GetProofs(), treatmentv1.Proof_PROOF_REMOVED_PARTS_BINNED) {
		c.warn(RuleCutBinned, path+".proofs", "a step that cuts does not ask whether what was removed went to the bin (%s)",
			proofName(treatmentv1.Proof_PROOF_REMOVED_PARTS_BINNED))
	}
}

// cuts reports whether a blade goes through tissue in a kind of step.
func cuts(kind Kind) bool { return kind == prune || kind == cutBack }

func (c *templateCheck) failure(path string, step *treatmentv1.TemplateStep, earlier map[string]bool) {
	switch {
	case !mayFail(step.GetKind()):
		if step.GetOnFailure() != noRepeat {
			c.fault(RuleFailureWithout, path+".on_failure", "only inspect, lab_test, cut_back_until_clean and release have a check that can fail")
		}
	case step.GetOnFailure() == noRepeat && checks(step.GetKind()):
		c.fault(RuleFailureNeeded, path+".on_failure", "a check must say what happens when it fails")
	case step.GetOnFailure() == recur && !earlier[step.GetRecurTo()]:
		c.ordered = false
		c.fault(RuleRecurToEarlier, path+".recur_to", "%q is not an earlier step", step.GetRecurTo())
	}
}

// ends holds that a program has its two ends.
func (c *templateCheck) ends() {
	releases, discards := 0, 0
	for _, step := range c.plan.Steps {
		switch step.Kind {
		case release:
			releases++
		case discard:
			discards++
		}
	}
	if releases != 1 {
		c.fault(RuleOneRelease, "template.steps", "there must be exactly one release step, not %d", releases)
	}
	if discards != 1 {
		c.fault(RuleOneDiscard, "template.steps", "there must be exactly one discard step, which giving up leads to, not %d", discards)
	}
}
