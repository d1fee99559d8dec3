package cli_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	identityv1 "velamen/gen/velamen/identity/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/cli"
	"velamen/internal/fault"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

const planID = "0199b1f2-0000-7000-8000-000000000001"

// dayPlanAnswers serves fixed answers about plans and calendars and keeps what it was
// asked.
type dayPlanAnswers struct {
	schedulev1.UnimplementedScheduleServiceServer
	asked    proto.Message
	plan     *schedulev1.DayPlan
	plans    []*schedulev1.DayPlan
	checked  *schedulev1.CheckDayPlanResponse
	explain  *schedulev1.ExplainJobResponse
	slots    *schedulev1.FindSlotsResponse
	pattern  *schedulev1.WorkPattern
	calendar *schedulev1.HouseCalendar
	settings *schedulev1.PlanningSettings
	refused  error
}

func (a *dayPlanAnswers) CreateDayPlan(_ context.Context, r *schedulev1.CreateDayPlanRequest) (*schedulev1.DayPlan, error) {
	r.RequestId = ""
	a.asked = r
	return &schedulev1.DayPlan{Name: "nurseries/test/dayPlans/" + planID, State: schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, Trigger: "asked for by mira"}, nil
}

func (a *dayPlanAnswers) WatchDayPlan(_ *schedulev1.WatchDayPlanRequest, stream grpc.ServerStreamingServer[schedulev1.WatchDayPlanResponse]) error {
	for _, progress := range []*schedulev1.WatchDayPlanResponse{
		{State: schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING},
		{State: schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING},
		{State: schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, Rounds: 200, Planned: 2, Unplanned: 1, Points: "61.509999"},
		{State: schedulev1.DayPlanState_DAY_PLAN_STATE_SOLVING, Rounds: 400, Planned: 2, Unplanned: 1, Points: "50.25", Bound: "0", Gap: "unknown"},
		{State: schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, Rounds: 600, Planned: 2, Unplanned: 1, Points: "42.5", Bound: "40", Gap: "5.9", BoundOfSameUnplanned: true},
	} {
		if err := stream.Send(progress); err != nil {
			return err
		}
	}
	return a.refused
}

func (a *dayPlanAnswers) GetDayPlan(context.Context, *schedulev1.GetDayPlanRequest) (*schedulev1.DayPlan, error) {
	return a.plan, nil
}

func (a *dayPlanAnswers) ListDayPlans(_ context.Context, r *schedulev1.ListDayPlansRequest) (*schedulev1.ListDayPlansResponse, error) {
	a.asked = r
	return &schedulev1.ListDayPlansResponse{DayPlans: a.plans}, nil
}

func (a *dayPlanAnswers) AcceptDayPlan(_ context.Context, r *schedulev1.AcceptDayPlanRequest) (*schedulev1.DayPlan, error) {
	r.RequestId = ""
	a.asked = r
	return a.plan, a.refused
}

func (a *dayPlanAnswers) RejectDayPlan(_ context.Context, r *schedulev1.RejectDayPlanRequest) (*schedulev1.DayPlan, error) {
	r.RequestId = ""
	a.asked = r
	return &schedulev1.DayPlan{Name: r.GetName(), State: schedulev1.DayPlanState_DAY_PLAN_STATE_REJECTED, Caution: caution}, nil
}

func (a *dayPlanAnswers) CheckDayPlan(_ context.Context, r *schedulev1.CheckDayPlanRequest) (*schedulev1.CheckDayPlanResponse, error) {
	a.asked = r
	return a.checked, nil
}

func (a *dayPlanAnswers) ExplainJob(_ context.Context, r *schedulev1.ExplainJobRequest) (*schedulev1.ExplainJobResponse, error) {
	a.asked = r
	return a.explain, nil
}

func (a *dayPlanAnswers) FindSlots(_ context.Context, r *schedulev1.FindSlotsRequest) (*schedulev1.FindSlotsResponse, error) {
	a.asked = r
	return a.slots, nil
}

func (a *dayPlanAnswers) CompareScenarios(_ context.Context, r *schedulev1.CompareScenariosRequest) (*schedulev1.CompareScenariosResponse, error) {
	a.asked = r
	return &schedulev1.CompareScenariosResponse{Caution: caution, Results: []*schedulev1.ScenarioResult{
		{Title: "as it is", Planned: 12, Points: "42.5", Bound: "40", Rounds: 900, Terms: []*schedulev1.PlanTerm{{Term: "hours late", Points: "30"}, {Term: "rinses", Points: "12.5"}}},
		{Title: "without wandile", Planned: 11, Points: "80", Rounds: 880, Moved: 5, LeftOut: []string{"Spray a contact fungicide, p-1"},
			Terms: []*schedulev1.PlanTerm{{Term: "hours late", Points: "60"}, {Term: "overtime", Points: "20"}}},
	}}, nil
}

