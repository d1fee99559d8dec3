package treatment

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"velamen/internal/clock"
	"velamen/internal/fault"
)

// Status says where a program stands.
type Status string

// The states of a program.
const (
	Running   Status = "RUNNING"
	Paused    Status = "PAUSED"
	GivenUp   Status = "GIVEN_UP"
	Released  Status = "RELEASED"
	Discarded Status = "DISCARDED"
)

// Ended reports whether nothing more can happen to a program.
func (s Status) Ended() bool { return s == Released || s == Discarded }

// StepStatus says where a step stands. Whether a ready step is scheduled, open
// or overdue follows from its times and the clock.
type StepStatus string

// The states of a step.
const (
	Waiting   StepStatus = "WAITING"
	Ready     StepStatus = "READY"
	Confirmed StepStatus = "CONFIRMED"
	Dropped   StepStatus = "DROPPED"
)

// Step is a step of a running program.
type Step struct {
	Key    string     `json:"key"`
	Round  int        `json:"round"`
	Kind   Kind       `json:"kind"`
	Status StepStatus `json:"status"`
	// Open, Due and Overdue are zero while the step waits.
	Open    time.Time `json:"open"`
	Due     time.Time `json:"due"`
	Overdue time.Time `json:"overdue"`
	// Done is the end of the work that confirmed it for good.
	Done time.Time `json:"done"`
	// First is true of a step that follows no other.
	First    bool `json:"first,omitempty"`
	Attempts int  `json:"attempts"`
	// Clean counts clean checks in a row.
	Clean       int `json:"clean"`
	Escalations int `json:"escalations"`
	// Opened and WentOverdue say which alarms were raised; NextEscalation is
	// when the next is.
	Opened         bool      `json:"opened"`
	WentOverdue    bool      `json:"went_overdue"`
	NextEscalation time.Time `json:"next_escalation"`
}

// ID is the last part of the step's name.
func (step Step) ID() string { return fmt.Sprintf("%s-%d", step.Key, step.Round) }

// State is where a program stands.
type State struct {
	Status Status `json:"status"`
	// Round counts recurrences, from 1.
	Round int `json:"round"`
	// Sequence is that of the last event applied.
	Sequence int64  `json:"sequence"`
	Steps    []Step `json:"steps"`
	// RoundAt is when the round began: at the start, or at the failed check.
	RoundAt time.Time `json:"round_at"`
	// PausedAt is when the present pause began.
	PausedAt time.Time `json:"paused_at"`
	Started  time.Time `json:"started"`
	Ended    time.Time `json:"ended"`
}

// EventKind says what happened to a program.
type EventKind string

// What can happen to a program. The last three come from the clock.
const (
	EventStarted       EventKind = "started"
	EventStepConfirmed EventKind = "step_confirmed"
	EventPaused        EventKind = "paused"
	EventResumed       EventKind = "resumed"
	EventAmended       EventKind = "amended"
	EventGaveUp        EventKind = "gave_up"
	EventStepOpened    EventKind = "step_opened"
	EventStepOverdue   EventKind = "step_overdue"
	EventStepEscalated EventKind = "step_escalated"
)

// Outcome is what a confirmation's check showed.
type Outcome string

// The outcomes.
const (
	// OutcomeDone is for steps without a check.
	OutcomeDone Outcome = "done"
	// OutcomeClean and OutcomeFailed are for inspections, cuts and tests.
	OutcomeClean  Outcome = "clean"
	OutcomeFailed Outcome = "failed"
)

// Event is one thing that happened to a program.
type Event struct {
	// Sequence counts a program's events from 1 without gaps.
	Sequence int64     `json:"sequence"`
	Kind     EventKind `json:"kind"`
	// Step is the id of the step, where there is one.
	Step    string  `json:"step,omitempty"`
	Outcome Outcome `json:"outcome,omitempty"`
	// At is when it happened; for a confirmation, when the work ended.
	At time.Time `json:"at"`
}

