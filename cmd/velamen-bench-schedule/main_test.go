package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
	"velamen/services/schedule/model"
	"velamen/services/schedule/search"
)

// The optimum is that of Fisher and Thompson 1963.
func TestPublishedRowSaysCostBestAndBound(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), options{published: time.Minute, only: "ft06", json: true}, &out))
	var r report
	require.NoError(t, json.Unmarshal(out.Bytes(), &r))
	require.Len(t, r.Published, 1)
	require.Equal(t, int64(55), r.Published[0].Cost)
	require.Equal(t, int64(55), r.Published[0].Best)
	require.LessOrEqual(t, r.Published[0].Bound, int64(55))
	require.Empty(t, r.Nurseries)
}

// Schwindt 1998 lists UBO10 psp1 as without a plan.
func TestPublishedProblemWithoutAPlanIsProvenToHaveNone(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, run(t.Context(), options{published: 200 * time.Millisecond, only: "UBO10 psp1"}, &out))
	require.Regexp(t, `UBO10 psp1 +- +none +- +- +- +\d+ +\d+ ms +yes +search of all orders`, out.String())
}

func TestAMissedOptimumAndAFalseProofFailTheirGates(t *testing.T) {
	for _, test := range []struct {
		row  publishedRow
		says string
	}{
		{publishedRow{Name: "ft06", Cost: 56, Best: 55, Bound: 52}, "in place of the optimum"},
		{publishedRow{Name: "la01", Cost: 666, Best: 666, Bound: 665}, "does not prove"},
		{publishedRow{Name: "la02", Cost: 654, Best: 655, Bound: 600}, "better than the optimum"},
		{publishedRow{Name: "la02", Cost: 660, Best: 655, Bound: 656}, "above the optimum"},
		{publishedRow{Name: "la02", Cost: 660, Best: 655, Bound: 655, Proven: true}, "said to be proven"},
		{publishedRow{Name: "UBO10 psp1", Cost: 40, Best: -1, Bound: -1, Proven: true}, "where there is none"},
		{publishedRow{Name: "UBO10 psp1", Cost: -1, Best: -1, Bound: -1}, "not proven that there is no plan"},
	} {
		r := &report{}
		test.row.gates(r)
		require.Len(t, r.Failed, 1)
		require.Contains(t, r.Failed[0], test.says)
	}
}

func TestAGapToNothingIsUnknown(t *testing.T) {
	require.Equal(t, "unknown", percent(5, 0))
	require.Equal(t, "0.0%", percent(0, 0))
	require.Equal(t, "-", percent(-1, 5))
	require.Equal(t, "10.0%", percent(11, 10))
}

func TestAPlanByHandThatIsBetterFailsItsGate(t *testing.T) {
	row := nurseryRow{Jobs: 50, Plans: []planRow{
		{Name: "a", LeftOutWeight: 0, Cost: 9}, {Name: "b", LeftOutWeight: 1, Cost: 1}, {Name: "search", LeftOutWeight: 0, Cost: 10},
	}}
	r := &report{}
	row.gates(r)
	require.Equal(t, []string{"nursery 50: a is better than the search"}, r.Failed)
}

func TestAPlanIsHeldAgainstTheBoundOfPlansThatLeaveOutTheSame(t *testing.T) {
	p := benchmark.Nursery(nurserySeed, 50)
	plan := benchmark.EarliestDueFirst(p)
	var m measured
	m.result.Plan, m.result.Score = plan, search.Evaluate(p, plan)
	require.Positive(t, m.result.Score.Skipped)
	var row nurseryRow
	require.NoError(t, row.bounds(t.Context(), p, m))
	require.True(t, row.BoundSame)
	b, err := bound.Leaving(t.Context(), p, plan)
	require.NoError(t, err)
	require.Equal(t, b.Total/1_000_000, row.Bound)

	m.result.Score.Skipped = 0
	require.NoError(t, row.bounds(t.Context(), p, m))
	require.False(t, row.BoundSame)
	b, err = bound.Of(t.Context(), p)
	require.NoError(t, err)
	require.Equal(t, b.Total/1_000_000, row.Bound)
}

func TestANurseryPlanBelowItsBoundFailsItsGate(t *testing.T) {
	plan := planRow{Name: "search", Cost: 10}
	row := nurseryRow{Jobs: 50, Bound: 11, Plans: []planRow{plan, plan, plan}}
	r := &report{}
	row.gates(r)
	require.Equal(t, []string{"nursery 50: the bound 11 is above the plan for 10"}, r.Failed)
}

func TestTheChangedJobWaitsADayAndTheOthersAreTold(t *testing.T) {
	p := benchmark.Nursery(1, 500)
	plan := benchmark.EarliestDueFirst(p)
	changed, job, err := delayed(p, plan)
	require.NoError(t, err)
	require.NoError(t, changed.Validate())
	require.Equal(t, plan[job].Start+24*60, changed.Jobs[job].Release)
	require.Nil(t, p.Jobs[job].Told, "the problem that was given stays as it is")
	for j := range changed.Jobs {
		require.Equal(t, plan[j].Placed && int32(j) != job, changed.Jobs[j].Told != nil)
	}
}

func TestAPlainProblemIsWrittenWithEveryJobAndLag(t *testing.T) {
	p := plain(3)
	require.NoError(t, p.Validate())
	data := crossData(p)
	for _, name := range []string{"minutes", "release", "deadline", "due", "late", "station", "person", "space", "tail"} {
		_, rest, found := strings.Cut(data, "\n"+name+" = [")
		require.True(t, found, name)
		values, _, _ := strings.Cut(rest, "]")
		require.Len(t, strings.Split(strings.TrimSuffix(values, ","), ","), len(p.Jobs), name)
	}
	require.Equal(t, len(p.Lags), strings.Count(lineOf(data, "least"), ","))
	require.Equal(t, model.Minute(40), p.Horizon)
}

func lineOf(data, name string) string {
	for line := range strings.Lines(data) {
		if strings.HasPrefix(line, name+" = ") {
			return line
		}
	}
	return ""
}
