package schedule

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/fault"
	"velamen/internal/rpc/rpctest"
)

func (n nursery) pin(pin *schedulev1.Pin) (*schedulev1.Pin, error) {
	return n.schedule.PinJob(n.manager, &schedulev1.PinJobRequest{Parent: "nurseries/test", Pin: pin, RequestId: uuid.NewString()})
}

func (n nursery) unpin(job string) (*schedulev1.Pin, error) {
	return n.schedule.UnpinJob(n.manager, &schedulev1.UnpinJobRequest{Parent: "nurseries/test", Job: job, RequestId: uuid.NewString()})
}

func (n nursery) pins(t *testing.T) []*schedulev1.Pin {
	t.Helper()
	listed, err := n.schedule.ListPins(n.manager, &schedulev1.ListPinsRequest{Parent: "nurseries/test"})
	require.NoError(t, err)
	return listed.GetPins()
}

func TestAPinIsKeptUntilItIsReplacedOrEnded(t *testing.T) {
	n := setUpNursery(t)
	house := "nurseries/test/houses/h1"
	at := timestamppb.New(begin.Add(24*time.Hour + 30*time.Second))
	made, err := n.pin(&schedulev1.Pin{Job: house, StartTime: at, Note: "before the buyers come"})
	require.NoError(t, err)
	want := &schedulev1.Pin{
		Job: house, StartTime: timestamppb.New(begin.Add(24 * time.Hour)), Note: "before the buyers come",
		Pinner: "nurseries/test/people/mira", CreateTime: timestamppb.New(begin),
	}
	require.True(t, proto.Equal(want, made), made)
	require.Len(t, n.pins(t), 1)
	require.True(t, proto.Equal(want, n.pins(t)[0]))

	again, err := n.pin(&schedulev1.Pin{Job: house, Person: "nurseries/test/people/wandile"})
	require.NoError(t, err)
	require.Nil(t, again.GetStartTime(), "the pin before is replaced whole")
	require.Len(t, n.pins(t), 1)
	kept, err := readPins(t.Context(), n.db, "test")
	require.NoError(t, err)
	require.Equal(t, []Pin{{Job: house, Person: "wandile"}}, kept)

	ended, err := n.unpin(house)
	require.NoError(t, err)
	require.True(t, proto.Equal(again, ended), ended)
	require.Empty(t, n.pins(t))
	_, err = n.unpin(house)
	rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
}

func TestAPinIsRefusedInWordsThatAManagerUnderstands(t *testing.T) {
	n := setUpNursery(t)
	program := n.start(t, "lot1", 40, untilSystemic()...).GetName()
	systemic := program + "/steps/systemic-1"
	wandile := "nurseries/test/people/wandile"
	for _, test := range []struct {
		name, field, rule string
		pin               *schedulev1.Pin
	}{
		{"nothing is fixed", "pin", "fixes nothing", &schedulev1.Pin{Job: systemic}},
		{"a time that is past", "pin.start_time", "is past", &schedulev1.Pin{Job: systemic, StartTime: timestamppb.New(begin.Add(-time.Hour))}},
		{"nobody", "pin.person", "there is no person", &schedulev1.Pin{Job: systemic, Person: "nurseries/test/people/nobody"}},
		{"an auditor", "pin.person", "Ada Auditor is an auditor", &schedulev1.Pin{Job: systemic, Person: "nurseries/test/people/ada"}},
		{"no sprayer", "pin.sprayer", "there is no sprayer", &schedulev1.Pin{Job: systemic, Sprayer: "nurseries/test/sprayers/absent"}},
		{"a sprayer for an inspection", "pin.sprayer", "needs no sprayer",
			&schedulev1.Pin{Job: "nurseries/test/houses/h1", Sprayer: "nurseries/test/sprayers/knapsack"}},
		{"a bath for a spray", "pin.sprayer", "cannot be used for a spray",
			&schedulev1.Pin{Job: systemic, Sprayer: "nurseries/test/sprayers/bath"}},
		{"a step that is done", "pin.job", "is done already", &schedulev1.Pin{Job: program + "/steps/prune-1", Person: wandile}},
		{"a step that a manager decides", "pin.job", "nobody of the crew",
			&schedulev1.Pin{Job: program + "/steps/release-1", Person: wandile}},
		{"what is no job", "pin.job", "is no job", &schedulev1.Pin{Job: "nurseries/test/lots/lot1", Person: wandile}},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := n.pin(test.pin)
			require.Contains(t, rpctest.RefusedField(t, err, test.field), test.rule)
		})
	}
	for _, absent := range []string{"nurseries/test/houses/h9", program + "/steps/absent-1", "nurseries/test/programs/absent/steps/x-1"} {
		_, err := n.pin(&schedulev1.Pin{Job: absent, Person: wandile})
		rpctest.Refused(t, err, codes.NotFound, fault.NotFoundReason)
	}
	require.Empty(t, n.pins(t))

	_, err := n.pin(&schedulev1.Pin{Job: systemic, Person: wandile, Sprayer: "nurseries/test/sprayers/broken"})
	require.NoError(t, err, "what is broken may be mended by then")
}
