package schedule

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
)

func TestWhatWasBegunAndIsNotToldAgainStaysAsItWasTold(t *testing.T) {
	in := Input{From: begin, Told: []Told{
		{Job: "going on", Start: begin.Add(-time.Hour), End: begin.Add(time.Hour)},
		{Job: "not confirmed yet", Start: begin.Add(-2 * time.Hour), End: begin.Add(-time.Hour)},
		{Job: "planned again", Start: begin.Add(-2 * time.Hour), End: begin.Add(-time.Hour)},
		{Job: "to come", Start: begin.Add(time.Hour), End: begin.Add(2 * time.Hour)},
	}}
	jobs := []*schedulev1.PlannedJob{{Job: "planned again"}}
	require.Equal(t, []string{"going on", "not confirmed yet"}, begunBefore(in, jobs))
}

func TestJobsThatBeganBeforeAPlanAreNotPartOfIt(t *testing.T) {
	before := &schedulev1.PlannedJob{Job: "before", PrepareTime: timestamppb.New(begin.Add(-time.Minute))}
	at := &schedulev1.PlannedJob{Job: "at", PrepareTime: timestamppb.New(begin)}
	require.Equal(t, []*schedulev1.PlannedJob{at}, begunSince([]*schedulev1.PlannedJob{before, at}, begin))
}
