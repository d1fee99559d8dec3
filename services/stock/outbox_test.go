package stock_test

import (
	"context"
	"log/slog"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/rpc/rpctest"
	"velamen/services/stock"
)

// send writes commands to the outbox and delivers what is due. It returns how
// many stay undelivered.
func (n *nursery) send(topic string, payloads ...any) (undelivered int64) {
	n.t.Helper()
	ctx := context.Background()
	outbox := postgres.NewOutbox(n.db.DB, slog.New(slog.DiscardHandler), stock.Consumer())
	for _, payload := range payloads {
		require.NoError(n.t, n.db.InTx(ctx, func(tx pgx.Tx) error {
			return outbox.Write(ctx, tx, topic, "test", case1, payload)
		}))
	}
	require.NoError(n.t, outbox.Drain(ctx))
	undelivered, _, err := outbox.Pending(ctx)
	require.NoError(n.t, err)
	return undelivered
}

const (
	case1 = parent + "/cases/c1"
	case2 = parent + "/cases/c2"
	mira  = parent + "/people/mira"
)

func TestCaseHoldsAndFreesLots(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	lots := []string{lotNamed("a"), lotNamed("a")}
	require.Zero(t, n.send(stock.TopicHold, stock.Hold{Case: case1, Lots: lots}, stock.Hold{Case: case1, Lots: lots}))
	held := n.lot("a")
	require.Equal(t, case1, held.GetHoldingCase())
	require.Equal(t, `"v2"`, held.GetEtag(), "the second command changed nothing")
	_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed("a"), Plants: 1, RequestId: newID()})
	rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotHeld)

	require.Zero(t, n.send(stock.TopicFree, stock.Free{Case: case2, Lots: lots}))
	require.Equal(t, case1, n.lot("a").GetHoldingCase(), "a case frees what it holds itself")
	require.Zero(t, n.send(stock.TopicFree, stock.Free{Case: case1, Lots: lots}, stock.Free{Case: case1, Lots: lots}))
	require.Empty(t, n.lot("a").GetHoldingCase())
}

func TestHoldWaitsForTheCaseThatHoldsTheLot(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 10)
	n.hold("b", case2)
	require.Equal(t, int64(1), n.send(stock.TopicHold, stock.Hold{Case: case1, Lots: []string{lotNamed("a"), lotNamed("b")}}))
	require.Empty(t, n.lot("a").GetHoldingCase(), "a command is applied whole or not at all")
	require.Equal(t, case2, n.lot("b").GetHoldingCase())
}

func TestDiscardDisposesOfAllPlantsOnHand(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 7)
	n.hold("a", case1)
	command := stock.Discard{Lots: []string{lotNamed("a"), lotNamed("b")}, Person: mira, Note: "virus, burnt", Time: today}
	require.Zero(t, n.send(stock.TopicDiscard, command, command))
	require.Equal(t, []event{{"STARTED", 10, bench1, ""}, {"DISPOSED", -10, bench1, ""}}, n.events("a"))
	require.Equal(t, int64(17), n.balance().GetDisposed())
	require.True(t, n.balance().GetBalanced())
}

func TestIsolateMovesWholeLotsToTheIsolationBench(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.hold("a", case1)
	command := stock.Isolate{Lots: []string{lotNamed("a")}, Bench: isolation, Person: mira, Time: today}
	require.Zero(t, n.send(stock.TopicIsolate, command, command))
	require.Equal(t, []event{{"STARTED", 10, bench1, ""}, {"MOVED", 0, isolation, ""}}, n.events("a"))

}

func TestIsolationThatWasConfirmedIsEnteredThoughTheBenchKeepsNothingApartAnyMore(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.hold("a", case1)
	_, err := n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: isolation}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"isolation"}}, RequestId: newID(),
	})
	require.NoError(t, err)
	require.Zero(t, n.send(stock.TopicIsolate, stock.Isolate{Lots: []string{lotNamed("a")}, Bench: isolation, Person: mira, Time: today}))
	require.Equal(t, isolation, n.lot("a").GetBench())
}

