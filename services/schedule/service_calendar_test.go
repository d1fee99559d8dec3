package schedule

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func hours(day schedulev1.Weekday, start, end string) *schedulev1.WeeklyHours {
	return &schedulev1.WeeklyHours{Weekday: day, Start: start, End: end}
}

const (
	monday  = schedulev1.Weekday_WEEKDAY_MONDAY
	tuesday = schedulev1.Weekday_WEEKDAY_TUESDAY
	sunday  = schedulev1.Weekday_WEEKDAY_SUNDAY
)

func absence(first, last string) *schedulev1.Absence {
	return &schedulev1.Absence{StartDate: &typev1.Date{Value: first}, EndDate: &typev1.Date{Value: last}, Reason: "leave"}
}

// weekOfWandile is a work pattern with everything that one can have.
func weekOfWandile() *schedulev1.WorkPattern {
	return &schedulev1.WorkPattern{
		Name: "nurseries/test/workPatterns/wandile",
		Shifts: []*schedulev1.Shift{
			{Hours: hours(monday, "07:00", "12:00")},
			{Hours: hours(monday, "13:00", "16:00"), OvertimeEnd: "18:00"},
			{Hours: hours(sunday, "22:00", "24:00")},
		},
		Absences: []*schedulev1.Absence{absence("2026-03-09", "2026-03-10")},
		Applies:  true, MaxProtectedMinutes: 240,
	}
}

func (n nursery) setPattern(ctx context.Context, pattern *schedulev1.WorkPattern, paths ...string) (*schedulev1.WorkPattern, error) {
	return n.schedule.UpdateWorkPattern(ctx, &schedulev1.UpdateWorkPatternRequest{
		WorkPattern: pattern, UpdateMask: mask(paths), RequestId: uuid.NewString(),
	})
}

func (n nursery) setCalendar(ctx context.Context, calendar *schedulev1.HouseCalendar, paths ...string) (*schedulev1.HouseCalendar, error) {
	return n.schedule.UpdateHouseCalendar(ctx, &schedulev1.UpdateHouseCalendarRequest{
		HouseCalendar: calendar, UpdateMask: mask(paths), RequestId: uuid.NewString(),
	})
}

func (n nursery) setSettings(ctx context.Context, settings *schedulev1.PlanningSettings, paths ...string) (*schedulev1.PlanningSettings, error) {
	return n.schedule.UpdatePlanningSettings(ctx, &schedulev1.UpdatePlanningSettingsRequest{
		PlanningSettings: settings, UpdateMask: mask(paths), RequestId: uuid.NewString(),
	})
}

func mask(paths []string) *fieldmaskpb.FieldMask {
	if paths == nil {
		return nil
	}
	return &fieldmaskpb.FieldMask{Paths: paths}
}

func TestAWorkPatternThatWasNeverSetIsEmptyAndIsMadeByItsFirstUpdate(t *testing.T) {
	n := setUpNursery(t)
	name := &schedulev1.GetWorkPatternRequest{Name: "nurseries/test/workPatterns/wandile"}
	never, err := n.schedule.GetWorkPattern(n.manager, name)
	require.NoError(t, err)
	require.Empty(t, never.GetShifts())
	listed, err := n.schedule.ListWorkPatterns(n.manager, &schedulev1.ListWorkPatternsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Empty(t, listed.GetWorkPatterns())

	want := weekOfWandile()
	want.Etag = never.GetEtag()
	made, err := n.setPattern(n.manager, want)
	require.NoError(t, err)
	want.Etag = made.GetEtag()
	require.True(t, proto.Equal(want, made), made)
	_, err = n.setPattern(n.manager, &schedulev1.WorkPattern{Name: want.GetName(), Etag: never.GetEtag()}, "applies")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)

	want.Applies = false
	changed, err := n.setPattern(n.manager, &schedulev1.WorkPattern{Name: want.GetName(), Etag: made.GetEtag()}, "applies")
	require.NoError(t, err)
	want.Etag = changed.GetEtag()
	require.True(t, proto.Equal(want, changed), changed)
	read, err := n.schedule.GetWorkPattern(n.manager, name)
	require.NoError(t, err)
	require.True(t, proto.Equal(want, read), read)

	patterns, err := readWorkPatterns(t.Context(), n.db, "test")
	require.NoError(t, err)
	require.Len(t, patterns, 1)
	require.Equal(t, Shift{Hours: Hours{Weekday: time.Sunday, Start: "22:00", End: "24:00"}}, patterns["wandile"].Shifts[2])
}

