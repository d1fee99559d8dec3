package treatment

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
)

var day0 = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// course is a program on its way, driven by a test.
type course struct {
	t     *testing.T
	plan  Plan
	state State
}

func begin(t *testing.T, template string) *course {
	t.Helper()
	shippedTemplate, ok, err := shippedTemplate(template)
	require.NoError(t, err)
	require.True(t, ok)
	c := &course{t: t, plan: PlanOf(shippedTemplate)}
	c.state, err = Apply(c.plan, State{}, Event{Sequence: 1, Kind: EventStarted, At: day0})
	require.NoError(t, err)
	return c
}

// at is a moment so many hours after the start.
func at(hours int) time.Time { return day0.Add(time.Duration(hours) * time.Hour) }

func (c *course) confirm(step string, hour int, outcome Outcome) {
	c.t.Helper()
	require.NoError(c.t, c.try(Event{Kind: EventStepConfirmed, Step: step, Outcome: outcome, At: at(hour)}))
}

func (c *course) try(event Event) error {
	event.Sequence = c.state.Sequence + 1
	after, err := Apply(c.plan, c.state, event)
	if err == nil {
		c.state = after
	}
	return err
}

func (c *course) step(id string) Step {
	c.t.Helper()
	step, ok := c.state.Find(id)
	require.True(c.t, ok, "no step %s", id)
	return step
}

func TestLeafSpotsFromIsolationToRelease(t *testing.T) {
	c := begin(t, "leaf-spots")
	require.Equal(t, Ready, c.step("isolate-1").Status)
	require.Equal(t, Waiting, c.step("disinfect-1").Status)

	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	c.confirm("prune-1", 4, OutcomeDone)
	c.confirm("systemic-1", 20, OutcomeDone)

	contact := c.step("contact-1")
	require.Equal(t, at(20+12*24), contact.Open, "a contact fungicide opens 12 days after the systemic one")
	require.Equal(t, at(20+14*24), contact.Due, "it is due 14 days after")
	require.Equal(t, at(20+18*24), contact.Overdue, "and overdue after 18 days")

	c.confirm("contact-1", 20+14*24, OutcomeDone)
	c.confirm("inspection-1", 20+30*24, OutcomeClean)
	require.Equal(t, Waiting, c.step("release-1").Status, "one clean inspection is not enough")
	require.Equal(t, at(20+44*24), c.step("inspection-1").Open, "the second is 14 days after the first")
	c.confirm("inspection-1", 20+44*24, OutcomeClean)
	c.confirm("release-1", 20+45*24, OutcomeDone)

	require.Equal(t, Released, c.state.Status)
	require.Equal(t, at(20+45*24), c.state.Ended)
}

func TestASpotAtAnInspectionBeginsANewRound(t *testing.T) {
	c := begin(t, "leaf-spots")
	c.treat(1, 0)
	c.confirm("inspection-1", 31*24, OutcomeFailed)

	require.Equal(t, 2, c.state.Round)
	require.Equal(t, Ready, c.step("disinfect-2").Status)
	require.Equal(t, Waiting, c.step("systemic-2").Status)
	require.Equal(t, Dropped, c.step("release-1").Status)
	_, isolatedAgain := c.state.Find("isolate-2")
	require.False(t, isolatedAgain, "the lots stand apart already")

	c.treat(2, 31*24)
	c.confirm("inspection-2", 62*24, OutcomeClean)
	c.confirm("inspection-2", 76*24, OutcomeClean)
	c.confirm("release-2", 77*24, OutcomeDone)
	require.Equal(t, Released, c.state.Status)
}

