package model_test

import (
	"fmt"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
)

// full is a problem in which every field of every type is set.
func full() *model.Problem {
	return &model.Problem{
		Start: 1_700_000_000, Horizon: 2880, Days: []model.Minute{-60, 1380},
		People:   []model.Person{{Name: "Ana", Shifts: []model.Shift{{Span: model.Span{From: 1, To: 600}, Overtime: 480}}, MaxProtected: 120}},
		Stations: []model.Station{{Name: "cart", Tank: 100, SmallestLoad: 20, Graduation: 5, MixMinutes: 10, Open: []model.Span{{From: 1, To: 900}}, Holds: 1, Rinses: 0}},
		Spaces: []model.Space{{
			Name: "house 1", House: 1, Working: []model.Span{{From: 1, To: 2}}, Engaged: []model.Span{{From: 3, To: 4}},
			Closed: []model.Span{{From: 5, To: 6}}, ClosedWeight: 9,
		}, {Name: "house 2"}},
		Pools: []model.Pool{{Name: "vents", Capacity: 2}, {Name: "trolleys", Capacity: 2}},
		Mixes: []model.Mix{{Name: "copper", Life: 120}, {Name: "oil", Life: 60}},
		Rinses: []model.RinseTable{{
			{{Minutes: 1, Volume: 2}, {Minutes: 3, Volume: 4}}, {{Minutes: 5, Volume: 6}, {Minutes: 7, Volume: 8}},
			{{Minutes: 9, Volume: 10}, {Minutes: 11, Volume: 12}},
		}, {{{}, {}}, {{}, {}}, {{}, {}}}},
		Travel: [][]model.Minute{{1, 2}, {3, 4}},
		Jobs: []model.Job{{
			Name: "spray", Site: 0, Mix: 0, Volume: 30, Ways: []model.Way{{Station: 0, Duration: 60}}, Manned: true, People: []int32{0},
			Protected: true, Hot: []model.Span{{From: 100, To: 300}}, Release: 1, Deadline: 900, Due: 800, Windows: []model.Span{{From: 7, To: 800}},
			Occupies: []model.Occupation{{Space: 0, Exclusive: true, Tail: 30, Closure: 1}},
			Demands:  []model.Demand{{Pool: 0, Amount: 1}}, Needs: []int32{1}, LateWeight: 1, WaitWeight: 2, SkipWeight: 3,
			Told: &model.Told{Start: 1, Person: 0, Way: 0, Tolerance: 5, Weight: 6},
			Pin:  &model.Pin{Start: 2, Person: 0, Way: 0},
		}, {Name: "vent", Site: 1, Mix: model.None, Ways: []model.Way{{Station: model.None, Duration: 5}}, SkipWeight: 1}},
		Lags:    []model.Lag{{From: 0, To: 1, FromEnd: true, ToEnd: true, Least: -60}},
		Weights: model.Weights{Finish: 1, Leftover: 2, Rinse: 3, RinseVolume: 4, Overtime: 5},
	}
}

// leaves calls visit for every number, truth and text in v.
func leaves(v reflect.Value, path string, visit func(path string, leaf reflect.Value)) {
	switch v.Kind() {
	case reflect.Pointer:
		if !v.IsNil() {
			leaves(v.Elem(), path, visit)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			leaves(v.Field(i), path+"."+v.Type().Field(i).Name, visit)
		}
	case reflect.Slice:
		for i := range v.Len() {
			leaves(v.Index(i), fmt.Sprintf("%s[%d]", path, i), visit)
		}
	default:
		visit(path, v)
	}
}

func TestEveryFieldOfAProblemChangesItsHash(t *testing.T) {
	p := full()
	seen := map[[32]byte]string{p.Hash(): "nothing"}
	visited := 0
	leaves(reflect.ValueOf(p), "problem", func(path string, leaf reflect.Value) {
		visited++
		before := reflect.New(leaf.Type()).Elem()
		before.Set(leaf)
		switch leaf.Kind() {
		case reflect.String:
			leaf.SetString(leaf.String() + "x")
		case reflect.Bool:
			leaf.SetBool(!leaf.Bool())
		default:
			leaf.SetInt(leaf.Int() + 1_000_003)
		}
		hash := p.Hash()
		require.Empty(t, seen[hash], "the hash does not depend on %s", path)
		seen[hash] = path
		leaf.Set(before)
	})
	require.Greater(t, visited, 100)
	require.Equal(t, full().Hash(), p.Hash())
}

func TestListsThatMoveAnEntryFromOneToTheNextHashApart(t *testing.T) {
	a := &model.Problem{Days: []model.Minute{0, 1}}
	b := &model.Problem{Horizon: 0, Days: []model.Minute{0}, Pools: []model.Pool{{}}}
	require.NotEqual(t, a.Hash(), b.Hash())
}

func TestAnEmptyListHashesAsNone(t *testing.T) {
	require.Equal(t, (&model.Problem{}).Hash(), (&model.Problem{Jobs: []model.Job{}, Travel: [][]model.Minute{}}).Hash())
}

