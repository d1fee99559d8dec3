package stock_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	stockv1 "velamen/gen/velamen/stock/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
	"velamen/services/stock"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// today is what the clock of these tests shows.
var today = time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)

// nursery is a served stock with houses h1 (benches b1, b2 and the isolation
// bench iso) and h2 (bench b1).
type nursery struct {
	t      testing.TB
	db     *pgtest.Database
	client stockv1.StockServiceClient
	as     context.Context
}

func emptyNursery(t testing.TB) *nursery {
	t.Helper()
	db := pgtest.NewAt(t, clock.Fixed(today))
	pgtest.AddNursery(t, db)
	conn := rpctest.Serve(t, func(server *rpc.Server) {
		stockv1.RegisterStockServiceServer(server, stock.New(db.DB))
	})
	return &nursery{t: t, db: db, client: stockv1.NewStockServiceClient(conn), as: rpctest.As(context.Background(), rpctest.Manager)}
}

func newNursery(t testing.TB) *nursery {
	t.Helper()
	n := emptyNursery(t)
	for _, house := range []string{"h1", "h2"} {
		_, err := n.client.CreateHouse(n.as, &stockv1.CreateHouseRequest{
			Parent: parent, HouseId: house, House: &stockv1.House{DisplayName: house, Area: square("100")}, RequestId: newID(),
		})
		require.NoError(t, err)
	}
	for _, bench := range []struct {
		house, id string
		isolation bool
	}{{"h1", "b1", false}, {"h1", "b2", false}, {"h1", "iso", true}, {"h2", "b1", false}} {
		_, err := n.client.CreateBench(n.as, &stockv1.CreateBenchRequest{
			Parent: parent + "/houses/" + bench.house, BenchId: bench.id, RequestId: newID(),
			Bench: &stockv1.Bench{DisplayName: bench.id, Area: square("10"), Isolation: bench.isolation},
		})
		require.NoError(t, err)
	}
	return n
}

const parent = "nurseries/test"

// Benches of newNursery.
const (
	bench1    = parent + "/houses/h1/benches/b1"
	bench2    = parent + "/houses/h1/benches/b2"
	isolation = parent + "/houses/h1/benches/iso"
)

func newID() string { return uuid.NewString() }

func lotNamed(id string) string { return parent + "/lots/" + id }

func square(amount string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: "m2"} }

// addLot starts a lot of moth orchids on bench b1 of house h1.
func (n *nursery) addLot(id string, plants int64) *stockv1.Lot {
	n.t.Helper()
	lot, err := n.client.CreateLot(n.as, &stockv1.CreateLotRequest{
		Parent: parent, LotId: id, Plants: plants, Origin: stockv1.LotEventKind_LOT_EVENT_KIND_STARTED, RequestId: newID(),
		Lot: &stockv1.Lot{BotanicalName: "Phalaenopsis amabilis", Container: "12 cm pot", Bench: bench1},
	})
	require.NoError(n.t, err)
	return lot
}

func (n *nursery) lot(id string) *stockv1.Lot {
	n.t.Helper()
	lot, err := n.client.GetLot(n.as, &stockv1.GetLotRequest{Name: lotNamed(id)})
	require.NoError(n.t, err)
	return lot
}

// hold has a case hold a lot, as the command through the outbox does.
func (n *nursery) hold(id, holdingCase string) {
	n.t.Helper()
	require.NoError(n.t, n.db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `UPDATE stock.lot SET holding_case = $1 WHERE nursery = 'test' AND id = $2`, holdingCase, id)
		return err
	}))
}

func (n *nursery) balance() *stockv1.PlantBalance {
	n.t.Helper()
	balance, err := n.client.GetPlantBalance(n.as, &stockv1.GetPlantBalanceRequest{Name: parent})
	require.NoError(n.t, err)
	return balance
}

// event is the part of a lot's history that the tests look at.
type event struct {
	Kind     string
	Plants   int64
	Bench    string
	OtherLot string
}

func (n *nursery) events(id string) []event {
	n.t.Helper()
	response, err := n.client.ListLotEvents(n.as, &stockv1.ListLotEventsRequest{Name: lotNamed(id)})
	require.NoError(n.t, err)
	var events []event
	for _, e := range response.GetEvents() {
		events = append(events, event{
			Kind: e.GetKind().String()[len("LOT_EVENT_KIND_"):], Plants: e.GetPlants(), Bench: e.GetBench(), OtherLot: e.GetOtherLot(),
		})
	}
	return events
}