func (a *dayPlanAnswers) PinJob(_ context.Context, r *schedulev1.PinJobRequest) (*schedulev1.Pin, error) {
	r.RequestId = ""
	a.asked = proto.Clone(r)
	pin := proto.CloneOf(r.GetPin())
	pin.Pinner, pin.CreateTime = "nurseries/test/people/mira", utc(1, 6)
	return pin, nil
}

func (a *dayPlanAnswers) UnpinJob(_ context.Context, r *schedulev1.UnpinJobRequest) (*schedulev1.Pin, error) {
	r.RequestId = ""
	a.asked = r
	return &schedulev1.Pin{Job: r.GetJob()}, nil
}

func (a *dayPlanAnswers) ListPins(_ context.Context, r *schedulev1.ListPinsRequest) (*schedulev1.ListPinsResponse, error) {
	a.asked = r
	return &schedulev1.ListPinsResponse{Pins: []*schedulev1.Pin{
		{Job: "nurseries/test/houses/h1", Person: "nurseries/test/people/wandile", Pinner: "nurseries/test/people/mira", CreateTime: utc(1, 6)},
		{Job: "nurseries/test/programs/p-1/steps/contact-1", StartTime: utc(9, 5), Note: "the grower wants to be there", Pinner: "nurseries/test/people/mira", CreateTime: utc(1, 6)},
	}}, nil
}

func (a *dayPlanAnswers) ListAssignments(_ context.Context, r *schedulev1.ListAssignmentsRequest) (*schedulev1.ListAssignmentsResponse, error) {
	a.asked = r
	plan := aDayPlan()
	return &schedulev1.ListAssignmentsResponse{Assignments: []*schedulev1.Assignment{
		{Name: "nurseries/test/assignments/a-1", DayPlan: plan.GetName(), State: schedulev1.AssignmentState_ASSIGNMENT_STATE_DONE, Job: plan.GetJobs()[1], DoneTime: utc(2, 6)},
		{Name: "nurseries/test/assignments/a-2", DayPlan: plan.GetName(), State: schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED, Job: plan.GetJobs()[0]},
	}}, nil
}

func (a *dayPlanAnswers) GetWorkPattern(_ context.Context, r *schedulev1.GetWorkPatternRequest) (*schedulev1.WorkPattern, error) {
	a.asked = r
	return a.pattern, nil
}

func (a *dayPlanAnswers) ListWorkPatterns(_ context.Context, r *schedulev1.ListWorkPatternsRequest) (*schedulev1.ListWorkPatternsResponse, error) {
	a.asked = r
	return &schedulev1.ListWorkPatternsResponse{WorkPatterns: []*schedulev1.WorkPattern{a.pattern}}, nil
}

func (a *dayPlanAnswers) UpdateWorkPattern(_ context.Context, r *schedulev1.UpdateWorkPatternRequest) (*schedulev1.WorkPattern, error) {
	r.RequestId = ""
	a.asked = r
	return r.GetWorkPattern(), nil
}

func (a *dayPlanAnswers) GetHouseCalendar(_ context.Context, r *schedulev1.GetHouseCalendarRequest) (*schedulev1.HouseCalendar, error) {
	a.asked = r
	return a.calendar, nil
}

func (a *dayPlanAnswers) ListHouseCalendars(_ context.Context, r *schedulev1.ListHouseCalendarsRequest) (*schedulev1.ListHouseCalendarsResponse, error) {
	a.asked = r
	return &schedulev1.ListHouseCalendarsResponse{HouseCalendars: []*schedulev1.HouseCalendar{a.calendar, {Name: "nurseries/test/houseCalendars/h2"}}}, nil
}

func (a *dayPlanAnswers) UpdateHouseCalendar(_ context.Context, r *schedulev1.UpdateHouseCalendarRequest) (*schedulev1.HouseCalendar, error) {
	r.RequestId = ""
	a.asked = r
	return r.GetHouseCalendar(), nil
}

func (a *dayPlanAnswers) GetPlanningSettings(context.Context, *schedulev1.GetPlanningSettingsRequest) (*schedulev1.PlanningSettings, error) {
	return a.settings, nil
}