func TestWhatIsUnfinishedBesideARecurrenceIsDoneInTheNextRound(t *testing.T) {
	c := begin(t, "leaf-spots")
	test := PlanStep{Key: "test", Kind: labTest, After: []Interval{{Key: "isolate"}}, CleanTimes: 1, OnFailure: giveUp}
	for i := range c.plan.Steps {
		if c.plan.Steps[i].Kind == release {
			c.plan.Steps[i].After = append(c.plan.Steps[i].After, Interval{Key: "test"})
		}
	}
	c.plan.Steps = append([]PlanStep{c.plan.Steps[0], test}, c.plan.Steps[1:]...)
	var err error
	c.state, err = Apply(c.plan, State{}, Event{Sequence: 1, Kind: EventStarted, At: day0})
	require.NoError(t, err)
	c.treat(1, 0)
	c.confirm("inspection-1", 31*24, OutcomeFailed)
	require.Equal(t, Ready, c.step("test-2").Status)

	c.treat(2, 31*24)
	c.confirm("inspection-2", 62*24, OutcomeClean)
	c.confirm("inspection-2", 76*24, OutcomeClean)
	require.Equal(t, Waiting, c.step("release-2").Status, "nothing is released before the laboratory has answered")
	c.confirm("test-2", 77*24, OutcomeClean)
	require.Equal(t, Ready, c.step("release-2").Status)
}

// treat does a round's steps up to the contact spray.
func (c *course) treat(round, hour int) {
	c.t.Helper()
	if round == 1 {
		c.confirm("isolate-1", hour+1, OutcomeDone)
	}
	c.confirm(fmt.Sprintf("disinfect-%d", round), hour+2, OutcomeDone)
	c.confirm(fmt.Sprintf("prune-%d", round), hour+3, OutcomeDone)
	c.confirm(fmt.Sprintf("systemic-%d", round), hour+4, OutcomeDone)
	c.confirm(fmt.Sprintf("contact-%d", round), hour+4+14*24, OutcomeDone)
}

func TestAfterTheLastRoundTheProgramGivesUp(t *testing.T) {
	c := begin(t, "leaf-spots")
	for round := 1; round <= 3; round++ {
		c.treat(round, (round-1)*31*24)
		c.confirm(fmt.Sprintf("inspection-%d", round), round*31*24, OutcomeFailed)
	}
	require.Equal(t, GivenUp, c.state.Status)
	require.Equal(t, Ready, c.step("discard-3").Status)
	c.confirm("discard-3", 3*31*24+2, OutcomeDone)
	require.Equal(t, Discarded, c.state.Status)
}

func TestWiltIsCutBackUntilTheCutFaceIsClean(t *testing.T) {
	c := begin(t, "vascular-wilt")
	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	for cut := 1; cut <= 3; cut++ {
		c.confirm("cut-back-1", 2+cut, OutcomeFailed)
		require.Equal(t, Ready, c.step("cut-back-1").Status)
		require.Equal(t, cut, c.step("cut-back-1").Attempts)
		require.Equal(t, Waiting, c.step("systemic-1").Status, "a stained cut is not treated")
	}
	c.confirm("cut-back-1", 6, OutcomeClean)
	require.Equal(t, Ready, c.step("systemic-1").Status)
}

func TestWiltThatIsNeverCleanIsGivenUp(t *testing.T) {
	c := begin(t, "vascular-wilt")
	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	for cut := 1; cut <= 6; cut++ {
		c.confirm("cut-back-1", 2+cut, OutcomeFailed)
	}
	require.Equal(t, GivenUp, c.state.Status)
	require.Equal(t, Dropped, c.step("systemic-1").Status)
	require.Equal(t, Ready, c.step("discard-1").Status)
}

func TestOomyceteRotIsPottedAfterADayOfDraining(t *testing.T) {
	c := begin(t, "oomycete-rot")
	c.confirm("isolate-1", 0, OutcomeDone)
	c.confirm("disinfect-1", 1, OutcomeDone)
	c.confirm("cut-off-1", 2, OutcomeClean)
	c.confirm("systemic-1", 3, OutcomeDone)
	require.Equal(t, at(27), c.step("repot-1").Open)
	require.Equal(t, at(3+12*24), c.step("contact-1").Open)
}

