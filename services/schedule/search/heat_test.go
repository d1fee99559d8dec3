package search

import (
	"context"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/model"
)

// cool is a morning of jobs of an hour that cost what they wait, in a place that is hot
// but from minute 200 to 320, for one person who may be in heat for half an hour a day.
func cool(jobs int) *model.Problem {
	p := morning(jobs, 60)
	p.People[0].MaxProtected = 30
	for i := range p.Jobs {
		p.Jobs[i].Hot = []model.Span{{From: 0, To: 200}, {From: 320, To: 600}}
	}
	return p
}

func TestAJobWaitsForTheCoolNoLongerThanItMust(t *testing.T) {
	p := cool(1)
	result, err := Solve(context.Background(), p, Options{Rounds: 1})
	require.NoError(t, err)
	valid(t, p, result)
	require.Equal(t, model.Minute(170), result.Plan[0].Start, "half of it in heat")
}

func TestAllJobsShareTheHeatOfADay(t *testing.T) {
	p := cool(3)
	result, err := Solve(context.Background(), p, Options{Rounds: 1})
	require.NoError(t, err)
	valid(t, p, result)
	placed := 0
	for _, placement := range result.Plan {
		if placement.Placed {
			placed++
		}
	}
	require.Equal(t, 2, placed, "two hours cool and half an hour hot leave no room for a third hour")
}

func TestTheFirstStartInTheHeatLeftIsFoundToTheMinute(t *testing.T) {
	p := cool(2)
	p.Jobs[0].Hot = append([]model.Span{{From: 0, To: 35}, {From: 50, To: 130}}, p.Jobs[0].Hot[1])
	s := newState(compile(p))
	o := &s.t.jobs[0].ways[0]
	for worn := range minute(31) {
		s.worn[0] = []minute{worn}
		for m := range minute(400) {
			want := m
			for worn+p.Jobs[0].Strained(want, want+60) > 30 {
				want++
			}
			require.Equal(t, want, s.bearable(room{job: 0, person: 0}, o, m), "%d minutes in heat before, from %d", worn, m)
		}
	}
}
