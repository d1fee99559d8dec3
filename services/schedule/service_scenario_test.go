package schedule

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func TestScenariosAreSetBesideTheNurseryAsItIs(t *testing.T) {
	n := planningNursery(t, 4)
	request := &schedulev1.CompareScenariosRequest{
		Parent: "nurseries/test", SolveSeconds: 1, HorizonDays: 3,
		Scenarios: []*schedulev1.Scenario{
			{Title: "without the knapsack", BrokenSprayers: []string{"nurseries/test/sprayers/knapsack"}},
			{Title: "nobody", AbsentPeople: []string{"nurseries/test/people/mira", "nurseries/test/people/wandile"}},
			{Title: "one more", ExtraPeopleLike: []string{"nurseries/test/people/wandile"}},
		},
	}
	compared, err := n.schedule.CompareScenarios(n.manager, request)
	require.NoError(t, err)
	require.Len(t, compared.GetResults(), 4)
	first, broken, nobody, more := compared.GetResults()[0], compared.GetResults()[1], compared.GetResults()[2], compared.GetResults()[3]
	require.Equal(t, "as it is", first.GetTitle())
	require.Positive(t, first.GetPlanned())
	require.Zero(t, first.GetMoved())
	require.NotEmpty(t, first.GetTerms())

	require.Equal(t, "without the knapsack", broken.GetTitle())
	require.Less(t, broken.GetPlanned(), first.GetPlanned(), "the sprays need it")
	require.Greater(t, len(broken.GetLeftOut()), len(first.GetLeftOut()))
	require.Zero(t, nobody.GetPlanned())
	require.Equal(t, first.GetPlanned(), more.GetPlanned())
	require.False(t, decimalOf(t, more.GetPoints()).GreaterThan(decimalOf(t, first.GetPoints())), "one more pair of hands never costs")
	require.NotEmpty(t, compared.GetCaution())

	plans, err := n.schedule.ListDayPlans(n.manager, &schedulev1.ListDayPlansRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Empty(t, plans.GetDayPlans(), "nothing is kept")
}

func TestWhatIsSupposedOfNobodyIsRefused(t *testing.T) {
	n := planningNursery(t, 1)
	request := &schedulev1.CompareScenariosRequest{Parent: "nurseries/test", Scenarios: []*schedulev1.Scenario{
		{Title: "without nobody", AbsentPeople: []string{"nurseries/test/people/nobody"}},
	}}
	_, err := n.schedule.CompareScenarios(n.manager, request)
	rpctest.RefusedField(t, err, "scenarios[0].absent_people[0]")
	_, err = n.schedule.CompareScenarios(rpctest.As(t.Context(), rpctest.Worker), request)
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}
