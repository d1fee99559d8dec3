package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/services/schedule/model"
)

func TestPinsThatClashAreNamedWithWhatTheyClashWith(t *testing.T) {
	in := smallNursery(t, pruning("nurseries/n/programs/p-1/steps/prune-1", 10), pruning("nurseries/n/programs/p-2/steps/prune-1", 10))
	c := compile(in)
	for j := range c.problem.Jobs {
		c.problem.Jobs[j].Pin = &model.Pin{Start: 120, Person: 0, Way: model.None}
	}
	err := c.pinsThatClash(t.Context(), []int32{1})
	require.ErrorContains(t, err, "(p-2/prune-1) cannot stand as pinned.")
	require.ErrorContains(t, err, "pinned", "the requirements that clash are listed")
	require.ErrorContains(t, err, "Unpin one of the jobs or pin it elsewhere.")
}

func TestAJobIsNamedAsPeopleTypeIt(t *testing.T) {
	require.Equal(t, "p-1/contact-1", shortJob("nurseries/n/programs/p-1/steps/contact-1"))
	require.Equal(t, "shade", shortJob("nurseries/n/houses/shade"))
}

func TestAJobThatWasTakenOutByHandSaysSo(t *testing.T) {
	day := &schedulev1.DayPlan{
		Unplanned: []*schedulev1.UnplannedJob{{Job: "a", Reasons: []string{"No place."}}, {Job: "b", Reasons: []string{"No place."}}},
		Removed:   []*schedulev1.PlannedJob{{Job: "a", Reason: "No place."}},
	}
	sayTakenOut(day, []*schedulev1.PlanEdit{{Job: "a", Remove: true}, {Job: "b", Person: "nurseries/n/people/bo"}})
	require.Equal(t, []string{"It was taken out by hand when the plan was accepted."}, day.GetUnplanned()[0].GetReasons())
	require.Equal(t, []string{"No place."}, day.GetUnplanned()[1].GetReasons())
	require.Equal(t, "It was taken out by hand when the plan was accepted.", day.GetRemoved()[0].GetReason())
}