func TestABenchIsNotOpenedUpWhileLotsAreKeptApartOnIt(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.hold("a", case1)
	require.Zero(t, n.send(stock.TopicIsolate, stock.Isolate{Lots: []string{lotNamed("a")}, Bench: isolation, Person: mira, Time: today}))
	_, err := n.client.UpdateBench(n.as, &stockv1.UpdateBenchRequest{
		Bench: &stockv1.Bench{Name: isolation}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"isolation"}}, RequestId: newID(),
	})
	_, values := rpctest.Refused(t, err, codes.FailedPrecondition, fault.LotHeld)
	require.Equal(t, "a", values["lots"])
}

// split splits plants off a lot onto the isolation bench.
func (n *nursery) split(from, part string, plants int64) {
	n.t.Helper()
	_, err := n.client.SplitLot(n.as, &stockv1.SplitLotRequest{
		Name: lotNamed(from), NewLotId: part, Plants: plants, Bench: isolation, RequestId: newID(),
	})
	require.NoError(n.t, err)
}

func TestPartsOfAHeldLotAreFreeWhenTheCaseHasEnded(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 10)
	n.hold("a", case1)
	n.hold("b", case2)
	n.split("a", "a2", 4)
	n.split("a2", "a3", 1)
	lots := []string{lotNamed("a")}
	require.Zero(t, n.send(stock.TopicFree, stock.Free{Case: case1, Lots: lots}))
	require.Equal(t, case1, n.lot("a2").GetHoldingCase(), "the case goes on")
	require.Zero(t, n.send(stock.TopicFree, stock.Free{Case: case1, Lots: lots, Ended: true}))
	require.Empty(t, n.lot("a2").GetHoldingCase())
	require.Empty(t, n.lot("a3").GetHoldingCase())
	require.Equal(t, case2, n.lot("b").GetHoldingCase())
}

func TestPartsOfALotAreDiscardedWithIt(t *testing.T) {
	n := newNursery(t)
	for _, lot := range []string{"a", "b"} {
		n.addLot(lot, 10)
		n.hold(lot, case1)
		n.split(lot, lot+"2", 4)
	}
	n.split("a2", "a3", 1)
	n.hold("a3", case2)
	require.Zero(t, n.send(stock.TopicDiscard, stock.Discard{Lots: []string{lotNamed("a")}, Person: mira, Note: "virus", Time: today}))
	for lot, plants := range map[string]int64{"a": 0, "a2": 0, "a3": 1, "b": 10 - 4, "b2": 4} {
		require.Equal(t, plants, n.lot(lot).GetPlants(), lot)
	}
	require.True(t, n.balance().GetBalanced())
}

func TestCommandForAnotherNurserysLotsIsNotApplied(t *testing.T) {
	n := newNursery(t)
	require.Equal(t, int64(1), n.send(stock.TopicHold, stock.Hold{Case: case1, Lots: []string{"nurseries/other/lots/a"}}))
}

func TestOtherServicesReadLotsInTheOrderAskedFor(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 7)
	ctx := context.Background()
	lots, err := stock.ReadLots(ctx, n.db, "test", []string{"b", "a", "b"})
	require.NoError(t, err)
	require.Equal(t, []string{"b", "a", "b"}, []string{lots[0].ID, lots[1].ID, lots[2].ID})
	require.Equal(t, "h1", lots[0].House)
	_, err = stock.ReadLots(ctx, n.db, "test", []string{"a", "none", "never"})
	require.ErrorContains(t, err, `"nurseries/test/lots/none"`)
	_, err = stock.ReadBench(ctx, n.db, "test", "h1", "none")
	require.True(t, fault.Is(err, fault.NotFoundReason))
	house, err := stock.ReadHouse(ctx, n.db, "test", "h1")
	require.NoError(t, err)
	require.Equal(t, "100 m2", house.Area.String())
}