func (a *dayPlanAnswers) UpdatePlanningSettings(_ context.Context, r *schedulev1.UpdatePlanningSettingsRequest) (*schedulev1.PlanningSettings, error) {
	r.RequestId = ""
	a.asked = r
	return r.GetPlanningSettings(), nil
}

func (a *dayPlanAnswers) CreateSprayer(_ context.Context, r *schedulev1.CreateSprayerRequest) (*schedulev1.Sprayer, error) {
	r.RequestId = ""
	a.asked = proto.Clone(r)
	sprayer := proto.CloneOf(r.GetSprayer())
	sprayer.Name, sprayer.Etag = "nurseries/test/sprayers/"+r.GetSprayerId(), `"v1"`
	return sprayer, nil
}

func (a *dayPlanAnswers) UpdateSprayer(_ context.Context, r *schedulev1.UpdateSprayerRequest) (*schedulev1.Sprayer, error) {
	a.asked = r
	return r.GetSprayer(), nil
}

// aDayPlan is a plan with two jobs of one tank load, one that is left out, and one
// that was taken out.
func aDayPlan() *schedulev1.DayPlan {
	return &schedulev1.DayPlan{
		Name: "nurseries/test/dayPlans/" + planID, State: schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, Trigger: "asked for by mira",
		StartTime: utc(2, 3), EndTime: utc(8, 22), CreateTime: utc(2, 3), SolveTime: moment(2, 3, 1), Before: "nurseries/test/dayPlans/d-0",
		Seed: 1, Rounds: 600, Engine: "1", InputHash: "9f86d081", PlanHash: "60303ae2", Etag: `"v2"`, Caution: caution,
		Points: "42.5", Bound: "39.999999", BoundOfSameUnplanned: true, UnplannedProven: true,
		Jobs: []*schedulev1.PlannedJob{
			{
				Job: "nurseries/test/programs/p-2/steps/contact-1", Title: "Spray a contact fungicide", Kind: "SPRAY", Houses: []string{"nurseries/test/houses/h2"},
				Lots: []string{"nurseries/test/lots/l-0002"}, Plants: 60, Person: "nurseries/test/people/wandile", Sprayer: "nurseries/test/sprayers/tank-1",
				PrepareTime: moment(2, 6, 10), StartTime: moment(2, 6, 10), EndTime: moment(2, 6, 40), ClosedUntilTime: moment(2, 18, 40),
				Product: "nurseries/test/products/mancozeb-800", MixVolume: amountOf("12", "L"), RestrictedEntryInterval: amountOf("12", "h"), TankLoad: 1,
				DueTime: utc(2, 12), OverdueTime: utc(3, 12), Change: schedulev1.Change_CHANGE_TIME, Reason: "It joins a tank load that is made anyway.",
				Terms: []*schedulev1.PlanTerm{{Term: "closed house hours", Points: "8"}},
			},
			{
				Job: "nurseries/test/programs/p-1/steps/contact-1", Title: "Spray a contact fungicide", Kind: "SPRAY", Houses: []string{"nurseries/test/houses/h1"},
				Lots: []string{"nurseries/test/lots/l-0001"}, Plants: 240, Person: "nurseries/test/people/wandile", Sprayer: "nurseries/test/sprayers/tank-1",
				PrepareTime: moment(2, 5, 0), StartTime: moment(2, 5, 25), EndTime: moment(2, 6, 5), ClosedUntilTime: moment(3, 6, 5),
				Product: "nurseries/test/products/mancozeb-800", MixVolume: amountOf("20", "L"), RestrictedEntryInterval: amountOf("24", "h"), TankLoad: 1,
				DueTime: utc(2, 12), OverdueTime: utc(3, 12), Pinned: true, Change: schedulev1.Change_CHANGE_NONE, Reason: "A pin holds its start.",
			},
			{
				Job: "nurseries/test/houses/h3", Title: "Look through house h3", Kind: "INSPECT", Houses: []string{"nurseries/test/houses/h3"}, Plants: 500,
				StartTime: utc(3, 6), EndTime: utc(3, 7), DueTime: utc(4, 12), Change: schedulev1.Change_CHANGE_NEW, Reason: "Nothing earlier is cheaper.",
			},
		},
		Unplanned: []*schedulev1.UnplannedJob{{
			Job: "nurseries/test/programs/p-3/steps/systemic-1", Title: "Dip in a systemic fungicide", Houses: []string{"nurseries/test/houses/h1"}, DueTime: utc(2, 12),
			Reasons: []string{"No person who may apply chemical works before it is overdue."}, Fix: "It would help if Ada applied chemical.",
		}},
		TankLoads: []*schedulev1.TankLoad{{
			Number: 1, Sprayer: "nurseries/test/sprayers/tank-1", Product: "nurseries/test/products/mancozeb-800",
			Jobs: []string{"nurseries/test/programs/p-1/steps/contact-1", "nurseries/test/programs/p-2/steps/contact-1"}, Needed: amountOf("32", "L"), Made: amountOf("35", "L"),
			Fillings: 1, LeftOver: amountOf("3", "L"), RinseMinutes: 10, RinseVolume: amountOf("20", "L"), UseByTime: utc(2, 18),
		}},
		Terms: []*schedulev1.PlanTerm{
			{Term: "hours late", Points: "0", Bound: "0", BoundBy: "earliest ends"}, {Term: "closed house hours", Points: "30", Bound: "30", BoundBy: "overlaps"},
			{Term: "mix left over", Points: "12.5"},
		},
		Breakdowns: []*schedulev1.Breakdown{
			{By: "day", Of: "2026-03-02", Jobs: 2, Terms: []*schedulev1.PlanTerm{{Term: "closed house hours", Points: "30"}, {Term: "mix left over", Points: "12.5"}}},
			{By: "house", Of: "nurseries/test/houses/h1", Jobs: 1, Terms: []*schedulev1.PlanTerm{{Term: "closed house hours", Points: "22"}}},
		},
		Removed: []*schedulev1.PlannedJob{{
			Job: "nurseries/test/programs/p-3/steps/systemic-1", Title: "Dip in a systemic fungicide", Person: "nurseries/test/people/ada", StartTime: utc(2, 7),
			Change: schedulev1.Change_CHANGE_REMOVED, Reason: "The bath is out of service.",
		}},
	}
}

