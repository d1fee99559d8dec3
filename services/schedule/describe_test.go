package schedule

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// noBound is a bound that nobody worked out.
var noBound proof

func (c *compiled) writtenDay(plan model.Plan) *schedulev1.DayPlan {
	score, _ := checker.Check(c.problem, plan)
	of, err := bound.Of(context.Background(), c.problem)
	if err != nil {
		panic(err) // that context has no end
	}
	return c.dayPlan(plan, score, provenBy(of))
}

// twoSprays are two sprays of the same mix by Ana in one load, from 07:00.
func twoSprays(t *testing.T) (*compiled, model.Plan) {
	t.Helper()
	in := smallNursery(t, spraying("a"), spraying("b"))
	in.Work[1].Lots[0].House = "h2"
	c := compile(in)
	plan := model.Plan{{Placed: true, Start: 70, NewLoad: true}, {Placed: true, Start: 123}}
	_, violations := checker.Check(c.problem, plan)
	require.Empty(t, violations)
	return c, plan
}

func TestADayPlanSaysWhoDoesWhatWhenAndWithWhat(t *testing.T) {
	c, plan := twoSprays(t)
	day := c.writtenDay(plan)
	a := day.GetJobs()[0]
	require.Equal(t, "nurseries/n/people/ana", a.GetPerson())
	require.Equal(t, "nurseries/n/sprayers/k", a.GetSprayer())
	require.Equal(t, sixOClock.Add(time.Hour), a.GetPrepareTime().AsTime(), "the load is mixed for 10 minutes")
	require.Equal(t, sixOClock.Add(70*time.Minute), a.GetStartTime().AsTime())
	require.Equal(t, sixOClock.Add(120*time.Minute), a.GetEndTime().AsTime())
	require.Equal(t, sixOClock.Add(14*time.Hour), a.GetClosedUntilTime().AsTime())
	require.Equal(t, "Ana begins work then.", a.GetReason())
	require.Equal(t, `It shares tank load 1 with "Spray a", so that less is mixed.`, day.GetJobs()[1].GetReason())
}

func TestALoadSaysWhatIsMadeAndWhatIsLeftOver(t *testing.T) {
	c, plan := twoSprays(t)
	c.problem.Stations[0].Graduation = 3_000
	load := c.writtenDay(plan).GetTankLoads()[0]
	require.Equal(t, []string{"a", "b"}, load.GetJobs())
	require.Equal(t, "40", load.GetNeeded().GetAmount())
	require.Equal(t, "42", load.GetMade().GetAmount())
	require.Equal(t, "2", load.GetLeftOver().GetAmount())
	require.EqualValues(t, 3, load.GetFillings())
	require.Equal(t, sixOClock.Add(70*time.Minute+8*time.Hour), load.GetUseByTime().AsTime())
}

func TestABreakdownAddsUpToThePlan(t *testing.T) {
	c, plan := twoSprays(t)
	day := c.writtenDay(plan)
	for _, by := range []string{"day", "house", "person"} {
		jobs := int32(0)
		for _, part := range day.GetBreakdowns() {
			if part.GetBy() == by {
				jobs += part.GetJobs()
			}
		}
		require.EqualValues(t, 2, jobs, by)
	}
	require.Equal(t, "2027-03-01", day.GetBreakdowns()[0].GetOf())
	require.Equal(t, termPoints(day.GetTerms()), termPoints(day.GetBreakdowns()[0].GetTerms()), "all of it is on one day")
}

// termPoints are the terms that cost anything.
func termPoints(terms []*schedulev1.PlanTerm) map[string]string {
	found := map[string]string{}
	for _, term := range terms {
		if term.GetPoints() != "0" {
			found[term.GetTerm()] = term.GetPoints()
		}
	}
	return found
}

func TestADayPlanSaysWhatIsOtherThanPeopleWereTold(t *testing.T) {
	in := smallNursery(t, pruning("same", 10), pruning("moved", 10), pruning("handed", 10), pruning("new", 10), pruning("out", 10))
	at := func(minutes int) time.Time { return sixOClock.Add(time.Duration(minutes) * time.Minute) }
	in.Told = []Told{
		{Job: "same", Start: at(60), End: at(80), Person: "ana"}, {Job: "moved", Start: at(300), End: at(320), Person: "bo"},
		{Job: "handed", Start: at(400), End: at(420), Person: "bo"}, {Job: "out", Start: at(500), End: at(520), Person: "bo"},
		{Job: "nurseries/n/programs/p/steps/done-1", Start: at(600), End: at(620), Person: "bo"},
	}
	c := compile(in)
	plan := model.Plan{
		{Placed: true, Start: 70}, {Placed: true, Start: 200, Person: 1}, {Placed: true, Start: 400}, {Placed: true, Start: 450}, {},
	}
	day := c.writtenDay(plan)
	changes := map[string]schedulev1.Change{}
	for _, job := range day.GetJobs() {
		changes[job.GetJob()] = job.GetChange()
	}
	require.Equal(t, map[string]schedulev1.Change{
		"same": schedulev1.Change_CHANGE_NONE, "moved": schedulev1.Change_CHANGE_TIME, "handed": schedulev1.Change_CHANGE_PERSON_OR_SPRAYER,
		"new": schedulev1.Change_CHANGE_NEW,
	}, changes)
	require.Equal(t, "It was told for 2027-03-01 11:00 to Bo. So the whole plan costs less.", inPlan(t, day, "moved").GetReason())
	var removed []string
	for _, job := range day.GetRemoved() {
		require.Equal(t, schedulev1.Change_CHANGE_REMOVED, job.GetChange())
		removed = append(removed, job.GetJob())
	}
	require.Equal(t, []string{"out", "nurseries/n/programs/p/steps/done-1"}, removed)
}