func TestAWorkPatternIsRefusedByFieldAndRule(t *testing.T) {
	n := setUpNursery(t)
	for _, test := range []struct {
		name, field, rule string
		change            func(*schedulev1.WorkPattern)
	}{
		{"a shift that ends before it begins", "work_pattern.shifts[0].hours.end", "not after the start",
			func(p *schedulev1.WorkPattern) { p.Shifts[0].Hours.End = "06:00" }},
		{"a shift past midnight", "work_pattern.shifts[0].hours.end", "entered as two",
			func(p *schedulev1.WorkPattern) { p.Shifts[0].Hours.Start, p.Shifts[0].Hours.End = "22:00", "06:00" }},
		{"two shifts at once", "work_pattern.shifts[1]", "overlaps Monday 07:00 to 12:00",
			func(p *schedulev1.WorkPattern) { p.Shifts[1].Hours.Start = "11:59" }},
		{"overtime into the next shift", "work_pattern.shifts[1]", "overlaps",
			func(p *schedulev1.WorkPattern) { p.Shifts[0].OvertimeEnd = "13:30" }},
		{"overtime that ends with the shift", "work_pattern.shifts[1].overtime_end", "not after the end of the shift",
			func(p *schedulev1.WorkPattern) { p.Shifts[1].OvertimeEnd = "16:00" }},
		{"an absence that ends before it begins", "work_pattern.absences[0].end_date", "before the first day",
			func(p *schedulev1.WorkPattern) { p.Absences[0] = absence("2026-03-10", "2026-03-09") }},
		{"a day that is not in the calendar", "work_pattern.absences[0].end_date", "2026-02-30",
			func(p *schedulev1.WorkPattern) { p.Absences[0] = absence("2026-02-01", "2026-02-30") }},
		{"a time that no clock shows", "work_pattern.shifts[0].hours.end", "",
			func(p *schedulev1.WorkPattern) { p.Shifts[0].Hours.End = "25:00" }},
		{"no weekday", "work_pattern.shifts[0].hours.weekday", "",
			func(p *schedulev1.WorkPattern) { p.Shifts[0].Hours.Weekday = 0 }},
	} {
		t.Run(test.name, func(t *testing.T) {
			pattern := weekOfWandile()
			test.change(pattern)
			_, err := n.setPattern(n.manager, pattern)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.rule)
		})
	}
	_, err := n.setPattern(n.manager, &schedulev1.WorkPattern{Name: "nurseries/test/workPatterns/nobody"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	_, err = n.setPattern(rpctest.As(t.Context(), rpctest.Worker), weekOfWandile())
	rpctest.Refused(t, err, codes.PermissionDenied, fault.PermissionDenied)
}

func TestWorkPatternsAreListedByPersonInPages(t *testing.T) {
	n := setUpNursery(t)
	for _, person := range []string{"wandile", "mira", "olwen"} {
		pattern := weekOfWandile()
		pattern.Name = "nurseries/test/workPatterns/" + person
		_, err := n.setPattern(n.manager, pattern)
		require.NoError(t, err)
	}
	request := &schedulev1.ListWorkPatternsRequest{Parent: "nurseries/test", PageSize: 2}
	first, err := n.schedule.ListWorkPatterns(n.manager, request)
	require.NoError(t, err)
	request.PageToken = first.GetNextPageToken()
	second, err := n.schedule.ListWorkPatterns(n.manager, request)
	require.NoError(t, err)
	require.Empty(t, second.GetNextPageToken())
	var names []string
	for _, pattern := range append(first.GetWorkPatterns(), second.GetWorkPatterns()...) {
		names = append(names, pattern.GetName())
	}
	require.Equal(t, []string{
		"nurseries/test/workPatterns/mira", "nurseries/test/workPatterns/olwen", "nurseries/test/workPatterns/wandile",
	}, names)
}

// reasons returns what the planner is told, oldest first.
func (n nursery) reasons(t *testing.T) []string {
	t.Helper()
	rows, err := n.db.Query(t.Context(), `SELECT payload->>'reason' FROM foundation.outbox_event WHERE topic = $1 ORDER BY id`, TopicConditionsChanged)
	require.NoError(t, err)
	defer rows.Close()
	var all []string
	for rows.Next() {
		var reason string
		require.NoError(t, rows.Scan(&reason))
		all = append(all, reason)
	}
	return all
}

func TestThePlannerLearnsOfAbsencesAndChangedHours(t *testing.T) {
	n := setUpNursery(t)
	pattern := weekOfWandile()
	pattern.Absences = nil
	_, err := n.setPattern(n.manager, pattern)
	require.NoError(t, err)
	_, err = n.setPattern(n.manager, weekOfWandile())
	require.NoError(t, err)
	_, err = n.setCalendar(n.manager, &schedulev1.HouseCalendar{Name: "nurseries/test/houseCalendars/h1", ClosesByBench: true})
	require.NoError(t, err)
	require.Equal(t, []string{
		"the working hours of Wandile Worker changed", "Wandile Worker is absent", "the calendar of House 1 changed",
	}, n.reasons(t))
}

// calendarOfHouse1 is a house calendar with everything that one can have.
func calendarOfHouse1() *schedulev1.HouseCalendar {
	return &schedulev1.HouseCalendar{
		Name:          "nurseries/test/houseCalendars/h1",
		WorkingHours:  []*schedulev1.WeeklyHours{hours(monday, "06:00", "12:00"), hours(monday, "12:00", "18:00"), hours(tuesday, "06:00", "18:00")},
		SprayingHours: []*schedulev1.WeeklyHours{hours(monday, "06:00", "13:00")},
		Engagements: []*schedulev1.Engagement{
			{Kind: schedulev1.EngagementKind_ENGAGEMENT_KIND_IRRIGATION, Weekly: hours(monday, "11:00", "12:00")},
			{
				Kind: schedulev1.EngagementKind_ENGAGEMENT_KIND_VISIT, Note: "buyers",
				StartTime: timestamppb.New(begin), EndTime: timestamppb.New(begin.Add(2 * time.Hour)),
			},
		},
		ClosesByBench: true,
	}
}

func TestAHouseWithoutACalendarIsAlwaysOpenUntilOneIsSet(t *testing.T) {
	n := setUpNursery(t)
	never, err := n.schedule.GetHouseCalendar(n.manager, &schedulev1.GetHouseCalendarRequest{Name: "nurseries/test/houseCalendars/h1"})
	require.NoError(t, err)
	require.Empty(t, never.GetWorkingHours())

	want := calendarOfHouse1()
	made, err := n.setCalendar(n.manager, want)
	require.NoError(t, err)
	want.Etag = made.GetEtag()
	require.True(t, proto.Equal(want, made), made)
	listed, err := n.schedule.ListHouseCalendars(n.manager, &schedulev1.ListHouseCalendarsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	require.Len(t, listed.GetHouseCalendars(), 1)
	require.True(t, proto.Equal(want, listed.GetHouseCalendars()[0]))
	_, err = n.setCalendar(n.manager, &schedulev1.HouseCalendar{Name: want.GetName(), Etag: never.GetEtag()}, "closes_by_bench")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)

	kept, err := readHouseCalendars(t.Context(), n.db, "test")
	require.NoError(t, err)
	require.Len(t, kept["h1"].Engagements, 2)
	require.True(t, kept["h1"].Engagements[1].Start.Equal(begin))
}

func TestAHouseCalendarIsRefusedByFieldAndRule(t *testing.T) {
	n := setUpNursery(t)
	for _, test := range []struct {
		name, field, rule string
		change            func(*schedulev1.HouseCalendar)
	}{
		{"spraying when nobody works", "house_calendar.spraying_hours[0]", "not within the working hours",
			func(c *schedulev1.HouseCalendar) { c.SprayingHours[0].End = "18:01" }},
		{"spraying on a day when nobody works", "house_calendar.spraying_hours[0]", "not within the working hours",
			func(c *schedulev1.HouseCalendar) { c.SprayingHours[0].Weekday = sunday }},
		{"hours that end before they begin", "house_calendar.working_hours[2].end", "not after the start",
			func(c *schedulev1.HouseCalendar) { c.WorkingHours[2].End = "05:00" }},
		{"an engagement without a time", "house_calendar.engagements[0]", "weekly",
			func(c *schedulev1.HouseCalendar) { c.Engagements[0].Weekly = nil }},
		{"an engagement both weekly and once", "house_calendar.engagements[1]", "weekly",
			func(c *schedulev1.HouseCalendar) { c.Engagements[1].Weekly = hours(monday, "08:00", "09:00") }},
		{"an engagement without an end", "house_calendar.engagements[1].end_time", "",
			func(c *schedulev1.HouseCalendar) { c.Engagements[1].EndTime = nil }},
		{"an engagement that ends before it begins", "house_calendar.engagements[1].end_time", "not after",
			func(c *schedulev1.HouseCalendar) { c.Engagements[1].EndTime = timestamppb.New(begin) }},
		{"an engagement of no kind", "house_calendar.engagements[0].kind", "",
			func(c *schedulev1.HouseCalendar) { c.Engagements[0].Kind = 0 }},
	} {
		t.Run(test.name, func(t *testing.T) {
			calendar := calendarOfHouse1()
			test.change(calendar)
			_, err := n.setCalendar(n.manager, calendar)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.rule)
		})
	}
	_, err := n.setCalendar(n.manager, &schedulev1.HouseCalendar{Name: "nurseries/test/houseCalendars/absent"})
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestANurseryPlansByTheDefaultsUntilItSetsItsOwn(t *testing.T) {
	n := setUpNursery(t)
	name := &schedulev1.GetPlanningSettingsRequest{Name: "nurseries/test/planningSettings"}
	defaults, err := n.schedule.GetPlanningSettings(n.manager, name)
	require.NoError(t, err)
	require.EqualValues(t, 7, defaults.GetHorizonDays())
	require.EqualValues(t, 30, defaults.GetSolveSeconds())
	require.EqualValues(t, 3, defaults.GetDefaultWalkMinutes())
	require.Empty(t, defaults.GetPlanTime())
	require.Empty(t, defaults.GetHeatTemperature(), "which temperature is heat is for the law of the place to say")

	changed, err := n.setSettings(n.manager, &schedulev1.PlanningSettings{
		Name: name.GetName(), Etag: defaults.GetEtag(), PlanTime: "17:30", HeatTemperature: "32.5",
		WorkRates: []*schedulev1.WorkRate{{Kind: "PRUNE", FixedMinutes: 4, MinutesPer_100Plants: 9}},
	})
	require.NoError(t, err)
	want := defaults
	want.PlanTime, want.HeatTemperature, want.WorkRates, want.Etag = "17:30", "32.5", changed.GetWorkRates(), changed.GetEtag()
	require.Len(t, want.GetWorkRates(), 1)
	require.True(t, proto.Equal(want, changed), "what was not named stays: %s", changed)
	read, err := n.schedule.GetPlanningSettings(n.manager, name)
	require.NoError(t, err)
	require.True(t, proto.Equal(want, read), read)
	_, err = n.setSettings(n.manager, &schedulev1.PlanningSettings{Name: name.GetName(), Etag: `"v0"`}, "plan_time")
	rpctest.Refused(t, err, codes.Aborted, fault.StaleETag)
}

func TestPlanningSettingsAreRefusedByFieldAndRule(t *testing.T) {
	n := setUpNursery(t)
	way := func(house, other string) []*schedulev1.Walk {
		return []*schedulev1.Walk{{House: "nurseries/test/houses/" + house, OtherHouse: "nurseries/test/houses/" + other, Minutes: 2}}
	}
	for _, test := range []struct {
		name, field, rule string
		settings          *schedulev1.PlanningSettings
	}{
		{"a way to the same house", "planning_settings.walks[0].other_house", "same house", &schedulev1.PlanningSettings{Walks: way("h1", "h1")}},
		{"a way to no house", "planning_settings.walks[0].other_house", "there is no house", &schedulev1.PlanningSettings{Walks: way("h1", "h9")}},
		{"a way twice", "planning_settings.walks[1]", "twice",
			&schedulev1.PlanningSettings{Walks: append(way("h1", "h2"), way("h2", "h1")...)}},
		{"a name that is no house", "planning_settings.walks[0].house", "is not a name",
			&schedulev1.PlanningSettings{Walks: []*schedulev1.Walk{{House: "h1", OtherHouse: "h2"}}}},
		{"a rate for what a sprayer does", "planning_settings.work_rates[0].kind", "from the sprayer",
			&schedulev1.PlanningSettings{WorkRates: []*schedulev1.WorkRate{{Kind: "SPRAY"}}}},
		{"a rate twice", "planning_settings.work_rates[1].kind", "twice",
			&schedulev1.PlanningSettings{WorkRates: []*schedulev1.WorkRate{{Kind: "PRUNE"}, {Kind: "PRUNE"}}}},
		{"a horizon of months", "planning_settings.horizon_days", "", &schedulev1.PlanningSettings{HorizonDays: 90}},
		{"a time that no clock shows", "planning_settings.plan_time", "", &schedulev1.PlanningSettings{PlanTime: "24:00"}},
		{"heat below ten degrees", "planning_settings.heat_temperature", "", &schedulev1.PlanningSettings{HeatTemperature: "9.5"}},
		{"heat in thousandths", "planning_settings.heat_temperature", "", &schedulev1.PlanningSettings{HeatTemperature: "32.125"}},
		{"a weight below zero", "planning_settings.weights.rinse", "", &schedulev1.PlanningSettings{Weights: &schedulev1.PlanningWeights{Rinse: -1}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			test.settings.Name = "nurseries/test/planningSettings"
			_, err := n.setSettings(n.manager, test.settings)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.rule)
		})
	}
	_, err := n.setSettings(n.manager, &schedulev1.PlanningSettings{Name: "nurseries/test"})
	rpctest.RefusedField(t, err, "planning_settings.name")
}