// A plan that is kept for years must still hash to what was written beside it.
func TestTheHashStaysWhatItWas(t *testing.T) {
	p := full()
	require.Equal(t, "c6b041ae7be307c0acbb977e942d08ed155b623fef208a3276e7d5294ff0fb5a", fmt.Sprintf("%x", p.Hash()))
	p.Jobs[0].Hot = nil
	require.Equal(t, "150335d13abbe4f078a2ec28d46ee95e06855fdf2a2e274baa424dafb395a005", fmt.Sprintf("%x", p.Hash()), "as before there was heat")
	plan := model.Plan{{Placed: true, Start: 1, Way: 2, Person: 3, NewLoad: true}, {}}
	require.Equal(t, "efc55fe31fd291fd37607e6b39866f2606c8d1d6e7ccd9d7a3c92e8b374ce774", fmt.Sprintf("%x", plan.Hash()))
}

func TestJobsThatAreLeftOutHashTheSame(t *testing.T) {
	require.Equal(t, model.Plan{{}}.Hash(), model.Plan{{Start: 5, Person: model.None}}.Hash())
	require.NotEqual(t, model.Plan{{}}.Hash(), model.Plan{{Placed: true}}.Hash())
	require.NotEqual(t, model.Plan{{}}.Hash(), model.Plan{{}, {}}.Hash())
}

func TestAProblemWithEveryFieldSetIsValid(t *testing.T) {
	require.NoError(t, full().Validate())
}

