package schedule

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/services/treatment"
)

func TestPointsAreExactToAMillionth(t *testing.T) {
	for millionths, want := range map[int64]string{
		0: "0", 1: "0.000001", 1_000_000: "1", 12_500_000: "12.5", 100_000_001: "100.000001", 1 << 60: "1152921504606.846976",
	} {
		require.Equal(t, want, points(millionths))
	}
}

func TestTheGapIsRoundedUpAndNeverClaimedWhereNothingIsKnown(t *testing.T) {
	for _, test := range []struct {
		name       string
		cost, best costs
		want       string
	}{
		{"as good as the best", costs{0, 500}, costs{0, 500}, "0.0"},
		{"it costs nothing", costs{0, 0}, costs{0, 0}, "0.0"},
		{"a tenth worse", costs{0, 1100}, costs{0, 1000}, "10.0"},
		{"a trace worse", costs{0, 1_000_001}, costs{0, 1_000_000}, "0.1"},
		{"three times as much", costs{0, 3000}, costs{0, 1000}, "200.0"},
		{"the bound says nothing", costs{0, 1}, costs{0, 0}, "unknown"},
		{"it leaves out more than must be", costs{5, 100}, costs{0, 100}, "unknown"},
		{"it leaves out what must be", costs{5, 110}, costs{5, 100}, "10.0"},
		{"very large", costs{0, math.MaxInt64}, costs{0, 1}, "922337203685477580600.0"},
	} {
		t.Run(test.name, func(t *testing.T) { require.Equal(t, test.want, gap(test.cost, test.best)) })
	}
}

func TestAReasonStandsOnceAndManyAreCut(t *testing.T) {
	require.Equal(t, "a; b", joinReasons([]string{"a", "b", "a"}))
	require.Equal(t, "something changed", joinReasons(nil))
	var many []string
	for i := range 100 {
		many = append(many, fmt.Sprintf("program p-%d began", i))
	}
	cut := joinReasons(many)
	require.LessOrEqual(t, len(cut), triggerLength)
	require.Regexp(t, `^program p-0 began; .*; and \d+ more$`, cut)
	require.Len(t, joinReasons([]string{strings.Repeat("x", 1000)}), triggerLength)
	require.Less(t, len(joinReasons([]string{strings.Repeat("ø", 1000)})), triggerLength+1)
}

func TestWhatARuleSaidChangesOnlyItsJob(t *testing.T) {
	in := Input{Work: []Work{{Job: "a", Chemical: &Chemical{Product: "p"}}, {Job: "b", Chemical: &Chemical{}}, {Job: "c"}}}
	after := in.with([]learnt{
		{Job: "a", Start: begin, End: begin.Add(time.Hour)},
		{Job: "a", Start: begin.Add(2 * time.Hour), End: begin.Add(3 * time.Hour)},
		{Job: "b", Text: "The label allows no third time.", Out: true},
	})
	require.Len(t, after.Work[0].Chemical.Forbidden, 2)
	require.Equal(t, "p", after.Work[0].Chemical.Product)
	require.Equal(t, "The label allows no third time.", after.Work[1].Impossible)
	require.Empty(t, after.Work[2].Impossible)
	require.Empty(t, in.Work[0].Chemical.Forbidden, "the input stays as it is")
	require.Empty(t, in.Work[1].Impossible)
}

func TestOnlyWhatCanMakeAPlanWorseMakesANewOne(t *testing.T) {
	told := &assignment{job: &schedulev1.PlannedJob{Title: "Spray lot l1", StartTime: timestamppb.New(begin.Add(-time.Hour)), EndTime: timestamppb.New(begin)}}
	confirmed := func(late time.Duration, outcome treatment.Outcome) treatment.Event {
		return treatment.Event{Kind: treatment.EventStepConfirmed, Outcome: outcome, At: begin.Add(late)}
	}
	for _, test := range []struct {
		name  string
		event treatment.Event
		told  *assignment
		want  string
	}{
		{"in time", confirmed(0, treatment.OutcomeDone), told, ""},
		{"a little late", confirmed(lateFrom, treatment.OutcomeDone), told, ""},
		{"late", confirmed(lateFrom+time.Second, treatment.OutcomeDone), told, `"Spray lot l1" was done later than planned`},
		{"not planned", confirmed(0, treatment.OutcomeDone), nil, "a step of program p-1 was done that nobody was told to do"},
		{"before it was to begin", confirmed(-2*time.Hour, treatment.OutcomeDone), told, `"Spray lot l1" was done earlier than planned`},
		{"a clean check", confirmed(0, treatment.OutcomeClean), told, ""},
		{"a recurrence", confirmed(0, treatment.OutcomeFailed), nil, "a check of program p-1 was not clean"},
		{"a new program", treatment.Event{Kind: treatment.EventStarted}, nil, "program p-1 began"},
		{"a pause", treatment.Event{Kind: treatment.EventPaused}, nil, "program p-1 is paused"},
		{"an alarm", treatment.Event{Kind: treatment.EventStepOverdue}, told, ""},
	} {
		t.Run(test.name, func(t *testing.T) { require.Equal(t, test.want, courseReason("p-1", test.event, test.told)) })
	}
}

func TestAStepIsNoLongerWantedWhenItIsDroppedOrItsProgramEnded(t *testing.T) {
	course := treatment.State{Status: treatment.Running, Steps: []treatment.Step{
		{Key: "spray", Round: 1, Status: treatment.Dropped}, {Key: "spray", Round: 2, Status: treatment.Ready},
		{Key: "prune", Round: 2, Status: treatment.Waiting}, {Key: "isolate", Round: 1, Status: treatment.Confirmed},
	}}
	for step, want := range map[string]bool{"spray-1": true, "spray-2": false, "prune-2": false, "isolate-1": false, "absent-1": true} {
		require.Equal(t, want, noLongerWanted(course, step), step)
	}
	course.Status = treatment.Released
	require.True(t, noLongerWanted(course, "prune-2"))
	require.False(t, noLongerWanted(course, "isolate-1"), "it was done, and its own event says so")
}
