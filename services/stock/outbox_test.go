package stock_test

import (
	"context"
	"log/slog"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

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

	command.Bench = bench2
	require.Equal(t, int64(1), n.send(stock.TopicIsolate, command), "bench b2 keeps nothing apart")
	require.Equal(t, isolation, n.lot("a").GetBench())
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