func TestAFaultInTheFormIsNamedByItsField(t *testing.T) {
	for _, c := range []struct {
		field  string
		change func(*model.Problem)
	}{
		{"horizon", func(p *model.Problem) { p.Horizon = 0 }},
		{"horizon", func(p *model.Problem) { p.Horizon = model.MaxMinutes + 1 }},
		{"days", func(p *model.Problem) { p.Days = nil }},
		{"days", func(p *model.Problem) { p.Days[0] = 1 }},
		{"days[1]", func(p *model.Problem) { p.Days[1] = p.Days[0] }},
		{"people[0].max_protected", func(p *model.Problem) { p.People[0].MaxProtected = -1 }},
		{"people[0].worn", func(p *model.Problem) { p.People[0].Worn = -1 }},
		{"people[0].worn", func(p *model.Problem) { p.People[0].Worn = 121 }},
		{"people[0].shifts[0].overtime", func(p *model.Problem) { p.People[0].Shifts[0].Overtime = 601 }},
		{"people[0].shifts[0]", func(p *model.Problem) { p.People[0].Shifts[0] = model.Shift{} }},
		{"people[0].shifts[1]", func(p *model.Problem) {
			p.People[0].Shifts = append(p.People[0].Shifts, model.Shift{Span: model.Span{From: 599, To: 700}, Overtime: 700})
		}},
		{"stations[0].tank", func(p *model.Problem) { p.Stations[0].Tank = -1 }},
		{"stations[0].graduation", func(p *model.Problem) { p.Stations[0].Graduation = 0 }},
		{"stations[0].mix_minutes", func(p *model.Problem) { p.Stations[0].MixMinutes = -1 }},
		{"stations[0].open[0]", func(p *model.Problem) { p.Stations[0].Open[0].To = 1 }},
		{"stations[0].holds", func(p *model.Problem) { p.Stations[0].Holds = 2 }},
		{"stations[0].rinses", func(p *model.Problem) { p.Stations[0].Rinses = 2 }},
		{"spaces[0].working[0].from", func(p *model.Problem) { p.Spaces[0].Working[0].From = -model.MaxMinutes - 1 }},
		{"spaces[0].closed_weight", func(p *model.Problem) { p.Spaces[0].ClosedWeight = -1 }},
		{"pools[0].capacity", func(p *model.Problem) { p.Pools[0].Capacity = -1 }},
		{"mixes[1].life", func(p *model.Problem) { p.Mixes[1].Life = -1 }},
		{"rinses[0]", func(p *model.Problem) { p.Rinses[0] = p.Rinses[0][:2] }},
		{"rinses[0][1]", func(p *model.Problem) { p.Rinses[0][1] = nil }},
		{"rinses[0][1][0].minutes", func(p *model.Problem) { p.Rinses[0][1][0].Minutes = -1 }},
		{"travel[1]", func(p *model.Problem) { p.Travel[1] = nil }},
		{"travel[1][0]", func(p *model.Problem) { p.Travel[1][0] = -1 }},
		{"jobs[0].site", func(p *model.Problem) { p.Jobs[0].Site = 2 }},
		{"jobs[0].mix", func(p *model.Problem) { p.Jobs[0].Mix = 2 }},
		{"jobs[0].volume", func(p *model.Problem) { p.Jobs[0].Volume = -1 }},
		{"jobs[0].ways", func(p *model.Problem) { p.Jobs[0].Ways = nil }},
		{"jobs[0].ways[0].station", func(p *model.Problem) { p.Jobs[0].Ways[0].Station = 1 }},
		{"jobs[0].ways[0].duration", func(p *model.Problem) { p.Jobs[0].Ways[0].Duration = 0 }},
		{"jobs[0].people[0]", func(p *model.Problem) { p.Jobs[0].People[0] = 1 }},
		{"jobs[0].people[1]", func(p *model.Problem) { p.Jobs[0].People = []int32{0, 0} }},
		{"jobs[0].deadline", func(p *model.Problem) { p.Jobs[0].Deadline = model.MaxMinutes + 1 }},
		{"jobs[0].windows[1]", func(p *model.Problem) { p.Jobs[0].Windows = []model.Span{{From: 1, To: 3}, {From: 2, To: 4}} }},
		{"jobs[0].hot[0]", func(p *model.Problem) { p.Jobs[0].Hot[0].To = 100 }},
		{"jobs[0].hot[0].to", func(p *model.Problem) { p.Jobs[0].Hot[0].To = model.MaxMinutes + 1 }},
		{"jobs[0].hot[1]", func(p *model.Problem) { p.Jobs[0].Hot = []model.Span{{From: 1, To: 3}, {From: 2, To: 4}} }},
		{"jobs[0].occupies[0].space", func(p *model.Problem) { p.Jobs[0].Occupies[0].Space = 2 }},
		{"jobs[0].occupies[0].tail", func(p *model.Problem) { p.Jobs[0].Occupies[0].Tail = -1 }},
		{"jobs[0].occupies[0].closure", func(p *model.Problem) { p.Jobs[0].Occupies[0].Closure = -2 }},
		{"jobs[0].occupies[1].space", func(p *model.Problem) {
			p.Jobs[0].Occupies = append(p.Jobs[0].Occupies, p.Jobs[0].Occupies[0])
		}},
		{"jobs[0].demands[0].pool", func(p *model.Problem) { p.Jobs[0].Demands[0].Pool = 2 }},
		{"jobs[0].demands[0].amount", func(p *model.Problem) { p.Jobs[0].Demands[0].Amount = -1 }},
		{"jobs[0].demands[1].pool", func(p *model.Problem) { p.Jobs[0].Demands = append(p.Jobs[0].Demands, p.Jobs[0].Demands[0]) }},
		{"jobs[0].needs[0]", func(p *model.Problem) { p.Jobs[0].Needs[0] = 0 }},
		{"jobs[0].skip_weight", func(p *model.Problem) { p.Jobs[0].SkipWeight = 0 }},
		{"jobs[0].told.way", func(p *model.Problem) { p.Jobs[0].Told.Way = 1 }},
		{"jobs[0].pin.start", func(p *model.Problem) { p.Jobs[0].Pin.Start = -2 }},
		{"jobs[0].pin.person", func(p *model.Problem) { p.Jobs[0].Pin.Person = 1 }},
		{"lags[0].to", func(p *model.Problem) { p.Lags[0].To = 0 }},
		{"lags[0].from", func(p *model.Problem) { p.Lags[0].From = -1 }},
		{"lags[0].least", func(p *model.Problem) { p.Lags[0].Least = model.MaxMinutes + 1 }},
		{"weights.finish", func(p *model.Problem) { p.Weights.Finish = model.MaxCost/2880 + 1 }},
		{"weights.overtime", func(p *model.Problem) { p.Weights.Overtime = model.MaxCost / 2880 }},
		{"weights.rinse_volume", func(p *model.Problem) { p.Weights.RinseVolume = model.MaxCost }},
		{"jobs[1].skip_weight", func(p *model.Problem) { p.Jobs[0].SkipWeight, p.Jobs[1].SkipWeight = model.MaxCost, 1 }},
		{"jobs[0].late_weight", func(p *model.Problem) { p.Jobs[0].LateWeight = model.MaxCost }},
		{"weights.leftover", func(p *model.Problem) { p.Weights.Leftover = -1 }},
	} {
		t.Run(c.field, func(t *testing.T) {
			p := full()
			c.change(p)
			require.ErrorContains(t, p.Validate(), c.field+": ")
		})
	}
}

func TestAJobThatCannotBePlannedIsNotAFaultInTheForm(t *testing.T) {
	p := full()
	p.Jobs[0].People = nil
	p.Jobs[0].Deadline = -10
	p.Stations[0].SmallestLoad = 200
	require.NoError(t, p.Validate())
}

func TestProtectiveEquipmentStrainsAllTheTimeAndHeatOnlyTheHotMinutes(t *testing.T) {
	hot := []model.Span{{From: 10, To: 20}, {From: 30, To: 40}}
	job := model.Job{Hot: hot}
	require.Equal(t, model.Minute(0), job.Strained(0, 10))
	require.Equal(t, model.Minute(3), job.Strained(5, 13))
	require.Equal(t, model.Minute(10), job.Strained(15, 35), "five minutes of each span")
	require.Equal(t, model.Minute(0), job.Strained(40, 60))
	job.Protected = true
	require.Equal(t, model.Minute(20), job.Strained(40, 60))
	require.Equal(t, model.Minute(15), job.Strained(5, 20), "hot minutes in protective equipment count once")
}
