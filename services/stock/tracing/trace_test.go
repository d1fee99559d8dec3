package tracing

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"github.com/stretchr/testify/require"
)

// day returns a moment of March 2026, UTC.
func day(d, hour int) time.Time { return time.Date(2026, 3, d, hour, 0, 0, 0, time.UTC) }

var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

func at(house, bench string) BenchID { return BenchID{House: house, Bench: bench} }

func stay(lot, bench string, from, until time.Time) Stay {
	return Stay{Lot: lot, Bench: at("h1", bench), From: from, Until: until}
}

func rect(x, y, length, width float64) *Rectangle {
	return &Rectangle{X: decimal.NewFromFloat(x), Y: decimal.NewFromFloat(y), Length: decimal.NewFromFloat(length), Width: decimal.NewFromFloat(width)}
}

// asked is a question about lot "sick" between 1 and 11 March, all routes counting.
func asked(routes ...Route) Question {
	if len(routes) == 0 {
		routes = Routes
	}
	return Question{Infected: []string{"sick"}, Start: day(1, 0), End: day(11, 0), Routes: routes, Zone: time.UTC}
}

// kinds says which kinds of contact each lot had.
func kinds(exposed []Exposed) map[string][]Kind {
	found := map[string][]Kind{}
	for _, e := range exposed {
		for _, kind := range Kinds {
			for _, c := range e.Contacts {
				if c.Kind == kind {
					found[e.Lot] = append(found[e.Lot], kind)
				}
			}
		}
	}
	return found
}

func TestWhoStoodWhereAndWhen(t *testing.T) {
	benches := []Bench{
		{ID: at("h1", "b1"), WaterLine: "ebb", Neighbours: []BenchID{at("h1", "b2")}, Place: rect(0, 0, 4, 1)},
		{ID: at("h1", "b2")},
		{ID: at("h1", "b3"), Place: rect(0, 2.5, 4, 1)},
		{ID: at("h1", "b4"), Place: rect(0, 2.51, 4, 1), WaterLine: "ebb"},
		{ID: at("h2", "b5"), WaterLine: "ebb"},
	}
	for _, test := range []struct {
		name  string
		stays []Stay
		want  map[string][]Kind
	}{
		{"the same bench at the same time", []Stay{stay("a", "b1", day(3, 0), day(5, 0))}, map[string][]Kind{"a": {SameBench, WaterLine, House}}},
		{"gone before the infected lot came", []Stay{stay("a", "b1", day(1, 0), day(2, 0))}, nil},
		{"come after it left", []Stay{stay("a", "b1", day(8, 0), forever)}, nil},
		{"before the window", []Stay{stay("a", "b1", day(1, 0).AddDate(0, -1, 0), day(1, 0))}, nil},
		{"a bench named beside it", []Stay{stay("a", "b2", day(3, 0), day(5, 0))}, map[string][]Kind{"a": {NeighbourBench, House}}},
		{"a bench measured 1.5 m away", []Stay{stay("a", "b3", day(3, 0), day(5, 0))}, map[string][]Kind{"a": {NeighbourBench, House}}},
		{"a bench measured 1.51 m away", []Stay{stay("a", "b4", day(3, 0), day(5, 0))}, map[string][]Kind{"a": {WaterLine, House}}},
		{"the same water in another house", []Stay{{Lot: "a", Bench: at("h2", "b5"), From: day(3, 0), Until: forever}}, map[string][]Kind{"a": {WaterLine}}},
	} {
		t.Run(test.name, func(t *testing.T) {
			facts := Facts{Benches: benches, Stays: append(test.stays, stay("sick", "b1", day(2, 0), day(8, 0)))}
			if test.want == nil {
				test.want = map[string][]Kind{}
			}
			require.Equal(t, test.want, kinds(Trace(facts, asked(), Shipped())))
		})
	}
}