func newDayPlanClient(t *testing.T) (*client, *dayPlanAnswers) {
	t.Helper()
	a := &dayPlanAnswers{
		plan: aDayPlan(), plans: []*schedulev1.DayPlan{aDayPlan()},
		pattern: &schedulev1.WorkPattern{
			Name: "nurseries/test/workPatterns/wandile", Applies: true, Etag: `"v3"`,
			Absences: []*schedulev1.Absence{{StartDate: &typev1.Date{Value: "2026-04-03"}, EndDate: &typev1.Date{Value: "2026-04-06"}, Reason: "leave"}},
			Shifts:   []*schedulev1.Shift{{Hours: &schedulev1.WeeklyHours{Weekday: schedulev1.Weekday_WEEKDAY_MONDAY, Start: "07:00", End: "12:00"}, OvertimeEnd: "13:00"}},
		},
		calendar: &schedulev1.HouseCalendar{
			Name: "nurseries/test/houseCalendars/h1", Etag: `"v4"`,
			WorkingHours: []*schedulev1.WeeklyHours{{Weekday: schedulev1.Weekday_WEEKDAY_MONDAY, Start: "07:00", End: "16:00"}, {Weekday: schedulev1.Weekday_WEEKDAY_TUESDAY, Start: "07:00", End: "16:00"}},
			Engagements: []*schedulev1.Engagement{
				{Kind: schedulev1.EngagementKind_ENGAGEMENT_KIND_IRRIGATION, Weekly: &schedulev1.WeeklyHours{Weekday: schedulev1.Weekday_WEEKDAY_MONDAY, Start: "09:00", End: "10:00"}},
				{Kind: schedulev1.EngagementKind_ENGAGEMENT_KIND_VISIT, StartTime: utc(5, 6), EndTime: utc(5, 10), Note: "buyers"},
			},
		},
		settings: &schedulev1.PlanningSettings{
			Name: "nurseries/test/planningSettings", HorizonDays: 7, SolveSeconds: 30, DefaultWalkMinutes: 3, HeatTemperature: "30", Etag: `"v5"`,
			Weights:   &schedulev1.PlanningWeights{HourLate: 10, HourWaiting: 1, ClosedHouseHour: 2, Rinse: 5, Change: 8},
			WorkRates: []*schedulev1.WorkRate{{Kind: "PRUNE", FixedMinutes: 10, MinutesPer_100Plants: 30}},
			Walks:     []*schedulev1.Walk{{House: "nurseries/test/houses/h1", OtherHouse: "nurseries/test/houses/h3", Minutes: 6}},
		},
	}
	c := newClient(t)
	c.conn = rpctest.Serve(t, func(server *rpc.Server) {
		identityv1.RegisterIdentityServiceServer(server, c.answers)
		schedulev1.RegisterScheduleServiceServer(server, a)
	})
	return c, a
}

