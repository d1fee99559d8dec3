package checker_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/checker"
	"velamen/services/schedule/model"
)

// nursery is a problem of one day with two people, two sprayers, two houses and two
// mixes, to which each test adds its jobs.
func nursery(jobs ...model.Job) *model.Problem {
	shift := []model.Shift{{Span: model.Span{From: 0, To: 600}, Overtime: 480}}
	sprayer := model.Station{Tank: 100_000, SmallestLoad: 20_000, Graduation: 5_000, MixMinutes: 10, Holds: model.None, Rinses: 0}
	cart := sprayer
	sprayer.Name, cart.Name = "sprayer", "cart"
	return &model.Problem{
		Horizon:  2880,
		Days:     []model.Minute{0, 1440},
		People:   []model.Person{{Name: "Ana", Shifts: shift}, {Name: "Bo", Shifts: shift}},
		Stations: []model.Station{sprayer, cart},
		Spaces:   []model.Space{{Name: "house 1"}, {Name: "house 2"}},
		Pools:    []model.Pool{{Name: "vents", Capacity: 2}},
		Mixes:    []model.Mix{{Name: "copper", Life: 120}, {Name: "oil", Life: 120}},
		Rinses: []model.RinseTable{{
			{{}, {}},
			{{}, {Minutes: 20, Volume: 5_000}},
			{{Minutes: 30, Volume: 8_000}, {}},
		}},
		Travel: [][]model.Minute{{0, 15}, {15, 0}},
		Jobs:   jobs,
	}
}

// prune is an hour of handwork that anybody may do at any time.
func prune(name string) model.Job {
	return model.Job{
		Name: name, Site: 0, Mix: model.None, Ways: []model.Way{{Station: model.None, Duration: 60}},
		Manned: true, People: []int32{0, 1}, Deadline: 2880, Due: 2880, SkipWeight: 1,
	}
}

// spray is an hour with the sprayer or 90 minutes with the cart.
func spray(name string, mix int32) model.Job {
	job := prune(name)
	job.Mix, job.Volume = mix, 30_000
	job.Ways = []model.Way{{Station: 0, Duration: 60}, {Station: 1, Duration: 90}}
	return job
}

func in(job model.Job, space int32, exclusive bool, tail model.Minute, closure int32) model.Job {
	job.Occupies = []model.Occupation{{Space: space, Exclusive: exclusive, Tail: tail, Closure: closure}}
	return job
}

// by places handwork.
func by(person int32, start model.Minute) model.Placement {
	return model.Placement{Placed: true, Start: start, Person: person}
}

// fresh places work with the sprayer and a new load.
func fresh(person int32, start model.Minute) model.Placement {
	return model.Placement{Placed: true, Start: start, Person: person, NewLoad: true}
}

func withWay(placement model.Placement, way int32) model.Placement {
	placement.Way = way
	return placement
}

func broken(p *model.Problem, plan model.Plan) []string {
	_, violations := checker.Check(p, plan)
	rules := []string{}
	for _, violation := range violations {
		rules = append(rules, violation.Rule)
	}
	return rules
}

func changed(p *model.Problem, change func(*model.Problem)) *model.Problem {
	change(p)
	return p
}

