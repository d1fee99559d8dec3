package schedule

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/resource"
	"velamen/services/treatment"
)

// assignment is a job that a person was told to do, as it is kept.
type assignment struct {
	nursery, id, plan string
	job               *schedulev1.PlannedJob
	state             schedulev1.AssignmentState
	// done is when the work really ended; zero before that.
	done time.Time
}

// assignmentsOf makes the jobs of an accepted plan the work of people.
func assignmentsOf(nursery, plan string, jobs []*schedulev1.PlannedJob) []assignment {
	all := make([]assignment, len(jobs))
	for i, job := range jobs {
		all[i] = assignment{
			nursery: nursery, id: fmt.Sprintf("%s-%d", plan, i+1), plan: plan, job: job,
			state: schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED,
		}
	}
	return all
}

// contract returns the assignment as the contract carries it.
func (a assignment) contract() *schedulev1.Assignment {
	message := &schedulev1.Assignment{
		Name: resource.Of("nurseries", a.nursery, "assignments", a.id), DayPlan: planName(a.nursery, a.plan),
		State: a.state, Job: proto.CloneOf(a.job), Caution: treatment.Caution,
	}
	if !a.done.IsZero() {
		message.DoneTime = timestamppb.New(a.done)
	}
	return message
}

// stepPrefix is how the names of the steps of a program begin.
func stepPrefix(nursery, program string) string {
	return resource.Of("nurseries", nursery, "programs", program, "steps") + "/"
}

// lateFrom is how much later than planned work may end before the rest of the plan
// is in doubt. Design value.
const lateFrom = 15 * time.Minute

// courseReason says in a few words what an event of a program changes for those who
// planned its steps, empty when nothing. told is what was planned for the step of
// the event; nil when nothing.
func courseReason(program string, event treatment.Event, told *assignment) string {
	switch event.Kind {
	case treatment.EventStarted:
		return "program " + program + " began"
	case treatment.EventPaused:
		return "program " + program + " is paused"
	case treatment.EventResumed:
		return "program " + program + " goes on after a pause"
	case treatment.EventAmended:
		return "the lots of program " + program + " changed"
	case treatment.EventGaveUp:
		return "program " + program + " was given up"
	case treatment.EventStepConfirmed:
		return confirmedReason(program, event, told)
	default:
		return "" // alarms: what they say follows from times that the plan knows
	}
}

func confirmedReason(program string, event treatment.Event, told *assignment) string {
	switch {
	case event.Outcome == treatment.OutcomeFailed:
		return "a check of program " + program + " was not clean"
	case told == nil:
		// What it applied may close a house in which others were told to work.
		return "a step of program " + program + " was done that nobody was told to do"
	case event.At.After(told.job.GetEndTime().AsTime().Add(lateFrom)):
		return fmt.Sprintf("%q was done later than planned", strings.TrimSuffix(told.job.GetTitle(), "."))
	case event.At.Before(told.job.GetStartTime().AsTime()):
		return fmt.Sprintf("%q was done earlier than planned", strings.TrimSuffix(told.job.GetTitle(), "."))
	default:
		return ""
	}
}

// noLongerWanted reports whether a step that people were told to do is not needed
// any more: it was dropped, or the program ended without it.
func noLongerWanted(course treatment.State, step string) bool {
	found, ok := course.Find(step)
	switch {
	case !ok:
		return true
	case found.Status == treatment.Confirmed:
		return false // its own event says so
	default:
		return found.Status == treatment.Dropped || course.Status.Ended()
	}
}
