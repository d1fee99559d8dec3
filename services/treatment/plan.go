package treatment

import (
	"slices"
	"time"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
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
	prune    = treatmentv1.StepKind_STEP_KIND_PRUNE
	repot    = treatmentv1.StepKind_STEP_KIND_REPOT
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

// mayFail reports whether a kind of step may say what happens when it fails: one
// with a check, or a release at whose last look signs are seen.
func mayFail(kind Kind) bool { return checks(kind) || kind == release }

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
