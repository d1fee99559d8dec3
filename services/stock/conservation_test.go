package stock_test

import (
	"context"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	stockv1 "velamen/gen/velamen/stock/v1"
)

// The database itself refuses what would lose or invent plants, whoever writes.
func TestDatabaseRefusesACommitThatDoesNotConservePlants(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	n.addLot("b", 10)
	const (
		lot   = `INSERT INTO stock.lot (nursery, id, botanical_name, origin, house, bench, plants, create_time) VALUES ('test', 'new', 'Vanda', 'STARTED', 'h1', 'b1', 5, now())`
		plain = `INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, person, event_time) VALUES ('test', '%s', '%s', %d, 'h1', 'b1', 'mira', now())`
		half  = `INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, transfer, other_lot, person, event_time) VALUES ('test', '%s', '%s', %d, 'h1', 'b1', '00000000-0000-4000-8000-000000000001', '%s', 'mira', now())`
		add   = `UPDATE stock.lot SET plants = plants + %d WHERE nursery = 'test' AND id = '%s'`
	)
	event := func(lot, kind string, plants int) string { return fmt.Sprintf(plain, lot, kind, plants) }
	part := func(lot, kind string, plants int, other string) string {
		return fmt.Sprintf(half, lot, kind, plants, other)
	}
	plants := func(by int, lot string) string { return fmt.Sprintf(add, by, lot) }
	for _, test := range []struct {
		name       string
		statements []string
		constraint string
	}{
		{"plants without an event", []string{plants(1, "a")}, "lot_plants_conserved"},
		{"an event without plants", []string{event("a", "SOLD", -1)}, "lot_plants_conserved"},
		{"an event for fewer plants than left", []string{event("a", "SOLD", -1), plants(-2, "a")}, "lot_plants_conserved"},
		{"a lot with plants from nowhere", []string{lot}, "lot_plants_conserved"},
		{"fewer plants than none", []string{event("a", "SOLD", -11), plants(-11, "a")}, "lot_plants_not_negative"},
		{"a sale that adds plants", []string{event("a", "SOLD", 1), plants(1, "a")}, "lot_event_sign_of_kind"},
		{"a kind of event that does not exist", []string{event("a", "STOLEN", -1), plants(-1, "a")}, "lot_event_sign_of_kind"},
		{"half a transfer", []string{part("a", "TRANSFERRED_OUT", -3, "b"), plants(-3, "a")}, "lot_event_transfer_cancels_out"},
		{
			"a transfer that gains a plant",
			[]string{part("a", "TRANSFERRED_OUT", -3, "b"), plants(-3, "a"), part("b", "TRANSFERRED_IN", 4, "a"), plants(4, "b")},
			"lot_event_transfer_cancels_out",
		},
		{
			"a transfer whose halves name other lots",
			[]string{part("a", "TRANSFERRED_OUT", -3, "b"), plants(-3, "a"), part("b", "TRANSFERRED_IN", 3, "b"), plants(3, "b")},
			"lot_event_transfer_cancels_out",
		},
		{"a transfer without the other lot", []string{event("a", "TRANSFERRED_OUT", -3), plants(-3, "a")}, "lot_event_transfer_has_other_lot"},
	} {
		t.Run(test.name, func(t *testing.T) {
			err := commit(n.db.AppURL, test.statements...)
			var refused *pgconn.PgError
			require.ErrorAs(t, err, &refused)
			require.Equal(t, test.constraint, refused.ConstraintName, refused.Message)
			require.Equal(t, int64(10), n.lot("a").GetPlants())
			require.Len(t, n.events("a"), 1)
		})
	}
	require.NoError(t, commit(n.db.AppURL, plants(-3, "a"), event("a", "SOLD", -3)), "the order within a transaction does not matter")
	require.NoError(t, commit(n.db.AppURL,
		part("b", "TRANSFERRED_IN", 4, "a"), part("a", "TRANSFERRED_OUT", -4, "b"), plants(4, "b"), plants(-4, "a")))
	require.True(t, n.balance().GetBalanced())
}

func TestHistoryCannotBeChanged(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 10)
	for _, statement := range []string{
		`UPDATE stock.lot_event SET note = 'x'`,
		`UPDATE stock.lot_event SET note = 'x' WHERE false`,
		`DELETE FROM stock.lot_event`,
		`TRUNCATE stock.lot_event`,
		`TRUNCATE stock.lot CASCADE`,
	} {
		t.Run(statement, func(t *testing.T) {
			var refused *pgconn.PgError
			require.ErrorAs(t, commit(n.db.AppURL, statement), &refused)
			require.Equal(t, "42501", refused.Code, "the application has no grant")
			require.ErrorAs(t, commit(n.db.OwnerURL, statement), &refused)
			require.Equal(t, "lot_event_append_only", refused.ConstraintName, "the owner meets the trigger")
		})
	}
	var refused *pgconn.PgError
	err := commit(n.db.AppURL, `INSERT INTO stock.lot_event (nursery, lot, kind, plants, house, bench, person, event_time, enter_time)
		VALUES ('test', 'a', 'MOVED', 0, 'h1', 'b1', 'mira', now(), now() - interval '1 year')`)
	require.ErrorAs(t, err, &refused)
	require.Equal(t, "42501", refused.Code, "nobody says when an event was entered")
	require.ErrorAs(t, commit(n.db.AppURL, `DELETE FROM stock.lot`), &refused)
	require.Equal(t, "42501", refused.Code)
	require.Len(t, n.events("a"), 1)
}

// commit runs statements in one transaction on a connection of its own.
func commit(url string, statements ...string) error {
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		for _, statement := range statements {
			if _, err := tx.Exec(ctx, statement); err != nil {
				return err
			}
		}
		return nil
	})
}

func TestConcurrentChangesOfTheSameLotsConservePlants(t *testing.T) {
	n := newNursery(t)
	n.addLot("a", 60)
	n.addLot("b", 60)
	var sold, refused atomic.Int64
	var workers sync.WaitGroup
	fails := make(chan error, 1000)
	note := func(err error) bool {
		switch status.Code(err) {
		case codes.OK:
			return true
		case codes.FailedPrecondition:
			refused.Add(1)
		default:
			fails <- err
		}
		return false
	}
	for worker := range 8 {
		workers.Go(func() {
			lots := []string{"a", "b"}
			for round := range 10 {
				first, second := lots[(worker+round)%2], lots[(worker+round+1)%2]
				_, err := n.client.SellPlants(n.as, &stockv1.SellPlantsRequest{Name: lotNamed(first), Plants: 2, RequestId: newID()})
				if note(err) {
					sold.Add(2)
				}
				part := "part-" + strconv.Itoa(worker) + "-" + strconv.Itoa(round)
				_, err = n.client.SplitLot(n.as, &stockv1.SplitLotRequest{
					Name: lotNamed(second), NewLotId: part, Plants: 1, Bench: bench2, RequestId: newID(),
				})
				if !note(err) {
					continue
				}
				if round%3 == 0 {
					_, err = n.client.JoinLots(n.as, &stockv1.JoinLotsRequest{
						Name: lotNamed(first), Sources: []string{lotNamed(part), lotNamed(second)}, RequestId: newID(),
					})
					note(err)
				}
			}
		})
	}
	workers.Wait()
	close(fails)
	for err := range fails {
		require.NoError(t, err)
	}
	balance := n.balance()
	require.True(t, balance.GetBalanced(), balance)
	require.Equal(t, sold.Load(), balance.GetSold())
	require.Equal(t, 120-sold.Load(), balance.GetOnHand())
	require.Positive(t, sold.Load())
}
