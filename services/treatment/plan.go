package treatment

import (
	"fmt"
	"slices"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
)

// Kind and the other enumerations are those of the contract, under short names.
type (
	// Kind says what is done in a step.
	Kind = treatmentv1.StepKind
	// Proof is what a confirmation must carry.
	Proof = treatmentv1.Proof
	// OnFailure says what a program does when a check is not clean.
	OnFailure = treatmentv1.OnFailure
)

// Short names of the kinds of step.
const (
	isolate  = treatmentv1.StepKind_STEP_KIND_ISOLATE
	cutBack  = treatmentv1.StepKind_STEP_KIND_CUT_BACK_UNTIL_CLEAN
	discard  = treatmentv1.StepKind_STEP_KIND_DISCARD
	bath     = treatmentv1.StepKind_STEP_KIND_BATH
	spray    = treatmentv1.StepKind_STEP_KIND_SPRAY
	drench   = treatmentv1.StepKind_STEP_KIND_DRENCH
	inspect  = treatmentv1.StepKind_STEP_KIND_INSPECT
	labTest  = treatmentv1.StepKind_STEP_KIND_LAB_TEST
	release  = treatmentv1.StepKind_STEP_KIND_RELEASE
	noRepeat = treatmentv1.OnFailure_ON_FAILURE_UNSPECIFIED
	repeat   = treatmentv1.OnFailure_ON_FAILURE_REPEAT
	recur    = treatmentv1.OnFailure_ON_FAILURE_RECUR
	giveUp   = treatmentv1.OnFailure_ON_FAILURE_GIVE_UP
)

// Applies reports whether chemical is applied in a kind of step.
func Applies(kind Kind) bool { return kind == bath || kind == spray || kind == drench }

// checks reports whether a kind of step has a check that can fail.
func checks(kind Kind) bool { return kind == inspect || kind == cutBack || kind == labTest }

// Plan is what of a template decides the course of a program.
type Plan struct {
	Steps         []PlanStep    `json:"steps"`
	MaxRounds     int           `json:"max_rounds"`
	EscalateEvery time.Duration `json:"escalate_every"`
}

// PlanStep is a step of a plan.
type PlanStep struct {
	Key         string        `json:"key"`
	Kind        Kind          `json:"kind"`
	After       []Interval    `json:"after,omitempty"`
	CleanTimes  int           `json:"clean_times"`
	CleanApart  time.Duration `json:"clean_apart"`
	OnFailure   OnFailure     `json:"on_failure"`
	RecurTo     string        `json:"recur_to,omitempty"`
	MaxAttempts int           `json:"max_attempts"`
}

// Interval is the time from the end of an earlier step.
type Interval struct {
	Key string        `json:"key"`
	Min time.Duration `json:"min"`
	Due time.Duration `json:"due"`
	Max time.Duration `json:"max"`
}

// Times for steps that follow no other: at the start of a program, and the
// discarding after giving up. Common practice, no source: a suspect lot is set
// apart the same day, and diseased plants do not stay over the weekend.
const (
	firstDue       = 12 * time.Hour
	firstOverdue   = 24 * time.Hour
	discardDue     = 24 * time.Hour
	discardOverdue = 72 * time.Hour
)

// PlanOf returns the plan of a template.
func PlanOf(template *treatmentv1.Template) Plan {
	plan := Plan{
		MaxRounds:     int(template.GetMaxRounds()),
		EscalateEvery: hours(template.GetEscalateEveryHours()),
	}
	for _, step := range template.GetSteps() {
		planned := PlanStep{
			Key:         step.GetKey(),
			Kind:        step.GetKind(),
			CleanTimes:  max(1, int(step.GetCleanTimes())),
			CleanApart:  hours(step.GetCleanApartHours()),
			OnFailure:   step.GetOnFailure(),
			RecurTo:     step.GetRecurTo(),
			MaxAttempts: int(step.GetMaxAttempts()),
		}
		for _, interval := range step.GetIntervals() {
			planned.After = append(planned.After, Interval{
				Key: interval.GetAfter(), Min: hours(interval.GetMinHours()),
				Due: hours(interval.GetDueHours()), Max: hours(interval.GetMaxHours()),
			})
		}
		plan.Steps = append(plan.Steps, planned)
	}
	return plan
}

func hours(n int32) time.Duration { return time.Duration(n) * time.Hour }

func (p Plan) step(key string) (PlanStep, bool) {
	i := slices.IndexFunc(p.Steps, func(s PlanStep) bool { return s.Key == key })
	if i < 0 {
		return PlanStep{}, false
	}
	return p.Steps[i], true
}

// follows reports whether a step comes, directly or not, after another. Intervals
// point backwards, so one pass finds all that follow; walking back from the step
// would take every way through a template with many intervals.
func (p Plan) follows(key, earlier string) bool {
	after := map[string]bool{}
	for _, step := range p.Steps {
		after[step.Key] = slices.ContainsFunc(step.After, func(i Interval) bool { return i.Key == earlier || after[i.Key] })
	}
	return after[key]
}