func TestOnlyTheRoutesOfTheDisorderCount(t *testing.T) {
	facts := Facts{
		Benches: []Bench{{ID: at("h1", "b1"), WaterLine: "ebb"}},
		Stays:   []Stay{stay("sick", "b1", day(2, 0), forever), stay("a", "b1", day(2, 0), forever)},
	}
	require.Equal(t, map[string][]Kind{"a": {SameBench, WaterLine}}, kinds(Trace(facts, asked("water"), Shipped())))
	require.Equal(t, map[string][]Kind{"a": {SameBench, House}}, kinds(Trace(facts, asked("air"), Shipped())))
	require.Empty(t, Trace(facts, asked("tools"), Shipped()))
}

func TestPlantsAreFollowedAlongTheirLineage(t *testing.T) {
	// sick and part were split off parent on 4 March; before that parent stood beside other.
	facts := Facts{
		Benches: []Bench{{ID: at("h1", "b1")}, {ID: at("h1", "b2")}, {ID: at("h1", "b3")}},
		Stays: []Stay{
			stay("parent", "b1", day(1, 0), forever), stay("other", "b1", day(1, 0), day(3, 0)),
			stay("sick", "b2", day(4, 0), forever), stay("part", "b3", day(4, 0), forever), stay("new", "b1", day(5, 0), forever),
		},
		Lines: []Line{
			{Lot: "sick", Ancestor: "sick", Until: forever},
			{Lot: "sick", Ancestor: "parent", Until: day(4, 0)}, {Lot: "part", Ancestor: "parent", Until: day(4, 0)},
		},
	}
	require.Equal(t, map[string][]Kind{
		"parent": {Plants, SameBench}, "part": {SameBench}, "other": {SameBench},
	}, kinds(Trace(facts, asked("splash"), Shipped())), "new came to b1 when the plants of sick had left it")

	facts.Lines = []Line{{Lot: "part", Ancestor: "sick", Until: day(1, 0).Add(-time.Second)}}
	require.NotContains(t, kinds(Trace(facts, asked("splash"), Shipped())), "part", "split off before the window")
}

func handled(id string, start, end time.Time, lots ...string) Handling {
	return Handling{ID: id, Lots: lots, Start: start, End: end}
}

func TestHandledAfterTheInfectedLot(t *testing.T) {
	with := func(h Handling, worker, tools, crate string) Handling {
		h.Worker, h.ToolSet, h.Crate = worker, tools, crate
		return h
	}
	zone := time.FixedZone("UTC+2", 2*60*60)
	for _, test := range []struct {
		name      string
		handlings []Handling
		want      map[string][]Kind
	}{
		{"in one handling the order decides", []Handling{with(handled("1", day(3, 8), day(3, 9), "a", "sick", "b"), "w", "knife", "tray")},
			map[string][]Kind{"b": {ToolSet, Worker, Crate}}},
		{"tools and crates stay dirty for days, hands until the evening", []Handling{
			with(handled("1", day(3, 8), day(3, 9), "sick"), "w", "knife", "tray"),
			with(handled("2", day(3, 12), day(3, 13), "a"), "w", "", ""),
			with(handled("3", day(6, 8), day(6, 9), "b"), "w", "knife", "tray"),
		}, map[string][]Kind{"a": {Worker}, "b": {ToolSet, Crate}}},
		{"the day is the nursery's", []Handling{
			with(handled("1", day(3, 20), day(3, 21), "sick"), "w", "", ""),
			with(handled("2", day(3, 22), day(3, 23), "a"), "w", "", ""), // midnight in UTC+2
		}, map[string][]Kind{}},
		{"before the infected lot", []Handling{
			with(handled("1", day(3, 8), day(3, 9), "sick"), "w", "knife", "tray"), with(handled("2", day(3, 7), day(3, 8), "a"), "w", "knife", "tray"),
		}, map[string][]Kind{}},
		{"work that overlaps may have come after", []Handling{
			with(handled("1", day(3, 8), day(3, 10), "sick"), "w", "", ""), with(handled("2", day(3, 7), day(3, 9), "a"), "w", "", ""),
		}, map[string][]Kind{"a": {Worker}}},
		{"other people with other tools", []Handling{
			with(handled("1", day(3, 8), day(3, 9), "sick"), "w", "knife", "tray"), with(handled("2", day(3, 10), day(3, 11), "a"), "v", "shears", ""),
		}, map[string][]Kind{}},
		{"outside the window", []Handling{
			with(handled("1", day(1, 0).Add(-2*time.Hour), day(1, 0).Add(-time.Hour), "sick", "a"), "w", "knife", "tray"),
		}, map[string][]Kind{}},
	} {
		t.Run(test.name, func(t *testing.T) {
			q := asked("tools", "hands", "pots")
			q.Zone = zone
			require.Equal(t, test.want, kinds(Trace(Facts{Handlings: test.handlings}, q, Shipped())))
		})
	}
}

