package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/services/identity"
)

func shift(start, end, overtime string) Shift {
	return Shift{Hours: Hours{Weekday: time.Monday, Start: start, End: end}, OvertimeEnd: overtime}
}

func TestLongerShiftsEndBeforeTheNextOneAndBeforeMidnight(t *testing.T) {
	pattern := WorkPattern{Shifts: []Shift{shift("07:00", "12:00", ""), shift("13:00", "16:00", "18:00"), shift("22:00", "23:30", "")}}
	for _, test := range []struct {
		minutes int
		want    []Shift
	}{
		{0, pattern.Shifts},
		{45, []Shift{shift("07:00", "12:45", ""), shift("13:00", "16:45", "18:00"), shift("22:00", "24:00", "")}},
		{120, []Shift{shift("07:00", "13:00", ""), shift("13:00", "18:00", ""), shift("22:00", "24:00", "")}},
		{600, []Shift{shift("07:00", "13:00", ""), shift("13:00", "22:00", ""), shift("22:00", "24:00", "")}},
	} {
		require.Equal(t, test.want, pattern.longer(test.minutes).Shifts, "%d minutes longer", test.minutes)
	}
	require.Equal(t, "12:00", pattern.Shifts[0].End, "the pattern itself stays")
}

// smallInput is a nursery with a person and a sprayer.
func smallInput() Input {
	return Input{
		Nursery: identity.Nursery{ID: "test"}, Settings: defaultSettings(), Pins: []Pin{{Job: "nurseries/test/houses/h1", Person: "wandile"}},
		People: []Applicator{{
			Person:      identity.Person{ID: "wandile", DisplayName: "Wandile Worker", Certificates: []identity.Certificate{{Number: "C1", ExpireDate: "2027-01-01"}}},
			WorkPattern: WorkPattern{Shifts: []Shift{shift("07:00", "12:00", "")}, Applies: true},
		}},
		Sprayers: []Sprayer{{ID: "k1", DisplayName: "Knapsack"}},
	}
}

func TestASuppositionLeavesTheNurseryAsItIs(t *testing.T) {
	in := smallInput()
	supposed, err := in.supposed("scenarios[0]", &schedulev1.Scenario{
		AbsentPeople: []string{"nurseries/test/people/wandile"}, BrokenSprayers: []string{"nurseries/test/sprayers/k1"},
		ExtraPeopleLike:    []string{"nurseries/test/people/wandile", "nurseries/test/people/wandile"},
		ExtraSprayersLike:  []string{"nurseries/test/sprayers/k1"},
		LongerShiftMinutes: 30, Weights: &schedulev1.PlanningWeights{Change: 9}, WithoutPins: true,
	})
	require.NoError(t, err)
	require.Equal(t, smallInput(), in)

	require.Len(t, supposed.People, 3)
	require.Empty(t, supposed.People[0].Shifts, "who is away has no shift")
	for _, extra := range supposed.People[1:] {
		require.Equal(t, []Shift{shift("07:00", "12:30", "")}, extra.Shifts, "one more like somebody who is away")
		require.True(t, extra.Applies)
		require.Equal(t, in.People[0].Person.Certificates, extra.Person.Certificates)
	}
	require.NotEqual(t, supposed.People[1].Person.ID, supposed.People[2].Person.ID)
	require.True(t, supposed.Sprayers[0].OutOfService)
	require.False(t, supposed.Sprayers[1].OutOfService)
	require.Equal(t, Weights{Change: 9}, supposed.Settings.Weights)
	require.Empty(t, supposed.Pins)
}

func TestASuppositionOfWhatIsNotThereIsRefusedByField(t *testing.T) {
	for field, scenario := range map[string]*schedulev1.Scenario{
		"scenarios[0].absent_people[0]":       {AbsentPeople: []string{"nurseries/test/people/nobody"}},
		"scenarios[0].broken_sprayers[0]":     {BrokenSprayers: []string{"k1"}},
		"scenarios[0].extra_people_like[1]":   {ExtraPeopleLike: []string{"nurseries/test/people/wandile", "wandile"}},
		"scenarios[0].extra_sprayers_like[0]": {ExtraSprayersLike: []string{"nurseries/test/sprayers/absent"}},
		"scenarios[0].title":                  {Title: "as it is"},
	} {
		_, err := suppose(smallInput(), []*schedulev1.Scenario{scenario})
		refused, is := fault.As(err)
		require.True(t, is, field)
		require.Equal(t, field, refused.Field)
	}
	_, err := suppose(smallInput(), []*schedulev1.Scenario{{Title: "a"}, {Title: "a"}})
	refused, is := fault.As(err)
	require.True(t, is)
	require.Equal(t, "scenarios[1].title", refused.Field)
}

func TestAJobIsMovedWhenItsTimePersonOrSprayerIsAnother(t *testing.T) {
	at := func(job, person string, hour int) *schedulev1.PlannedJob {
		return &schedulev1.PlannedJob{Job: job, Person: person, StartTime: timestamppb.New(begin.Add(time.Duration(hour) * time.Hour))}
	}
	before := &schedulev1.DayPlan{Jobs: []*schedulev1.PlannedJob{at("a", "mira", 1), at("b", "mira", 2), at("c", "mira", 3), at("d", "mira", 4)}}
	after := &schedulev1.DayPlan{Jobs: []*schedulev1.PlannedJob{at("a", "mira", 1), at("b", "wandile", 2), at("c", "mira", 5), at("e", "mira", 4)}}
	require.EqualValues(t, 2, moved(before, after))
	require.Zero(t, moved(before, before))
}