func TestAConfirmationIsRefused(t *testing.T) {
	for _, test := range []struct {
		name   string
		events []Event
		step   string
		began  time.Time
		reason fault.Reason
	}{
		{"of a step that waits", nil, "prune-1", at(1), fault.StepNotOpen},
		{"of a step that is unknown", nil, "prune-9", at(1), fault.NotFoundReason},
		{"twice", []Event{{Kind: EventStepConfirmed, Step: "isolate-1", At: at(1)}}, "isolate-1", at(2), fault.StepAlreadyConfirmed},
		{"while the program is paused", []Event{{Kind: EventPaused, At: at(1)}}, "isolate-1", at(2), fault.StepNotOpen},
		{"of a dropped step", []Event{{Kind: EventGaveUp, At: at(1)}}, "isolate-1", at(2), fault.StepNotOpen},
		{"after the end", []Event{{Kind: EventGaveUp, At: at(1)}, {Kind: EventStepConfirmed, Step: "discard-1", At: at(2)}}, "isolate-1", at(3), fault.StepNotOpen},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := begin(t, "leaf-spots")
			for _, event := range test.events {
				require.NoError(t, c.try(event))
			}
			err := c.state.CheckConfirmable(test.step, test.began)
			require.True(t, fault.Is(err, test.reason), "%v", err)
		})
	}
}

func TestTooEarlyNamesTheEarliestTime(t *testing.T) {
	c := begin(t, "leaf-spots")
	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	c.confirm("prune-1", 3, OutcomeDone)
	c.confirm("systemic-1", 4, OutcomeDone)
	err := c.state.CheckConfirmable("contact-1", at(4+11*24))
	f, ok := fault.As(err)
	require.True(t, ok)
	require.Equal(t, "2026-03-14T12:00:00Z", f.Values["earliest"])
	require.NoError(t, c.state.CheckConfirmable("contact-1", at(4+12*24)))
	require.NoError(t, c.state.CheckConfirmable("contact-1", at(4+12*24).Add(-5*time.Minute)), "the clocks of two phones may differ")
}

func TestLotsMayHaveBeenSetApartBeforeTheProgramWasEntered(t *testing.T) {
	c := begin(t, "leaf-spots")
	require.NoError(t, c.state.CheckConfirmable("isolate-1", at(-48)))
	require.NoError(t, c.state.CheckConfirmable("isolate-1", at(-31*24)))
	err := c.state.CheckConfirmable("isolate-1", at(-31*24).Add(-time.Second))
	require.True(t, fault.Is(err, fault.StepNotOpen))
	require.Contains(t, err.Error(), "31 days before the program began")
}

func TestAPauseMovesWhatIsDueAndNotWhatIsSafe(t *testing.T) {
	c := begin(t, "leaf-spots")
	c.confirm("isolate-1", 1, OutcomeDone)
	c.confirm("disinfect-1", 2, OutcomeDone)
	c.confirm("prune-1", 3, OutcomeDone)
	c.confirm("systemic-1", 4, OutcomeDone)
	before := c.step("contact-1")

	require.NoError(t, c.try(Event{Kind: EventPaused, At: at(10)}))
	_, alarmed := NextAlarm(c.state)
	require.False(t, alarmed, "a paused program raises no alarm")
	require.True(t, fault.Is(c.try(Event{Kind: EventPaused, At: at(11)}), fault.ProgramState))
	require.NoError(t, c.try(Event{Kind: EventResumed, At: at(10 + 48)}))
	require.True(t, fault.Is(c.try(Event{Kind: EventResumed, At: at(60)}), fault.ProgramState))

	after := c.step("contact-1")
	require.Equal(t, before.Open, after.Open)
	require.Equal(t, before.Due.Add(48*time.Hour), after.Due)
	require.Equal(t, before.Overdue.Add(48*time.Hour), after.Overdue)
}