func TestWhatWasSplitOffAfterTheWorkWasWorkedOnToo(t *testing.T) {
	facts := Facts{
		Handlings: []Handling{{ID: "1", Lots: []string{"parent", "a"}, ToolSet: "knife", Start: day(2, 8), End: day(2, 9)}},
		Lines: []Line{
			{Lot: "sick", Ancestor: "parent", Until: day(4, 0)},
			{Lot: "part", Ancestor: "a", Until: day(5, 0)}, {Lot: "old", Ancestor: "a", Until: day(2, 7)},
		},
	}
	require.Equal(t, map[string][]Kind{"a": {ToolSet}, "part": {ToolSet}, "parent": {Plants}}, kinds(Trace(facts, asked("tools"), Shipped())))
}

func TestDisinfectedToolsCountLess(t *testing.T) {
	dirty := []Handling{
		{ID: "1", Lots: []string{"sick"}, ToolSet: "knife", Start: day(3, 8), End: day(3, 9)},
		{ID: "3", Lots: []string{"a"}, ToolSet: "knife", Start: day(5, 8), End: day(5, 9)},
	}
	between := Handling{ID: "2", Lots: []string{"sound"}, ToolSet: "knife", Disinfected: true, Start: day(4, 8), End: day(4, 9)}
	trace := func(handlings ...Handling) Exposed {
		for _, exposed := range Trace(Facts{Handlings: handlings}, asked("tools"), Shipped()) {
			if exposed.Lot == "a" {
				return exposed
			}
		}
		t.Fatal("a was not exposed")
		return Exposed{}
	}
	require.Equal(t, 500, trace(dirty...).Tenths)
	require.Equal(t, 50, trace(dirty[0], between, dirty[1]).Tenths)
	clean := dirty[0]
	clean.Disinfected = true
	require.Equal(t, 50, trace(clean, dirty[1]).Tenths)
	require.True(t, trace(clean, dirty[1]).Contacts[0].Disinfected)
	between.ToolSet = "shears"
	require.Equal(t, 500, trace(dirty[0], between, dirty[1]).Tenths, "other tools were disinfected")
}

// The numbers of the exposure, worked by hand from data/weights.yaml.
func TestExposureIsWhatTheFormulaSays(t *testing.T) {
	facts := Facts{
		Benches: []Bench{{ID: at("h1", "b1"), WaterLine: "ebb"}},
		Stays:   []Stay{stay("sick", "b1", day(2, 0), day(4, 0)), stay("a", "b1", day(1, 0), day(3, 0))},
	}
	exposed := Trace(facts, asked("splash", "water"), Shipped())
	require.Len(t, exposed, 1)
	// 24 h together: bench (1 - 0.4*0.6) * 24/48 = 0.38, water line 0.5 * 24/72 = 1/6.
	require.Equal(t, 483, exposed[0].Tenths) // 1 - 0.62 * 5/6
	require.Equal(t, 24*time.Hour, exposed[0].Contacts[0].Together)
	require.Equal(t, day(2, 0), exposed[0].Contacts[0].Start)
	require.Equal(t, day(3, 0), exposed[0].Contacts[0].End)
}