// Every case is one plan twice: as it just keeps a rule, and one minute or one step
// further, where it breaks that rule and no other.
func TestEachRuleIsBrokenByOneStepAndKeptWithoutIt(t *testing.T) {
	released := prune("prune")
	released.Release, released.Deadline = 100, 200
	windowed := prune("prune")
	windowed.Windows = []model.Span{{From: 0, To: 90}, {From: 90, To: 200}}
	bos := prune("prune")
	bos.People = []int32{1}
	valve := prune("vent")
	valve.Manned, valve.People = false, nil
	far := prune("far")
	far.Site = 1
	masked := prune("masked")
	masked.Protected = true
	wide := prune("wide")
	wide.Demands = []model.Demand{{Pool: 0, Amount: 2}}
	narrow := prune("narrow")
	narrow.Demands = []model.Demand{{Pool: 0, Amount: 1}}
	needing := prune("second")
	needing.Needs = []int32{0}
	pinned := prune("pinned")
	pinned.Pin = &model.Pin{Start: 60, Person: 0, Way: model.None}
	cartOnly := spray("pinned", 0)
	cartOnly.Pin = &model.Pin{Start: model.None, Person: model.None, Way: 1}
	late := prune("late")
	late.Deadline = 5000
	small := spray("a", 0)
	limited := func(p *model.Problem) { p.People[0].MaxProtected = 119 }
	allowed := func(p *model.Problem) { p.People[0].MaxProtected = 120 }

	lag := func(least model.Minute, fromEnd, toEnd bool) *model.Problem {
		p := nursery(prune("first"), prune("second"))
		p.Lags = []model.Lag{{From: 0, To: 1, Least: least, FromEnd: fromEnd, ToEnd: toEnd}}
		return p
	}
	left := model.Placement{}

	for _, c := range []struct {
		name         string
		rule         string
		kept, broken *model.Problem
		keeps        model.Plan
		breaks       model.Plan
	}{
		{"a way that the job does not have", "R1", nursery(prune("a")), nil, model.Plan{by(0, 0)}, model.Plan{withWay(by(0, 0), 1)}},
		{"a person who may not do it", "R1", nursery(bos), nil, model.Plan{by(1, 0)}, model.Plan{by(0, 0)}},
		{"a person who does not exist", "R1", nursery(bos), nil, model.Plan{by(1, 0)}, model.Plan{by(2, 0)}},
		{"nobody for manned work", "R1", nursery(bos), nil, model.Plan{by(1, 0)}, model.Plan{by(model.None, 0)}},
		{"a person for work that needs nobody", "R1", nursery(valve), nil, model.Plan{by(model.None, 0)}, model.Plan{by(0, 0)}},
		{"an entry too many", "R1", nursery(bos), nil, model.Plan{by(1, 0)}, model.Plan{by(1, 0), by(1, 60)}},
		{"before its earliest", "R2", nursery(released), nil, model.Plan{by(0, 100)}, model.Plan{by(0, 99)}},
		{"after its latest", "R2", nursery(released), nil, model.Plan{by(0, 140)}, model.Plan{by(0, 141)}},
		{"across two windows", "R2", nursery(windowed), nil, model.Plan{by(0, 30)}, model.Plan{by(0, 31)}},
		{"after the horizon", "R2", changed(nursery(late), everLasting), nil, model.Plan{by(0, 2820)}, model.Plan{by(0, 2821)}},
		{"mixing before the plan begins", "R3", changed(nursery(spray("a", 0)), everLasting), nil,
			model.Plan{fresh(0, 10)}, model.Plan{fresh(0, 9)}},
		{"rinsing before the plan begins", "R3", changed(changed(nursery(spray("a", 1)), everLasting), holding(0)), nil,
			model.Plan{fresh(0, 30)}, model.Plan{fresh(0, 29)}},
		{"two people at one sprayer while it is rinsed and filled", "R4", nursery(spray("a", 0), spray("b", 1)), nil,
			model.Plan{fresh(0, 10), fresh(1, 100)}, model.Plan{fresh(0, 10), fresh(1, 99)}},
		{"a sprayer mixed before it is open", "R4", nursery(spray("a", 0)), changed(nursery(spray("a", 0)), open(1, 600)),
			model.Plan{fresh(0, 10)}, nil},
		{"a sprayer used after it closes", "R4", changed(nursery(spray("a", 0)), open(0, 70)), changed(nursery(spray("a", 0)), open(0, 69)),
			model.Plan{fresh(0, 10)}, nil},
		{"two jobs of one person", "R5", nursery(prune("a"), prune("b")), nil, model.Plan{by(0, 0), by(0, 60)}, model.Plan{by(0, 0), by(0, 59)}},
		{"the way to another site", "R5", nursery(prune("a"), far), nil, model.Plan{by(0, 0), by(0, 75)}, model.Plan{by(0, 0), by(0, 74)}},
		{"the way before the mixing", "R5", nursery(far, spray("a", 0)), nil,
			model.Plan{by(0, 0), fresh(0, 85)}, model.Plan{by(0, 0), fresh(0, 84)}},
		{"the end of a shift", "R5", nursery(prune("a")), nil, model.Plan{by(0, 540)}, model.Plan{by(0, 541)}},
		{"protective equipment for too long", "R6", changed(nursery(masked, masked), allowed), changed(nursery(masked, masked), limited),
			model.Plan{by(0, 0), by(0, 60)}, nil},
		{"exclusive work and another", "R7", nursery(in(prune("a"), 0, true, 30, -1), in(prune("b"), 0, false, 0, -1)), nil,
			model.Plan{by(0, 0), by(1, 90)}, model.Plan{by(0, 0), by(1, 89)}},
		{"the tail of shared work before exclusive work", "R7", nursery(in(prune("a"), 0, false, 30, -1), in(prune("b"), 0, true, 0, -1)), nil,
			model.Plan{by(0, 0), by(1, 90)}, model.Plan{by(0, 0), by(1, 89)}},
		{"exclusive work under another closure", "R7",
			nursery(in(prune("a"), 0, true, 30, 1), in(prune("b"), 0, true, 30, 1)),
			nursery(in(prune("a"), 0, true, 30, 1), in(prune("b"), 0, true, 30, 2)),
			model.Plan{by(0, 0), by(1, 20)}, nil},
		{"work where it is closed", "R7", changed(nursery(in(prune("a"), 0, false, 30, -1)), closed(60, 80)),
			changed(nursery(in(prune("a"), 0, false, 30, -1)), closed(59, 80)), model.Plan{by(0, 0)}, nil},
		{"a tail where it must be open", "R7", changed(nursery(in(prune("a"), 0, true, 30, -1)), engaged(90, 99)),
			changed(nursery(in(prune("a"), 0, true, 30, -1)), engaged(89, 99)), model.Plan{by(0, 0)}, nil},
		{"more than a pool holds", "R8", nursery(wide, narrow), nil, model.Plan{by(0, 0), by(1, 60)}, model.Plan{by(0, 0), by(1, 59)}},
		{"a shortest interval from the end", "R9", lag(100, true, false), nil, model.Plan{by(0, 0), by(0, 160)}, model.Plan{by(0, 0), by(0, 159)}},
		{"a shortest interval to the end", "R9", lag(100, false, true), nil, model.Plan{by(0, 60), by(1, 100)}, model.Plan{by(0, 60), by(1, 99)}},
		{"a longest interval", "R9", lag(-100, false, false), nil, model.Plan{by(0, 200), by(1, 100)}, model.Plan{by(0, 200), by(1, 99)}},
		{"a job without what it needs", "R10", nursery(prune("first"), needing), nil,
			model.Plan{left, left}, model.Plan{left, by(0, 0)}},
		{"a pinned start", "R11", nursery(pinned), nil, model.Plan{by(0, 60)}, model.Plan{by(0, 61)}},
		{"a pinned person", "R11", nursery(pinned), nil, model.Plan{by(0, 60)}, model.Plan{by(1, 60)}},
		{"a pinned way", "R11", nursery(cartOnly), nil, model.Plan{withWay(fresh(0, 60), 1)}, model.Plan{fresh(0, 60)}},
		{"a pinned job left out", "R11", nursery(pinned), nil, model.Plan{by(0, 60)}, model.Plan{left}},
		{"a load that nobody began", "R12", nursery(small), nil, model.Plan{fresh(0, 60)}, model.Plan{by(0, 60)}},
		{"a load of another mix", "R12", nursery(spray("a", 0), spray("b", 1)), nil,
			model.Plan{fresh(0, 10), fresh(0, 100)}, model.Plan{fresh(0, 10), by(0, 90)}},
		{"a load that is too old", "R12", nursery(spray("a", 0), spray("b", 0)), nil,
			model.Plan{fresh(0, 10), by(0, 70)}, model.Plan{fresh(0, 10), by(0, 71)}},
		{"a load of handwork", "R12", nursery(prune("a")), nil, model.Plan{by(0, 0)}, model.Plan{fresh(0, 0)}},
		{"a sprayer that cannot hold its smallest load", "R12", nursery(spray("a", 0)),
			changed(nursery(spray("a", 0)), func(p *model.Problem) { p.Stations[0].SmallestLoad = 100_001 }), model.Plan{fresh(0, 10)}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, plan := c.broken, c.breaks
			if p == nil {
				p = c.kept
			}
			if plan == nil {
				plan = c.keeps
			}
			require.NoError(t, c.kept.Validate())
			require.Empty(t, broken(c.kept, c.keeps))
			require.Equal(t, []string{c.rule}, broken(p, plan))
		})
	}
}