func TestAPlanIsWatchedAndPrinted(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, progress, code := c.run("schedule", "plan", "--days", "3", "--solve-seconds", "20", "--seed", "7", "--breakdown")
	require.Zero(t, code, progress)
	golden(t, "schedule-plan.txt", out)
	golden(t, "schedule-plan-progress.txt", progress)
	require.True(t, proto.Equal(&schedulev1.CreateDayPlanRequest{Parent: "nurseries/test", HorizonDays: 3, SolveSeconds: 20, Seed: 7}, a.asked))

	out, progress, code = c.run("schedule", "plan", "--json")
	require.Zero(t, code, progress)
	require.Empty(t, progress, "with --json standard error is for an error alone")
	read := &schedulev1.DayPlan{}
	require.NoError(t, protojson.Unmarshal([]byte(out), read))
	require.True(t, proto.Equal(a.plan, read))

	out, progress, code = c.run("schedule", "plan", "--no-wait")
	require.Zero(t, code, progress)
	require.Contains(t, out, planID)
	require.Contains(t, out, "solving")
	require.Empty(t, progress)
}

func TestAPlanThatFailedEndsAsAFailure(t *testing.T) {
	c, a := newDayPlanClient(t)
	a.plan = &schedulev1.DayPlan{Name: a.plan.GetName(), State: schedulev1.DayPlanState_DAY_PLAN_STATE_FAILED, Failure: "The plan broke R5 person.", Caution: caution}
	_, errors, code := c.run("schedule", "plan")
	require.Equal(t, 1, code)
	require.Contains(t, errors, "the plan could not be worked out: The plan broke R5 person.")

	a.refused = fault.New(fault.Unavailable, fault.StoreUnavailable, "the database does not answer")
	_, errors, code = c.run("schedule", "plan")
	require.Equal(t, 5, code)
	require.Contains(t, errors, "to try again without doing it twice")
}

func TestTheNewestPlanIsShown(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "show")
	require.Zero(t, code, errors)
	require.Contains(t, out, caution)
	require.Equal(t, []schedulev1.DayPlanState{schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, schedulev1.DayPlanState_DAY_PLAN_STATE_ACCEPTED}, a.asked.(*schedulev1.ListDayPlansRequest).GetStates())

	a.plan = &schedulev1.DayPlan{Name: "nurseries/test/dayPlans/d-1", State: schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, Points: "0", Caution: caution}
	out, errors, code = c.run("schedule", "show", "d-1")
	require.Zero(t, code, errors)
	require.Contains(t, out, "No job is planned.")

	a.plans = nil
	_, errors, code = c.run("schedule", "show")
	require.Equal(t, 3, code)
	require.Contains(t, errors, "no plan is proposed or accepted")
}

func TestTimesOnADayOfTwoOffsetsAreToldApart(t *testing.T) {
	c, a := newDayPlanClient(t)
	c.zone = "Europe/Amsterdam"
	a.plan = &schedulev1.DayPlan{Name: "nurseries/test/dayPlans/d-1", State: schedulev1.DayPlanState_DAY_PLAN_STATE_PROPOSED, Jobs: []*schedulev1.PlannedJob{
		{Job: "nurseries/test/houses/h1", Title: "Look through house h1", StartTime: moment(29, 0, 30), EndTime: moment(29, 1, 30)},
		{Job: "nurseries/test/houses/h2", Title: "Look through house h2", StartTime: moment(30, 21, 0), EndTime: moment(30, 22, 0)},
	}}
	out, errors, code := c.run("schedule", "show", "d-1")
	require.Zero(t, code, errors)
	require.Contains(t, out, "Sunday 2026-03-29")
	require.Contains(t, out, "01:30 +01:00")
	require.Contains(t, out, "03:30 +02:00")
	require.Contains(t, out, "24:00")
}

func TestPlansAreListed(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "plans", "--state", "proposed,superseded")
	require.Zero(t, code, errors)
	golden(t, "schedule-plans.txt", out)
	require.Len(t, a.asked.(*schedulev1.ListDayPlansRequest).GetStates(), 2)
}