// nurseryOf returns facts of a small nursery drawn at random.
func nurseryOf(r *rand.Rand) Facts {
	lots := []string{"sick", "a", "b", "c", "d"}
	benches := []string{"b1", "b2", "b3"}
	facts := Facts{Benches: []Bench{
		{ID: at("h1", "b1"), WaterLine: "ebb", Place: rect(0, 0, 4, 1)}, {ID: at("h1", "b2"), Place: rect(0, 2, 4, 1)},
		{ID: at("h1", "b3"), WaterLine: "ebb", Neighbours: []BenchID{at("h1", "b1")}},
	}}
	for _, lot := range lots {
		from := day(1, 0).AddDate(0, 0, -r.IntN(5))
		for range 1 + r.IntN(3) {
			until := from.Add(time.Duration(1+r.IntN(150)) * time.Hour)
			facts.Stays = append(facts.Stays, stay(lot, benches[r.IntN(3)], from, until))
			from = until
		}
	}
	for i := range r.IntN(6) {
		start := day(1+r.IntN(9), r.IntN(24))
		h := Handling{ID: string(rune('a' + i)), Worker: "w", ToolSet: "knife", Start: start, End: start.Add(time.Duration(r.IntN(3)) * time.Hour)}
		for _, lot := range r.Perm(len(lots))[:1+r.IntN(3)] {
			h.Lots = append(h.Lots, lots[lot])
		}
		facts.Handlings = append(facts.Handlings, h)
	}
	if r.IntN(2) == 0 {
		facts.Lines = append(facts.Lines, Line{Lot: "d", Ancestor: "sick", Until: day(1+r.IntN(9), 0)})
	}
	if r.IntN(2) == 0 {
		facts.Lines = append(facts.Lines, Line{Lot: "sick", Ancestor: "c", Until: day(1+r.IntN(9), 0)})
	}
	return facts
}

func tenths(exposed []Exposed) map[string]int {
	found := map[string]int{}
	for _, e := range exposed {
		found[e.Lot] = e.Tenths
	}
	return found
}

func TestMoreTimeTogetherNeverLowersTheExposure(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		facts := nurseryOf(r)
		before := tenths(Trace(facts, asked(), Shipped()))
		i := r.IntN(len(facts.Stays))
		facts.Stays[i].Until = facts.Stays[i].Until.Add(time.Duration(1+r.IntN(100)) * time.Hour)
		if r.IntN(2) == 0 {
			facts.Handlings = append(facts.Handlings, Handling{ID: "z", Lots: []string{"sick", "a"}, Worker: "w", ToolSet: "knife", Start: day(10, 1), End: day(10, 2)})
		}
		after := tenths(Trace(facts, asked(), Shipped()))
		for lot, exposure := range before {
			require.GreaterOrEqual(t, after[lot], exposure, "%s of %+v", lot, facts)
		}
	}
}

func TestAShorterWindowNeverAddsContacts(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	type contact struct {
		lot, infected, through string
		kind                   Kind
	}
	set := func(exposed []Exposed) map[contact]bool {
		found := map[contact]bool{}
		for _, e := range exposed {
			for _, c := range e.Contacts {
				found[contact{e.Lot, c.Infected, c.Through, c.Kind}] = true
			}
		}
		return found
	}
	for range 2000 {
		facts, q := nurseryOf(r), asked()
		all := set(Trace(facts, q, Shipped()))
		q.Start, q.End = q.Start.Add(time.Duration(r.IntN(100))*time.Hour), q.End.Add(-time.Duration(r.IntN(100))*time.Hour)
		for c := range set(Trace(facts, q, Shipped())) {
			require.Contains(t, all, c, "%+v", facts)
		}
	}
}

func TestTheOrderOfFactsDoesNotMatter(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	for range 500 {
		facts, q := nurseryOf(r), asked()
		q.Infected = []string{"sick", "b"}
		want := Trace(facts, q, Shipped())
		for range 3 {
			r.Shuffle(len(facts.Stays), func(i, j int) { facts.Stays[i], facts.Stays[j] = facts.Stays[j], facts.Stays[i] })
			r.Shuffle(len(facts.Benches), func(i, j int) { facts.Benches[i], facts.Benches[j] = facts.Benches[j], facts.Benches[i] })
			r.Shuffle(len(facts.Lines), func(i, j int) { facts.Lines[i], facts.Lines[j] = facts.Lines[j], facts.Lines[i] })
			r.Shuffle(len(facts.Handlings), func(i, j int) {
				facts.Handlings[i], facts.Handlings[j] = facts.Handlings[j], facts.Handlings[i]
			})
			q.Infected = []string{"b", "sick"}
			require.Equal(t, want, Trace(facts, q, Shipped()))
		}
	}
}