// everLasting gives everybody one shift that is longer than the plan.
func everLasting(p *model.Problem) {
	for i := range p.People {
		p.People[i].Shifts = []model.Shift{{Span: model.Span{From: -100, To: 5000}, Overtime: 5000}}
	}
}

func holding(mix int32) func(*model.Problem) {
	return func(p *model.Problem) { p.Stations[0].Holds = mix }
}

func open(from, to model.Minute) func(*model.Problem) {
	return func(p *model.Problem) { p.Stations[0].Open = []model.Span{{From: from, To: to}} }
}

func closed(from, to model.Minute) func(*model.Problem) {
	return func(p *model.Problem) { p.Spaces[0].Closed = []model.Span{{From: from, To: to}} }
}

func engaged(from, to model.Minute) func(*model.Problem) {
	return func(p *model.Problem) { p.Spaces[0].Engaged = []model.Span{{From: from, To: to}} }
}

func TestProtectiveEquipmentCountsByTheDayAJobBegins(t *testing.T) {
	masked := prune("masked")
	masked.Protected = true
	p := nursery(masked, masked)
	everLasting(p)
	p.People[0].MaxProtected = 60
	require.Empty(t, broken(p, model.Plan{by(0, 1380), by(0, 1440)}))
	require.Equal(t, []string{"R6"}, broken(p, model.Plan{by(0, 1379), by(0, 1439)}))
}