func TestAPlanIsAcceptedWithChangesByHand(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "accept", planID, "--etag", `"v2"`, "--move", "p-1/contact-1=2026-03-02 08:30", "--person", "p-1/contact-1=ada",
		"--sprayer", "p-2/contact-1=tank-2", "--remove", "h3")
	require.Zero(t, code, errors)
	require.Contains(t, out, caution)
	sentAs(t, "schedule-accept-request.json", a.asked)

	a.refused = fault.New(fault.Precondition, fault.StepNotOpen, "the plan no longer fits")
	_, errors, code = c.run("schedule", "accept", planID)
	require.Equal(t, 3, code)
	require.Contains(t, errors, "no longer fits")

	_, errors, code = c.run("schedule", "accept", planID, "--move", "p-1/contact-1")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "JOB=TIME")
	_, errors, code = c.run("schedule", "accept", planID, "--remove", "a/b/c")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "or HOUSE for its routine inspection")
}

func TestAPlanIsPutAside(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "reject", planID, "--note", "the lorry comes on Tuesday")
	require.Zero(t, code, errors)
	require.Contains(t, out, "Plan "+planID+" is rejected.")
	require.Equal(t, "the lorry comes on Tuesday", a.asked.(*schedulev1.RejectDayPlanRequest).GetNote())
}

func TestABrokenRuleEndsACheckAsARefusal(t *testing.T) {
	c, a := newDayPlanClient(t)
	a.checked = &schedulev1.CheckDayPlanResponse{Points: "44", Caution: caution, Terms: []*schedulev1.PlanTerm{{Term: "hours late", Points: "44"}}, Violations: []*schedulev1.Violation{
		{Rule: "R5 person", Jobs: []string{"nurseries/test/programs/p-1/steps/contact-1", "nurseries/test/houses/h3"}, Message: "Wandile would be in two houses at 08:30."},
	}}
	out, errors, code := c.run("schedule", "check", "newest", "--move", "p-1/contact-1=2026-03-02 08:30")
	require.Equal(t, 3, code)
	require.Contains(t, errors, "rules that this plan breaks: 1")
	golden(t, "schedule-check.txt", out)
	require.Equal(t, "nurseries/test/dayPlans/"+planID, a.asked.(*schedulev1.CheckDayPlanRequest).GetName())

	a.checked = &schedulev1.CheckDayPlanResponse{Points: "0", Caution: caution}
	out, errors, code = c.run("schedule", "check", planID)
	require.Zero(t, code, errors)
	require.Contains(t, out, "There are no broken rules.")
}

func TestAJobIsExplained(t *testing.T) {
	c, a := newDayPlanClient(t)
	a.explain = &schedulev1.ExplainJobResponse{Planned: aDayPlan().GetJobs()[0], Caution: caution, Reasons: []string{"Before 08:10 Wandile walks from house h1.", "Later costs 4 points an hour."}}
	out, errors, code := c.run("schedule", "explain", "newest", "p-2/contact-1")
	require.Zero(t, code, errors)
	golden(t, "schedule-explain.txt", out)

	a.explain = &schedulev1.ExplainJobResponse{Unplanned: aDayPlan().GetUnplanned()[0], Caution: caution, Conflicts: []*schedulev1.Conflict{
		{Requirements: []string{"It ends by Tuesday 14:00.", "Ada works from Wednesday on."}, Proven: true, Fix: "It would help if it could end on Wednesday 09:00."},
		{Requirements: []string{"The tank holds 10 L."}},
	}}
	out, errors, code = c.run("schedule", "explain", planID, "p-3/systemic-1")
	require.Zero(t, code, errors)
	golden(t, "schedule-explain-left-out.txt", out)
	require.Equal(t, "nurseries/test/programs/p-3/steps/systemic-1", a.asked.(*schedulev1.ExplainJobRequest).GetJob())
}

func TestPlacesForAJobAreFound(t *testing.T) {
	c, a := newDayPlanClient(t)
	a.slots = &schedulev1.FindSlotsResponse{Caution: caution, Slots: []*schedulev1.Slot{
		{StartTime: utc(2, 7), EndTime: utc(2, 8), Person: "nurseries/test/people/wandile", Sprayer: "nurseries/test/sprayers/tank-1", JoinsLoad: true, Points: "-1.5",
			Terms: []*schedulev1.PlanTerm{{Term: "closed house hours", Points: "2"}, {Term: "mix left over", Points: "-3.5"}}},
		{StartTime: utc(3, 7), EndTime: utc(3, 8), Person: "nurseries/test/people/ada", Points: "9"},
	}}
	out, errors, code := c.run("schedule", "slots", "newest", "h3", "--limit", "2")
	require.Zero(t, code, errors)
	golden(t, "schedule-slots.txt", out)
	require.Equal(t, "nurseries/test/houses/h3", a.asked.(*schedulev1.FindSlotsRequest).GetJob())

	a.slots = &schedulev1.FindSlotsResponse{Caution: caution, Conflicts: []*schedulev1.Conflict{{Requirements: []string{"House h3 is closed."}, Proven: true}}}
	out, errors, code = c.run("schedule", "slots", "newest", "h3")
	require.Equal(t, 3, code)
	require.Contains(t, errors, "there is no place")
	require.Contains(t, out, "House h3 is closed.")
}