// CheckTemplate refuses a template that breaks a rule of the format, naming the
// field. knownActive says whether an active ingredient is in the catalog.
func CheckTemplate(template *treatmentv1.Template, knownActive func(id string) bool) error {
	seen := map[string]bool{}
	releases, discards := 0, 0
	for i, step := range template.GetSteps() {
		path := fmt.Sprintf("template.steps[%d]", i)
		if seen[step.GetKey()] {
			return broken(path+".key", "%q stands twice", step.GetKey())
		}
		if err := checkStep(path, step, seen, knownActive); err != nil {
			return err
		}
		seen[step.GetKey()] = true
		if step.GetKind() == release {
			releases++
		}
		if step.GetKind() == discard {
			discards++
		}
	}
	if releases != 1 {
		return broken("template.steps", "there must be exactly one release step, not %d", releases)
	}
	if discards != 1 {
		return broken("template.steps", "there must be exactly one discard step, which giving up leads to, not %d", discards)
	}
	plan := PlanOf(template)
	if err := checkRecurrences(plan); err != nil {
		return err
	}
	return checkRelease(plan)
}

// checkRecurrences holds that a check goes back to a step that leads to it:
// otherwise the next round would not check again.
func checkRecurrences(plan Plan) error {
	for i, step := range plan.Steps {
		if step.OnFailure == recur && !plan.follows(step.Key, step.RecurTo) {
			return broken(fmt.Sprintf("template.steps[%d].recur_to", i), "%q does not lead to this step", step.RecurTo)
		}
	}
	return nil
}

func checkStep(path string, step *treatmentv1.TemplateStep, earlier map[string]bool, knownActive func(string) bool) error {
	if step.GetKind() == discard && len(step.GetIntervals()) > 0 {
		return broken(path+".intervals", "the discard step follows from giving up, not from a step")
	}
	for j, interval := range step.GetIntervals() {
		at := fmt.Sprintf("%s.intervals[%d]", path, j)
		if !earlier[interval.GetAfter()] {
			return broken(at+".after", "%q is not an earlier step", interval.GetAfter())
		}
		if interval.GetMinHours() > interval.GetDueHours() || interval.GetDueHours() > interval.GetMaxHours() {
			return broken(at, "min_hours, due_hours and max_hours must not fall")
		}
	}
	if err := checkActives(path, step, knownActive); err != nil {
		return err
	}
	if err := checkProofs(path, step); err != nil {
		return err
	}
	return checkFailure(path, step, earlier)
}

func checkActives(path string, step *treatmentv1.TemplateStep, knownActive func(string) bool) error {
	candidates := step.GetCandidateActiveIngredients()
	if !Applies(step.GetKind()) {
		if len(candidates) > 0 {
			return broken(path+".candidate_active_ingredients", "only bath, spray and drench have them")
		}
		return nil
	}
	if len(candidates) == 0 {
		return broken(path+".candidate_active_ingredients", "a step that applies chemical must name them")
	}
	for _, id := range candidates {
		if !knownActive(id) {
			return broken(path+".candidate_active_ingredients", "%q is not in the catalog", id)
		}
	}
	return nil
}

// checkProofs holds that a step asks for what decides its outcome: a check that
// nothing was said about would pass for clean.
func checkProofs(path string, step *treatmentv1.TemplateStep) error {
	proof, needed := decidingProof(step.GetKind())
	if needed && !slices.Contains(step.GetProofs(), proof) {
		return broken(path+".proofs", "a step of the kind %s must ask for %s", kindName(step.GetKind()), proofName(proof))
	}
	return nil
}

// decidingProof returns what every confirmation of a kind of step must carry,
// for kinds that have such a proof.
func decidingProof(kind Kind) (Proof, bool) {
	switch kind {
	case bath, spray, drench:
		return treatmentv1.Proof_PROOF_APPLICATION, true
	case inspect:
		return treatmentv1.Proof_PROOF_INSPECTION_COUNTS, true
	case cutBack:
		return treatmentv1.Proof_PROOF_CUT_FACE, true
	case labTest:
		return treatmentv1.Proof_PROOF_LAB_RESULT, true
	default:
		return treatmentv1.Proof_PROOF_UNSPECIFIED, false
	}
}

func checkFailure(path string, step *treatmentv1.TemplateStep, earlier map[string]bool) error {
	if !checks(step.GetKind()) {
		if step.GetOnFailure() != noRepeat {
			return broken(path+".on_failure", "only inspect, lab_test and cut_back_until_clean have a check that can fail")
		}
		return nil
	}
	if step.GetOnFailure() == noRepeat {
		return broken(path+".on_failure", "a check must say what happens when it fails")
	}
	if step.GetOnFailure() == recur && !earlier[step.GetRecurTo()] {
		return broken(path+".recur_to", "%q is not an earlier step", step.GetRecurTo())
	}
	return nil
}

// checkRelease holds that no lot is released without an inspection, and that
// nothing is left to do after the release.
func checkRelease(plan Plan) error {
	inspected := false
	for i, step := range plan.Steps {
		if step.Kind != release {
			continue
		}
		for _, other := range plan.Steps {
			inspected = inspected || (other.Kind == inspect && plan.follows(step.Key, other.Key))
			if plan.follows(other.Key, step.Key) {
				return broken(fmt.Sprintf("template.steps[%d]", i), "nothing may follow the release")
			}
		}
		if !inspected {
			return broken(fmt.Sprintf("template.steps[%d].intervals", i), "a release must follow an inspection")
		}
	}
	return nil
}

func broken(field, format string, args ...any) error {
	return fault.FieldReason(fault.Invalid, fault.TemplateInvalid, field, format, args...)
}