func TestWhatWasWornBeforeThePlanCountsOnTheFirstDayOnly(t *testing.T) {
	masked := prune("masked")
	masked.Protected = true
	p := nursery(masked, masked)
	everLasting(p)
	p.People[0].MaxProtected, p.People[0].Worn = 100, 40
	require.Empty(t, broken(p, model.Plan{by(0, 60), by(0, 1440)}))
	p.People[0].Worn = 41
	require.Equal(t, []string{"R6"}, broken(p, model.Plan{by(0, 60), by(0, 1440)}))
}

func TestHeatAndProtectiveEquipmentCountTogether(t *testing.T) {
	masked := prune("masked")
	masked.Protected = true
	warm := prune("warm")
	warm.Hot = []model.Span{{From: 100, To: 140}, {From: 150, To: 400}}
	p := nursery(masked, warm)
	p.People[0].MaxProtected = 90
	require.Empty(t, broken(p, model.Plan{by(0, 0), by(0, 70)}), "60 minutes in equipment, 30 of the hour in heat")
	require.Equal(t, []string{"R6"}, broken(p, model.Plan{by(0, 0), by(0, 71)}))
	require.Empty(t, broken(p, model.Plan{by(0, 0), by(1, 200)}), "Bo has no limit")
	_, violations := checker.Check(p, model.Plan{by(0, 0), by(0, 110)})
	require.Equal(t, "With warm, Ana is in protective equipment or heat for 110 minutes in one day, 50 of them in heat without it; at most 90 are allowed.", violations[0].Text)
}