func TestScenariosAreToldApartByTheirTitles(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "whatif", "--absent", "wandile", "--scenario", "a busy week", "--broken", "tank-1", "--extra-person-like", "ada", "--extra-person-like", "ada",
		"--extra-sprayer-like", "tank-2", "--longer-shifts", "60", "--scenario", "dear rinses", "--weight", "rinse=50", "--without-pins", "yes", "--days", "3")
	require.Zero(t, code, errors)
	golden(t, "schedule-whatif.txt", out)
	sentAs(t, "schedule-whatif-request.json", a.asked)

	_, errors, code = c.run("schedule", "whatif")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "nothing is supposed")
	_, errors, code = c.run("schedule", "whatif", "--longer-shifts", "an hour")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "it must be a whole number")
}

func TestAScenarioWithoutATitleIsNamedByWhatItSupposes(t *testing.T) {
	c, a := newDayPlanClient(t)
	_, errors, code := c.run("schedule", "whatif", "--absent", "wandile", "--extra-sprayer-like", "tank-1", "--longer-shifts", "30", "--weight", "rinse=50")
	require.Zero(t, code, errors)
	require.Equal(t, "without wandile, one more tank-1, shifts 30 min longer, rin…", a.asked.(*schedulev1.CompareScenariosRequest).GetScenarios()[0].GetTitle())
}

func TestAJobIsPinned(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "pin", "p-1/contact-1", "--start", "2026-03-09 07:00", "--person", "wandile", "--sprayer", "tank-1", "--note", "the grower wants to be there")
	require.Zero(t, code, errors)
	golden(t, "schedule-pin.txt", out)
	sentAs(t, "schedule-pin-request.json", a.asked)

	_, errors, code = c.run("schedule", "pin", "p-1/contact-1", "--note", "x")
	require.Equal(t, 2, code)
	require.Contains(t, errors, "[start person sprayer]")

	out, errors, code = c.run("schedule", "pins")
	require.Zero(t, code, errors)
	golden(t, "schedule-pins.txt", out)

	out, errors, code = c.run("schedule", "unpin", "h1")
	require.Zero(t, code, errors)
	require.Equal(t, "h1 is free again.\n", out)
}

func TestAssignmentsAreWhatIsToBeDone(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "assignments", "--person", "wandile", "--from", "2026-03-02 00:00")
	require.Zero(t, code, errors)
	golden(t, "schedule-assignments.txt", out)
	require.Contains(t, out, cli.Caution)
	asked := a.asked.(*schedulev1.ListAssignmentsRequest)
	require.Equal(t, []schedulev1.AssignmentState{schedulev1.AssignmentState_ASSIGNMENT_STATE_ASSIGNED}, asked.GetStates())
	require.Equal(t, "nurseries/test/people/wandile", asked.GetPerson())

	_, errors, code = c.run("schedule", "assignments", "--all")
	require.Zero(t, code, errors)
	require.Empty(t, a.asked.(*schedulev1.ListAssignmentsRequest).GetStates())
}

func TestHoursAreShownAndSet(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "hours", "wandile")
	require.Zero(t, code, errors)
	golden(t, "schedule-hours.txt", out)
	require.Equal(t, "nurseries/test/workPatterns/wandile", a.asked.(*schedulev1.GetWorkPatternRequest).GetName())

	out, errors, code = c.run("schedule", "hours")
	require.Zero(t, code, errors)
	golden(t, "schedule-hours-list.txt", out)

	_, errors, code = c.run("schedule", "hours", "wandile", "--shift", "mon-tue 07:00-12:00", "--shift", "mon-tue 13:00-16:00 overtime 18:00", "--off", "2026-12-24..2026-12-31=leave",
		"--applies", "--max-protected", "240")
	require.Zero(t, code, errors)
	sentAs(t, "schedule-hours-request.json", a.asked)
}