func TestAJobLongerThanAnyShiftIsExplained(t *testing.T) {
	c := compile(smallNursery(t, pruning("a", 100_000)))
	day := c.writtenDay(make(model.Plan, 1))
	require.Equal(t, []string{"It takes 500 hours 10 minutes, and nobody who may do it has a shift of more than 11 hours."}, day.GetUnplanned()[0].GetReasons())
}

func TestEditsByHandMoveAJobGiveItToAnotherAndTakeItOut(t *testing.T) {
	c, plan := twoSprays(t)
	day := c.writtenDay(plan)
	moveA := func(minute int) model.Plan {
		edited, err := c.planOf(day, []*schedulev1.PlanEdit{{Job: "a", StartTime: timestamppb.New(sixOClock.Add(time.Duration(minute) * time.Minute))}})
		require.NoError(t, err)
		return edited
	}
	require.Equal(t, plan, moveA(70), "a job that is put where it stands changes nothing")
	require.Equal(t, model.Plan{{Placed: true, Start: 240}, {Placed: true, Start: 123, NewLoad: true}}, moveA(240),
		"now it takes of the load of the other")
	require.Equal(t, model.Plan{{Placed: true, Start: 700, NewLoad: true}, {Placed: true, Start: 123, NewLoad: true}}, moveA(700),
		"a mix is not used after its time")
	edited, err := c.planOf(day, []*schedulev1.PlanEdit{{Job: "a", Remove: true}, {Job: "b", Person: "nurseries/n/people/bo"}})
	require.NoError(t, err)
	require.Equal(t, model.Plan{{}, {Placed: true, Start: 123, Person: 1, NewLoad: true}}, edited, "whether Bo may do it says the checker")
}

func TestAPlanForAnotherProductIsNotReadBack(t *testing.T) {
	c, plan := twoSprays(t)
	day := c.writtenDay(plan)
	c.input.Work[0].Chemical.Product = "nurseries/n/products/other"
	back, err := c.planOf(day, nil)
	require.NoError(t, err)
	require.False(t, back[0].Placed, "nobody is told to apply what the manager did not read")
	require.True(t, back[1].Placed)
	require.True(t, back[1].NewLoad)
}

func TestAnEditThatCannotBeReadIsRefusedByField(t *testing.T) {
	c, plan := twoSprays(t)
	day := c.writtenDay(plan)
	for field, edits := range map[string][]*schedulev1.PlanEdit{
		"edits[0].job":        {{Job: "nobody knows it", Remove: true}},
		"edits[0].person":     {{Job: "a", Person: "nurseries/n/people/gone"}},
		"edits[0].sprayer":    {{Job: "a", Sprayer: "nurseries/n/sprayers/gone"}},
		"edits[0].remove":     {{Job: "a", Remove: true, Person: "nurseries/n/people/bo"}},
		"edits[0]":            {{Job: "a"}},
		"edits[1].job":        {{Job: "a", Remove: true}, {Job: "a", Person: "nurseries/n/people/bo"}},
		"edits[0].start_time": {{Job: "a", StartTime: &timestamppb.Timestamp{Seconds: -1 << 62}}},
	} {
		_, err := c.planOf(day, edits)
		requireFault(t, err, field)
	}
	plan[0] = model.Placement{}
	_, err := c.planOf(c.writtenDay(plan), []*schedulev1.PlanEdit{{Job: "a", Person: "nurseries/n/people/ana"}})
	requireFault(t, err, "edits[0]")
}

func requireFault(t *testing.T, err error, field string) {
	t.Helper()
	refused, ok := fault.As(err)
	require.True(t, ok, "%v", err)
	require.Equal(t, field, refused.Field, refused.Message)
}

func TestASearchBeginsFromWhatPeopleWereTold(t *testing.T) {
	in := smallNursery(t, spraying("a"), spraying("b"))
	in.Work[1].Lots[0].House = "h2"
	in.Told = []Told{
		{Job: "a", Start: sixOClock.Add(70 * time.Minute), End: sixOClock.Add(120 * time.Minute), Person: "ana", Sprayer: "k"},
		{Job: "b", Start: sixOClock.Add(123 * time.Minute), End: sixOClock.Add(173 * time.Minute), Person: "ana", Sprayer: "k"},
	}
	_, plan := twoSprays(t)
	require.Equal(t, plan, compile(in).toldPlan())
}
