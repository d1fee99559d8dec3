package treatment

import (
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// coming is a step of a course that somebody can be told to do: one that is ready,
// or one that only waits for others that can be done before.
type coming struct {
	step Step
	// open, due and overdue follow from what is done already; zero where nothing is.
	open, due, overdue time.Time
	// after are the intervals from steps that are coming themselves, by their ids.
	after []comingAfter
	// earliest is when it could begin when all before it are done as early as they can.
	earliest time.Time
}

type comingAfter struct {
	step string
	Interval
}

// comings returns the steps of a course that can begin before a moment, each after
// those that it waits for. A paused or ended program has none. What follows a check
// that must be clean more often than once waits for that: the next look is coming,
// what comes after the last one is not. Nobody in the crew does a laboratory's test
// or a manager's release, so that these and what follows them are not coming.
func comings(plan Plan, state State, now, until time.Time) []coming {
	if state.Status != Running && state.Status != GivenUp {
		return nil
	}
	var all []coming
	// before are the steps after which another can be planned, by key.
	before := map[string]coming{}
	for _, step := range state.Steps {
		planned, _ := plan.step(step.Key)
		found, ok := state.coming(step, planned, before, now)
		if !ok || !found.earliest.Before(until) || step.Kind == labTest || step.Kind == release {
			continue
		}
		all = append(all, found)
		if step.Round == state.Round && step.Clean+1 >= planned.CleanTimes {
			before[step.Key] = found
		}
	}
	return all
}

// coming returns a step with its times; false when it is done, dropped, or waits for
// a step that is not coming.
func (s *State) coming(step Step, planned PlanStep, before map[string]coming, now time.Time) (coming, bool) {
	found := coming{step: step, earliest: now}
	switch {
	case step.Status == Ready:
		found.open, found.due, found.overdue = step.Open, step.Due, step.Overdue
		found.earliest = later(now, step.Open)
		return found, true
	case step.Status != Waiting || step.Round != s.Round:
		return coming{}, false
	}
	for _, interval := range planned.After {
		from := s.RoundAt
		if i := s.find(interval.Key, s.Round); i >= 0 {
			if s.Steps[i].Status != Confirmed {
				earlier, ok := before[interval.Key]
				if !ok {
					return coming{}, false
				}
				found.after = append(found.after, comingAfter{earlier.step.ID(), interval})
				found.earliest = later(found.earliest, earlier.earliest.Add(interval.Min))
				continue
			}
			from = s.Steps[i].Done
		}
		found.open = later(found.open, from.Add(interval.Min))
		found.due = later(found.due, from.Add(interval.Due))
		found.overdue = later(found.overdue, from.Add(interval.Max))
	}
	found.earliest = later(found.earliest, found.open)
	return found, true
}

// riskOf says from 1 to 10 how much a day of waiting matters: how fast the disorder
// spreads, as the knowledge of disorders has it. The steps of two are a design value.
func riskOf(disorder string) int {
	known, found := knowledge.Shipped().Disorder(disorder)
	if !found {
		return 5 // nothing is known of it: neither the least nor the most
	}
	switch known.Contagion.Degree {
	case diagnosisv1.Contagion_CONTAGION_LOW:
		return 3
	case diagnosisv1.Contagion_CONTAGION_MODERATE:
		return 5
	case diagnosisv1.Contagion_CONTAGION_HIGH:
		return 8
	case diagnosisv1.Contagion_CONTAGION_VERY_HIGH:
		return 10
	default:
		return 1
	}
}