// Apply returns the state after an event. It decides the whole course of a
// program, from (plan, state, event) alone, so that the database and the
// workflow always agree. It refuses an event that the state does not allow.
func Apply(plan Plan, before State, event Event) (State, error) {
	if event.Sequence != before.Sequence+1 {
		return before, fmt.Errorf("event %d does not follow event %d", event.Sequence, before.Sequence)
	}
	after := before
	after.Steps = slices.Clone(before.Steps)
	after.Sequence = event.Sequence
	if err := after.apply(plan, event); err != nil {
		return before, err
	}
	return after, nil
}

func (s *State) apply(plan Plan, event Event) error {
	if event.Kind != EventStarted && s.Status.Ended() {
		return s.refuse("the program has ended")
	}
	switch event.Kind {
	case EventStarted:
		s.start(plan, event.At)
		return nil
	case EventStepConfirmed:
		return s.confirm(plan, event)
	case EventPaused:
		return s.pause(event.At)
	case EventResumed:
		return s.resume(event.At)
	case EventAmended:
		if s.Status == GivenUp {
			return s.refuse("the program is given up")
		}
		return nil
	case EventGaveUp:
		if s.Status == GivenUp {
			return s.refuse("the program is given up already")
		}
		s.giveUp(plan, event.At)
		return nil
	case EventStepOpened, EventStepOverdue, EventStepEscalated:
		return s.alarm(plan, event)
	default:
		return fmt.Errorf("unknown event %q", event.Kind)
	}
}

func (s *State) refuse(format string, args ...any) error {
	return fault.New(fault.Precondition, fault.ProgramState, format, args...).With("state", string(s.Status))
}

func (s *State) start(plan Plan, at time.Time) {
	s.Status, s.Round, s.RoundAt, s.Started = Running, 1, at, at
	for _, planned := range plan.Steps {
		if planned.Kind != discard {
			s.Steps = append(s.Steps, Step{Key: planned.Key, Round: 1, Kind: planned.Kind, Status: Waiting})
		}
	}
	s.makeReady(plan)
}

// makeReady gives their times to the waiting steps whose earlier steps are all
// confirmed. The start of the round stands for earlier steps that it does not
// repeat.
func (s *State) makeReady(plan Plan) {
	for i := range s.Steps {
		step := &s.Steps[i]
		if step.Status != Waiting {
			continue
		}
		planned, _ := plan.step(step.Key)
		open, due, overdue, ready := s.times(planned)
		if !ready {
			continue
		}
		step.Status = Ready
		step.First = s.Round == 1 && len(planned.After) == 0
		step.Open, step.Due, step.Overdue = open, due, overdue
	}
}