func TestAlarmsOpenThenOverdueThenEscalateEveryDay(t *testing.T) {
	c := begin(t, "leaf-spots")
	raise := func(kind EventKind, when time.Time) {
		t.Helper()
		alarm, ok := NextAlarm(c.state)
		require.True(t, ok)
		require.Equal(t, Alarm{At: when, Kind: kind, Step: "isolate-1"}, alarm)
		require.NoError(t, c.try(Event{Kind: alarm.Kind, Step: alarm.Step, At: alarm.At}))
	}
	raise(EventStepOpened, at(0))
	raise(EventStepOverdue, at(24))
	raise(EventStepEscalated, at(48))
	raise(EventStepEscalated, at(72))
	require.Equal(t, 2, c.step("isolate-1").Escalations)

	wrong := Event{Kind: EventStepOpened, Step: "isolate-1", At: at(73)}
	require.True(t, fault.Is(c.try(wrong), fault.ProgramState), "an alarm is raised once")
}

func TestAProgramEnteredLateIsEscalatedFromNowOn(t *testing.T) {
	c := begin(t, "leaf-spots")
	late := at(60 * 24)
	require.NoError(t, c.try(Event{Kind: EventStepOpened, Step: "isolate-1", At: late}))
	require.NoError(t, c.try(Event{Kind: EventStepOverdue, Step: "isolate-1", At: late}))
	alarm, ok := NextAlarm(c.state)
	require.True(t, ok)
	require.Equal(t, late.Add(24*time.Hour), alarm.At)
}

func TestEventsFollowEachOtherWithoutGaps(t *testing.T) {
	c := begin(t, "leaf-spots")
	for _, sequence := range []int64{0, 1, 3} {
		_, err := Apply(c.plan, c.state, Event{Sequence: sequence, Kind: EventPaused, At: at(1)})
		require.Error(t, err)
	}
}

func TestARefusedEventLeavesTheStateAlone(t *testing.T) {
	c := begin(t, "leaf-spots")
	before := c.state
	after, err := Apply(c.plan, c.state, Event{Sequence: 2, Kind: EventStepConfirmed, Step: "contact-1", At: at(1)})
	require.Error(t, err)
	require.Equal(t, before, after)
}

// FuzzApply throws events at a program: the state stays sound whatever comes.
func FuzzApply(f *testing.F) {
	f.Add([]byte{0, 1, 2, 3, 4, 5, 6, 7, 8})
	f.Add([]byte{10, 20, 30, 40, 50, 60, 70, 80, 90, 100, 110, 120})
	f.Fuzz(func(t *testing.T, choices []byte) {
		c := begin(t, "oomycete-rot")
		hour := 0
		for _, choice := range choices {
			hour += int(choice)
			_ = c.try(c.choose(choice, hour))
			c.sound()
		}
	})
}

func (c *course) choose(choice byte, hour int) Event {
	kinds := []EventKind{EventStepConfirmed, EventStepConfirmed, EventStepConfirmed, EventPaused, EventResumed, EventGaveUp, EventAmended}
	outcomes := []Outcome{OutcomeClean, OutcomeDone, OutcomeFailed}
	step := c.state.Steps[int(choice)%len(c.state.Steps)]
	return Event{Kind: kinds[int(choice)%len(kinds)], Step: step.ID(), Outcome: outcomes[int(choice/7)%3], At: at(hour)}
}

func (c *course) sound() {
	c.t.Helper()
	ready, ids := 0, map[string]bool{}
	for _, step := range c.state.Steps {
		require.False(c.t, ids[step.ID()], "step %s stands twice", step.ID())
		ids[step.ID()] = true
		if step.Status == Ready {
			ready++
			require.False(c.t, step.Due.Before(step.Open))
			require.False(c.t, step.Overdue.Before(step.Due))
		}
	}
	require.Equal(c.t, c.state.Status.Ended(), ready == 0, "an open program has something to do, an ended one has not")
	require.LessOrEqual(c.t, c.state.Round, c.plan.MaxRounds)
}