func TestHandworkBetweenTwoJobsOfALoadLeavesTheTankAsItIs(t *testing.T) {
	machine := spray("machine", model.None)
	machine.Ways = []model.Way{{Station: 0, Duration: 20}}
	p := nursery(spray("a", 0), machine, spray("b", 0))
	p.Mixes[0].Life = 200
	require.Empty(t, broken(p, model.Plan{fresh(0, 10), by(0, 70), by(0, 90)}))
}

func TestAViolationNamesTheJobsAndSaysWhatIsWrong(t *testing.T) {
	p := nursery(in(prune("spray roses"), 0, true, 30, -1), in(prune("water roses"), 0, false, 0, -1))
	_, violations := checker.Check(p, model.Plan{by(0, 0), by(1, 80)})
	require.Equal(t, []checker.Violation{{
		Rule: "R7", Job: 1, Other: 0,
		Text: "water roses is in house 1 from minute 80, while spray roses keeps it until minute 90.",
	}}, violations)
}

func TestEveryViolationIsReportedInTheOrderOfTheRules(t *testing.T) {
	job := prune("a")
	job.Deadline = 50
	job.Pin = &model.Pin{Start: 0, Person: 1, Way: model.None}
	p := nursery(job, prune("b"), prune("c"))
	require.Equal(t, []string{"R2", "R5", "R5", "R5", "R11", "R11"},
		broken(p, model.Plan{by(0, 10), by(0, 20), by(0, 30)}))
}

func TestAPlanThatIsTooShortIsReportedAndItsMissingJobsCountAsLeftOut(t *testing.T) {
	p := nursery(prune("a"), prune("b"))
	score, violations := checker.Check(p, model.Plan{by(0, 0)})
	require.Len(t, violations, 1)
	require.Equal(t, int64(1), score.Skipped)
}

// With a start near the end of an int32 the end of the job would be long before it.
func TestAStartThatNoPlanHoldsIsReportedAndCostsNothing(t *testing.T) {
	vent := prune("vent")
	vent.Manned, vent.People, vent.LateWeight, vent.Due = false, nil, 1, 0
	for _, start := range []model.Minute{math.MaxInt32 - 10, math.MinInt32 + 10} {
		score, violations := checker.Check(nursery(vent), model.Plan{by(model.None, start)})
		require.Len(t, violations, 1)
		require.Equal(t, "R2", violations[0].Rule)
		require.Zero(t, score)
	}
}

func TestAListOfHoursWithoutAnyIsTheSameAsNone(t *testing.T) {
	job := spray("a", 0)
	job.Windows = []model.Span{}
	p := nursery(job)
	p.Stations[0].Open = []model.Span{}
	require.Empty(t, broken(p, model.Plan{fresh(0, 100)}))
}

func TestOnlyConsecutiveJobsOfAPersonNeedTheWay(t *testing.T) {
	far, nowhere := prune("far"), prune("nowhere")
	far.Site, nowhere.Site = 1, model.None
	p := nursery(prune("near"), far, nowhere)
	require.Equal(t, []string{"R5"}, broken(p, model.Plan{by(0, 0), by(0, 60), by(0, 300)}))
	require.Empty(t, broken(p, model.Plan{by(0, 0), by(0, 120), by(0, 60)}))
}

// After copper the sprayer is rinsed even for more of the same.
func TestAJobThatJoinsALoadIsRinsedForWhenTheTableSaysSo(t *testing.T) {
	p := nursery(spray("a", 0), spray("b", 0))
	p.Rinses[0][1][0] = model.Rinse{Minutes: 5}
	p.Mixes[0].Life = 125
	require.Empty(t, broken(p, model.Plan{fresh(0, 100), by(0, 165)}))
	require.Equal(t, []string{"R4", "R5"}, broken(p, model.Plan{fresh(0, 100), by(0, 164)}))
}