// times returns when a step opens, is due and is overdue: the latest that any
// of its intervals asks for.
func (s *State) times(planned PlanStep) (open, due, overdue time.Time, ready bool) {
	if len(planned.After) == 0 {
		return s.RoundAt, s.RoundAt.Add(firstDue), s.RoundAt.Add(firstOverdue), true
	}
	for _, interval := range planned.After {
		from := s.RoundAt
		if i := s.find(interval.Key, s.Round); i >= 0 {
			if s.Steps[i].Status != Confirmed {
				return open, due, overdue, false
			}
			from = s.Steps[i].Done
		}
		open = later(open, from.Add(interval.Min))
		due = later(due, from.Add(interval.Due))
		overdue = later(overdue, from.Add(interval.Max))
	}
	return open, due, overdue, true
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (s *State) find(key string, round int) int {
	return slices.IndexFunc(s.Steps, func(step Step) bool { return step.Key == key && step.Round == round })
}

// Find returns the step with an id.
func (s *State) Find(id string) (Step, bool) {
	i := s.index(id)
	if i < 0 {
		return Step{}, false
	}
	return s.Steps[i], true
}

func (s *State) index(id string) int {
	return slices.IndexFunc(s.Steps, func(step Step) bool { return step.ID() == id })
}

// mostBefore is how long before its program began a first step can have been done: a
// year that was mistyped is no work of this outbreak. Design value.
const mostBefore = 31 * 24 * time.Hour

// CheckConfirmable refuses a confirmation of work that began at a time: the step
// must be open then, give or take the clocks of two phones, and the program
// neither paused nor ended. A first step may have been done some time before the
// program was entered: lots are set apart the moment something is seen.
func (s *State) CheckConfirmable(id string, began time.Time) error {
	step, err := s.confirmable(id)
	if err != nil {
		return err
	}
	if step.First && began.Before(s.Started.Add(-mostBefore)) {
		earliest := s.Started.Add(-mostBefore).Format(time.RFC3339)
		return notOpen(id, "step %s may not be done before %s, %d days before the program began: that work belongs to another one",
			id, earliest, mostBefore/(24*time.Hour)).With("earliest", earliest)
	}
	if !step.First && began.Before(step.Open.Add(-clock.Skew)) {
		earliest := step.Open.Format(time.RFC3339)
		return notOpen(id, "step %s may not be done before %s", id, earliest).With("earliest", earliest)
	}
	return nil
}

func (s *State) confirmable(id string) (Step, error) {
	step, ok := s.Find(id)
	switch {
	case !ok:
		return step, fault.Missing("step", id)
	case step.Status == Confirmed:
		return step, fault.New(fault.Precondition, fault.StepAlreadyConfirmed, "step %s was confirmed before", id).
			With("step", id).With("done_time", step.Done.Format(time.RFC3339))
	case s.Status == Paused:
		return step, notOpen(id, "the program is paused; resume it first")
	case s.Status.Ended():
		return step, notOpen(id, "the program has ended")
	case step.Status == Dropped:
		return step, notOpen(id, "step %s is no longer needed", id)
	case step.Status == Waiting:
		return step, notOpen(id, "step %s waits for earlier steps", id)
	}
	return step, nil
}

func notOpen(id, format string, args ...any) *fault.Fault {
	return fault.New(fault.Precondition, fault.StepNotOpen, format, args...).With("step", id)
}

func (s *State) confirm(plan Plan, event Event) error {
	if _, err := s.confirmable(event.Step); err != nil {
		return err
	}
	step := &s.Steps[s.index(event.Step)]
	planned, ok := plan.step(step.Key)
	if !ok {
		return fmt.Errorf("the plan has no step %q", step.Key)
	}
	step.Attempts++
	if event.Outcome == OutcomeFailed {
		s.fail(plan, planned, step, event.At)
		return nil
	}
	step.Clean++
	if step.Clean < planned.CleanTimes {
		step.reopen(planned, event.At, planned.CleanApart)
		return nil
	}
	step.Status, step.Done = Confirmed, event.At
	switch step.Kind {
	case release:
		s.end(Released, event.At)
	case discard:
		s.end(Discarded, event.At)
	default:
		s.makeReady(plan)
	}
	return nil
}

// fail does what the plan says when a check is not clean.
func (s *State) fail(plan Plan, planned PlanStep, step *Step, at time.Time) {
	step.Clean = 0
	exhausted := planned.MaxAttempts > 0 && step.Attempts >= planned.MaxAttempts
	switch {
	case planned.OnFailure == repeat && !exhausted:
		step.reopen(planned, at, 0)
	case planned.OnFailure == recur && s.Round < plan.MaxRounds:
		step.Status, step.Done = Confirmed, at
		s.recur(plan, planned.RecurTo, at)
	default:
		step.Status, step.Done = Confirmed, at
		s.giveUp(plan, at)
	}
}

// reopen makes the step ready again after a time, with the same leeway as at
// first.
func (step *Step) reopen(planned PlanStep, at time.Time, apart time.Duration) {
	due, overdue := firstDue, firstOverdue
	for i, interval := range planned.After {
		if i == 0 || interval.Due-interval.Min > due {
			due = interval.Due - interval.Min
		}
		if i == 0 || interval.Max-interval.Min > overdue {
			overdue = interval.Max - interval.Min
		}
	}
	step.Status = Ready
	step.Open = at.Add(apart)
	step.Due, step.Overdue = step.Open.Add(due), step.Open.Add(overdue)
	step.Opened, step.WentOverdue, step.NextEscalation = false, false, time.Time{}
}

// recur begins the next round at a step: that step and all that follow it are
// done again. What was not confirmed is dropped and stands in the next round too,
// so that nothing beside the recurring steps is skipped.
func (s *State) recur(plan Plan, key string, at time.Time) {
	unfinished := map[string]bool{}
	for _, step := range s.Steps {
		unfinished[step.Key] = unfinished[step.Key] || step.Status == Waiting || step.Status == Ready
	}
	s.dropUnfinished()
	s.Round++
	s.RoundAt = at
	for _, planned := range plan.Steps {
		if planned.Key == key || plan.follows(planned.Key, key) || unfinished[planned.Key] {
			s.Steps = append(s.Steps, Step{Key: planned.Key, Round: s.Round, Kind: planned.Kind, Status: Waiting})
		}
	}
	s.makeReady(plan)
}

func (s *State) giveUp(plan Plan, at time.Time) {
	s.dropUnfinished()
	s.Status, s.PausedAt = GivenUp, time.Time{}
	for _, planned := range plan.Steps {
		if planned.Kind == discard {
			s.Steps = append(s.Steps, Step{
				Key: planned.Key, Round: s.Round, Kind: discard, Status: Ready,
				Open: at, Due: at.Add(discardDue), Overdue: at.Add(discardOverdue),
			})
		}
	}
}

func (s *State) end(status Status, at time.Time) {
	s.dropUnfinished()
	s.Status, s.Ended = status, at
}

func (s *State) dropUnfinished() {
	for i := range s.Steps {
		if s.Steps[i].Status == Waiting || s.Steps[i].Status == Ready {
			s.Steps[i].Status = Dropped
		}
	}
}

func (s *State) pause(at time.Time) error {
	if s.Status != Running {
		return s.refuse("only a running program can be paused")
	}
	s.Status, s.PausedAt = Paused, at
	return nil
}

// resume moves what is due by the length of the pause, since nobody was expected
// to act. The earliest times stay: neither a disease nor a label waits.
func (s *State) resume(at time.Time) error {
	if s.Status != Paused {
		return s.refuse("only a paused program can be resumed")
	}
	pause := max(0, at.Sub(s.PausedAt))
	for i := range s.Steps {
		step := &s.Steps[i]
		if step.Status != Ready {
			continue
		}
		step.Due, step.Overdue = step.Due.Add(pause), step.Overdue.Add(pause)
		if !step.NextEscalation.IsZero() {
			step.NextEscalation = step.NextEscalation.Add(pause)
		}
	}
	s.Status, s.PausedAt = Running, time.Time{}
	return nil
}

// Alarm is what the clock has to say about a step at a time.
type Alarm struct {
	At   time.Time `json:"at"`
	Kind EventKind `json:"kind"`
	Step string    `json:"step"`
}

// NextAlarm returns the first alarm that is still to be raised. A paused or
// ended program has none.
func NextAlarm(state State) (Alarm, bool) {
	if state.Status != Running && state.Status != GivenUp {
		return Alarm{}, false
	}
	var alarms []Alarm
	for _, step := range state.Steps {
		if step.Status == Ready {
			alarms = append(alarms, step.nextAlarm())
		}
	}
	if len(alarms) == 0 {
		return Alarm{}, false
	}
	return slices.MinFunc(alarms, func(a, b Alarm) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Step, b.Step))
	}), true
}

func (step Step) nextAlarm() Alarm {
	switch {
	case !step.Opened:
		return Alarm{At: step.Open, Kind: EventStepOpened, Step: step.ID()}
	case !step.WentOverdue:
		return Alarm{At: step.Overdue, Kind: EventStepOverdue, Step: step.ID()}
	default:
		return Alarm{At: step.NextEscalation, Kind: EventStepEscalated, Step: step.ID()}
	}
}

// alarm notes that an alarm was raised. The next escalation counts from when
// this one was raised, so that a program entered late is not escalated once for
// every day that it was late.
func (s *State) alarm(plan Plan, event Event) error {
	expected, found := NextAlarm(*s)
	if !found || expected.Kind != event.Kind || expected.Step != event.Step {
		return s.refuse("no such alarm is next")
	}
	step := &s.Steps[s.index(event.Step)]
	switch event.Kind {
	case EventStepOpened:
		step.Opened = true
	case EventStepOverdue:
		step.WentOverdue = true
		step.NextEscalation = event.At.Add(plan.EscalateEvery)
	case EventStepEscalated:
		step.Escalations++
		step.NextEscalation = event.At.Add(plan.EscalateEvery)
	}
	return nil
}
