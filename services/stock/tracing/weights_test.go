package tracing

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestShippedWeightsAreRead(t *testing.T) {
	weights := Shipped()
	require.NotEmpty(t, weights.Source)
	for _, kind := range Kinds {
		require.Positive(t, weights.of(kind, Routes), kind)
	}
	// What is closer never counts less.
	for _, route := range Routes {
		one := []Route{route}
		require.GreaterOrEqual(t, weights.of(Plants, one), weights.of(SameBench, one), route)
		require.GreaterOrEqual(t, weights.of(SameBench, one), weights.of(NeighbourBench, one), route)
		require.GreaterOrEqual(t, weights.of(NeighbourBench, one), weights.of(House, one), route)
	}
}

func TestWeightsFilesThatAreRefused(t *testing.T) {
	good := string(weightsFile)
	for _, test := range []struct{ name, from, to, want string }{
		{"no source", "source:", "# source:", "must say where the numbers come from"},
		{"unknown field", "half_hours: 24", "hours: 24", "field hours not found"},
		{"unknown kind", "kind: crate", "kind: trolley", `kind "trolley": is no kind of contact`},
		{"kind missing", "kind: crate", "kind: trolley", `kind "crate" is missing`},
		{"kind twice", "kind: crate", "kind: house", `kind "house" stands there twice`},
		{"unknown route", "{tools: 0.5}", "{knives: 0.5}", `"knives" is no route`},
		{"above 1", "{tools: 0.5}", "{tools: 1.5}", "must be above 0 and at most 1"},
		{"no number", "{tools: 0.5}", "{tools: .nan}", "must be above 0 and at most 1"},
		{"nothing carried", "{tools: 0.5}", "{}", "needs either carries or carries_any"},
		{"time missing", "    half_hours: 24\n", "", "half_hours belongs to kinds that count by time"},
		{"time of no length", "half_hours: 24", "half_hours: 0", "must be above 0"},
		{"disinfecting missing", "    disinfected: 0.1\n", "", "must stand there"},
		{"disinfecting makes worse", "disinfected: 0.1", "disinfected: 2", "must be from 0 to 1"},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Contains(t, good, test.from)
			_, err := ReadWeights([]byte(strings.Replace(good, test.from, test.to, 1)))
			require.ErrorContains(t, err, test.want)
		})
	}
}

// FuzzReadWeights feeds any bytes to the reader: it never panics, and what it takes
// keeps every exposure between 0 and 100.
func FuzzReadWeights(f *testing.F) {
	f.Add(weightsFile)
	f.Add([]byte("contacts: [{kind: plants, carries_any: 1e-320}]"))
	f.Add([]byte("contacts: [{kind: bench, half_hours: .inf, carries: {air: .nan}}]"))
	facts := Facts{
		Benches: []Bench{{ID: at("h1", "b1"), WaterLine: "ebb"}},
		Stays:   []Stay{stay("sick", "b1", day(2, 0), day(4, 0)), stay("a", "b1", day(1, 0), day(3, 0))},
		Lines:   []Line{{Lot: "a", Ancestor: "sick", Until: day(3, 0)}},
		Handlings: []Handling{
			{ID: "1", Lots: []string{"sick", "a"}, Worker: "w", ToolSet: "k", Crate: "c", Disinfected: true, Start: day(2, 1), End: day(2, 2)},
		},
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		weights, err := ReadWeights(data)
		if err != nil {
			return
		}
		for _, exposed := range Trace(facts, asked(), weights) {
			require.True(t, exposed.Tenths >= 0 && exposed.Tenths <= 1000, exposed)
		}
	})
}
