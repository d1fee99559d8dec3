package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
)

// led is a nursery whose plan is being made: its manager has yet to accept it.
func led(t *testing.T, work ...Work) Input {
	t.Helper()
	in := smallNursery(t, work...)
	in.Lead = timeToAccept
	return in
}

func TestNewWorkAndItsMixBeginOnlyWhenThereWasTimeToAcceptThePlan(t *testing.T) {
	c := compile(led(t, spraying("a"), pruning("b", 10)))
	require.Equal(t, []model.Span{{From: 30, To: c.problem.Horizon}}, modelJob(t, c, "b").Windows)
	require.Equal(t, []model.Span{{From: 30 + 10 + 2*5, To: c.problem.Horizon}}, modelJob(t, c, "a").Windows, "a load and two rinses come before it")
	require.Equal(t, model.Minute(0), modelJob(t, c, "b").Release, "that it waits costs all the same")
}

func TestTheTimeToAcceptCountsFromTheMomentOfReading(t *testing.T) {
	in := led(t, pruning("b", 10))
	in.Now = in.Now.Add(20 * time.Second)
	in.From, in.Until = planned(in.Now, 2, in.Nursery.Zone)
	c := compile(in)
	require.Equal(t, model.Minute(30), modelJob(t, c, "b").Windows[0].From, "minute 0 is 40 seconds after it")
	require.False(t, c.at(30).Before(in.Now.Add(timeToAccept)))
}

func TestWhatPeopleWereToldMayStayWhereItIsThoughThatIsSoon(t *testing.T) {
	in := led(t, pruning("b", 10))
	in.Lead = 2 * time.Hour
	in.Told = []Told{{Job: "b", Start: sixOClock.Add(67 * time.Minute), End: sixOClock.Add(77 * time.Minute), Person: "bo"}}
	require.Equal(t, model.Minute(67), modelJob(t, compile(in), "b").Windows[0].From)
}

func TestWhatIsPinnedMayBeginSoon(t *testing.T) {
	in := led(t, pruning("b", 10))
	in.Pins = []Pin{{Job: "b", Start: sixOClock.Add(5 * time.Minute)}}
	job := modelJob(t, compile(in), "b")
	require.Equal(t, model.Minute(5), job.Pin.Start)
	require.Nil(t, job.Windows)
}

func TestNewWorkForWhichTheDayIsTooShortSaysThatThePlanHasToBeAcceptedFirst(t *testing.T) {
	in := led(t, pruning("b", 10))
	in.Until = in.From.Add(75 * time.Minute) // 15 minutes after people begin
	in.Lead = 80 * time.Minute
	require.Equal(t, "No hours for it are left in these days. New work begins no earlier than 2027-03-01 07:20, so that there is time to accept the plan.",
		whyNot(t, compile(in), "b"))
}

func TestAPlanCanBeAcceptedUntilItsFirstWorkBegins(t *testing.T) {
	n := planningNursery(t, 4)
	plan := n.proposal(t)
	first := plan.GetJobs()[0]
	require.Equal(t, n.clock.now.Add(timeToAccept), first.GetPrepareTime().AsTime())
	require.Contains(t, first.GetReason(), "New work begins no earlier than 2026-03-02 10:30, so that there is time to accept the plan.")
	n.clock.now = n.clock.now.Add(timeToAccept - time.Minute)
	_, err := n.accept(plan)
	require.NoError(t, err)
}

func TestWorkThatAPinnedJobWaitsForMayBeginSoonToo(t *testing.T) {
	e, p := pruning("e", 10), pruning("p", 10)
	p.After = []After{{Job: "e"}}
	in := led(t, e, p, pruning("x", 10))
	in.Pins = []Pin{{Job: "p", Start: sixOClock.Add(90 * time.Minute)}}
	c := compile(in)
	require.Nil(t, modelJob(t, c, "e").Windows)
	require.NotNil(t, modelJob(t, c, "x").Windows)
}

func TestWhatPeopleWereToldIsNewWorkOnceWhoWasToldIsAway(t *testing.T) {
	in := led(t, pruning("b", 10))
	in.Told = []Told{{Job: "b", Start: sixOClock.Add(70 * time.Minute), End: sixOClock.Add(80 * time.Minute), Person: "bo"}}
	in.Lead = 2 * time.Hour
	require.Equal(t, model.Minute(70), modelJob(t, compile(in), "b").Windows[0].From)
	in.People[1].Absences = []Absence{{StartDate: "2027-03-01", EndDate: "2027-03-01"}}
	require.Equal(t, model.Minute(120), modelJob(t, compile(in), "b").Windows[0].From)
}
