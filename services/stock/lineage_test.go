package stock_test

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/services/stock"
)

// daysAgo is a moment before the clock of these tests.
func daysAgo(n int) time.Time { return today.AddDate(0, 0, -n) }

// started enters a lot that began some days ago.
func (n *nursery) started(id string, plants int64, days int) {
	n.t.Helper()
	_, err := n.client.CreateLot(n.as, &stockv1.CreateLotRequest{
		Parent: parent, LotId: id, Plants: plants, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: newID(),
		EventTime: timestamppb.New(daysAgo(days)), Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Bench: bench1},
	})
	require.NoError(n.t, err)
}

func (n *nursery) splitAgo(from, part string, plants int64, days int) {
	n.t.Helper()
	_, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{
		Name: lotNamed(from), NewLotId: part, Plants: plants, Bench: bench2, RequestId: newID(), EventTime: timestamppb.New(daysAgo(days)),
	})
	require.NoError(n.t, err)
}

func TestLineageFollowsPlantsThroughSplitsAndJoins(t *testing.T) {
	n := newNursery(t)
	n.started("a", 100, 50)
	n.started("c", 20, 50)
	n.splitAgo("a", "b", 40, 30)
	n.splitAgo("b", "d", 10, 20)
	_, err := n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{
		Name: lotNamed("c"), Sources: []string{lotNamed("d")}, RequestId: newID(), EventTime: timestamppb.New(daysAgo(10)),
	})
	require.NoError(t, err)

	end := time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	lines, err := stock.ReadLineage(context.Background(), n.db.DB, "test", []string{"a", "b", "c"})
	require.NoError(t, err)
	for i := range lines {
		lines[i].Until = lines[i].Until.UTC()
	}
	require.Equal(t, []stock.Line{
		{Lot: "a", Ancestor: "a", Until: end},
		{Lot: "b", Ancestor: "a", Until: daysAgo(30)},
		{Lot: "b", Ancestor: "b", Until: end},
		{Lot: "c", Ancestor: "a", Until: daysAgo(30)},
		{Lot: "c", Ancestor: "b", Until: daysAgo(20)},
		{Lot: "c", Ancestor: "c", Until: end},
		{Lot: "c", Ancestor: "d", Until: daysAgo(10)},
	}, lines)
}

func TestLineageEndsWherePlantsWentBackAndForth(t *testing.T) {
	n := newNursery(t)
	n.started("a", 100, 50)
	n.splitAgo("a", "b", 40, 30)
	_, err := n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{
		Name: lotNamed("a"), Sources: []string{lotNamed("b")}, RequestId: newID(), EventTime: timestamppb.New(daysAgo(30)),
	})
	require.NoError(t, err)
	lines, err := stock.ReadLineage(context.Background(), n.db.DB, "test", []string{"a"})
	require.NoError(t, err)
	require.Len(t, lines, 2)
	require.Equal(t, "a", lines[0].Ancestor)
	require.Equal(t, 9999, lines[0].Until.Year(), "its own history never ends")
	require.Equal(t, "b", lines[1].Ancestor)
}

func TestPlantsAtATimeAreThoseOfTheEventsUntilThen(t *testing.T) {
	n := newNursery(t)
	n.started("a", 100, 50)
	n.splitAgo("a", "b", 40, 30)
	_, err := n.client.DisposePlants(n.as, &stockv1.DisposePlantsRequest{
		Name: lotNamed("b"), Plants: 5, Note: "rot", RequestId: newID(), EventTime: timestamppb.New(daysAgo(10))})
	require.NoError(t, err)
	for _, test := range []struct {
		name string
		lots []string
		want []int64
	}{
		{"a lot that gave plants away", []string{"a"}, []int64{100, 100, 60, 60}},
		{"a part counts from the split on", []string{"b"}, []int64{0, 0, 40, 35}},
		{"together no plant counts twice", []string{"a", "b"}, []int64{100, 100, 100, 95}},
	} {
		t.Run(test.name, func(t *testing.T) {
			// Before the books begin, a lot counts with what it came with.
			plants, err := stock.ReadPlantsAt(context.Background(), n.db.DB, "test", test.lots,
				[]time.Time{daysAgo(60), daysAgo(40), daysAgo(20), daysAgo(0)})
			require.NoError(t, err)
			require.Equal(t, test.want, plants)
		})
	}
}

func TestOffspringAreTheLotsIntoWhichPlantsWentSince(t *testing.T) {
	n := newNursery(t)
	n.started("a", 100, 50)
	n.started("c", 20, 50)
	n.splitAgo("a", "b", 40, 30)
	n.splitAgo("b", "d", 10, 20)
	_, err := n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{
		Name: lotNamed("c"), Sources: []string{lotNamed("d")}, RequestId: newID(), EventTime: timestamppb.New(daysAgo(10)),
	})
	require.NoError(t, err)
	for _, test := range []struct {
		of   []string
		days int
		want []string
	}{
		{[]string{"a"}, 40, []string{"b", "c", "d"}},
		{[]string{"a"}, 30, []string{"b", "c", "d"}}, // the moment itself counts
		{[]string{"a"}, 29, []string{}},
		{[]string{"b"}, 25, []string{"c", "d"}},
		{[]string{"b", "d"}, 15, []string{"c"}},
		{[]string{"c"}, 50, []string{}},
		{nil, 50, []string{}},
	} {
		found, err := stock.ReadOffspring(context.Background(), n.db.DB, "test", test.of, daysAgo(test.days))
		require.NoError(t, err)
		require.Equal(t, test.want, found, "of %v since %d days", test.of, test.days)
	}
}