func TestDaysOffAreAddedUnlessTheyAreRemovedFirst(t *testing.T) {
	c, a := newDayPlanClient(t)
	off := func(args ...string) (days []string) {
		_, errors, code := c.run(append([]string{"schedule", "hours", "wandile"}, args...)...)
		require.Zero(t, code, errors)
		request := a.asked.(*schedulev1.UpdateWorkPatternRequest)
		require.Equal(t, []string{"absences"}, request.GetUpdateMask().GetPaths())
		require.Equal(t, `"v3"`, request.GetWorkPattern().GetEtag(), "what was read is what is changed")
		for _, absence := range request.GetWorkPattern().GetAbsences() {
			days = append(days, absence.GetStartDate().GetValue())
		}
		return days
	}
	require.Equal(t, []string{"2026-04-03", "2026-12-24"}, off("--off", "2026-12-24"))
	require.Equal(t, []string{"2026-12-24"}, off("--off", "none", "--off", "2026-12-24"))
	require.Empty(t, off("--off", "none"))
}

func TestHouseHoursAreShownAndSet(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "house-hours", "h1")
	require.Zero(t, code, errors)
	golden(t, "schedule-house-hours.txt", out)

	out, errors, code = c.run("schedule", "house-hours")
	require.Zero(t, code, errors)
	golden(t, "schedule-house-hours-list.txt", out)

	_, errors, code = c.run("schedule", "house-hours", "h1", "--work", "mon 07:00-16:00", "--spray", "none", "--engage", "delivery tue 08:00-09:00=lorry",
		"--engage", "harvest 2026-03-05 08:00..2026-03-05 12:00", "--by-bench")
	require.Zero(t, code, errors)
	sentAs(t, "schedule-house-hours-request.json", a.asked)
}

func TestSettingsAreChangedOneByOne(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "settings")
	require.Zero(t, code, errors)
	golden(t, "schedule-settings.txt", out)

	_, errors, code = c.run("schedule", "settings", "--days", "10", "--plan-time", "05:30", "--weight", "hour-late=20", "--work-rate", "prune=5+20", "--work-rate", "inspect=2+4",
		"--walk", "h3..h1=4", "--replan-on-events", "--inspections=false", "--heat-temperature", "32.5")
	require.Zero(t, code, errors)
	sentAs(t, "schedule-settings-request.json", a.asked)
}

func TestAStrayFlagOfASettingIsUsage(t *testing.T) {
	c, a := newDayPlanClient(t)
	for _, args := range [][]string{
		{"hours", "--applies"},
		{"hours", "wandile", "--shift", "weekdays 7-12"},
		{"hours", "wandile", "--off", "christmas"},
		{"house-hours", "--by-bench"},
		{"house-hours", "h1", "--engage", "party mon 20:00-23:00"},
		{"house-hours", "h1", "--engage", "delivery"},
		{"house-hours", "h1", "--engage", "delivery noon..evening"},
		{"settings", "--walk", "h1=4"},
		{"settings", "--walk", "h1..h 2=4"},
		{"settings", "--weight", "beauty=3"},
		{"plans", "--state", "nice"},
		{"show", "a", "b"},
		{"explain", "newest"},
	} {
		a.asked = nil
		_, errors, code := c.run(append([]string{"schedule"}, args...)...)
		require.Equal(t, 2, code, "%v: %s", args, errors)
		require.NotContains(t, errors, "goroutine")
	}
}

func TestASprayerHasTheDataOfAPlan(t *testing.T) {
	c, a := newDayPlanClient(t)
	out, errors, code := c.run("schedule", "sprayer", "create", "tank-1", "--display-name", "Cart 1", "--tank-volume", "100L", "--methods", "spray,drench",
		"--smallest-load", "5L", "--graduation", "1L", "--output-per-minute", "2L", "--plants-per-hour", "240", "--mix-minutes", "15", "--rinse-minutes", "10", "--rinse-volume", "20L")
	require.Zero(t, code, errors)
	golden(t, "schedule-sprayer.txt", out)
	created := a.asked.(*schedulev1.CreateSprayerRequest).GetSprayer()
	require.Equal(t, []productsv1.Method{productsv1.Method_METHOD_SPRAY, productsv1.Method_METHOD_DRENCH}, created.GetMethods())

	_, errors, code = c.run("schedule", "sprayer", "update", "tank-1", "--mix-minutes", "20", "--rinse-volume", "15L")
	require.Zero(t, code, errors)
	require.ElementsMatch(t, []string{"mix_minutes", "rinse_volume"}, a.asked.(*schedulev1.UpdateSprayerRequest).GetUpdateMask().GetPaths())
}
