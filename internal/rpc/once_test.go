package rpc_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	identityv1 "velamen/gen/velamen/identity/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres/pgtest"
	"velamen/internal/rpc"
	"velamen/internal/rpc/rpctest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// founding is a mutation whose effect can be counted: a nursery each time.
type founding struct {
	db   *pgtest.Database
	runs atomic.Int64
}

func (f *founding) once(caller rpc.Principal, request rpc.Request) (*stockv1.House, error) {
	return rpc.Once(rpc.WithPrincipal(context.Background(), caller), f.db.DB, request, f.work)
}

func (f *founding) work(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.House, error) {
	id := fmt.Sprintf("n%d", f.runs.Add(1))
	_, err := tx.Exec(ctx, `INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, create_time) VALUES ($1, $2, 'UTC', 'ZA', now())`,
		id, caller.Person)
	return &stockv1.House{Name: id}, err
}

func (f *founding) effects(t *testing.T) (n int) {
	t.Helper()
	require.NoError(t, f.db.QueryRow(context.Background(), `SELECT count(*) FROM identity.nursery`).Scan(&n))
	return n
}

func TestARetryReturnsTheFirstAnswer(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	request := house()
	first, err := f.once(rpctest.Manager, request)
	require.NoError(t, err)
	for range 3 {
		again, err := f.once(rpctest.Manager, request)
		require.NoError(t, err)
		require.Equal(t, first.GetName(), again.GetName())
	}
	require.Equal(t, 1, f.effects(t))
	require.EqualValues(t, 1, f.runs.Load())
}

// movable is a clock that a test sets.
type movable struct{ now time.Time }

func (m *movable) Now() time.Time { return m.now }

func TestAnAnswerIsForgottenWhenNoPhoneCanBeAwayThatLong(t *testing.T) {
	clock := &movable{now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	f := &founding{db: pgtest.NewAt(t, clock)}
	request := house()
	_, err := f.once(rpctest.Manager, request)
	require.NoError(t, err)
	begin := clock.now
	for _, age := range []struct {
		days      int
		forgotten int64
	}{{89, 0}, {91, 1}, {92, 0}} {
		clock.now = begin.AddDate(0, 0, age.days)
		forgotten, err := rpc.Forget(context.Background(), f.db.DB)
		require.NoError(t, err)
		require.Equal(t, age.forgotten, forgotten, "after %d days", age.days)
	}
}

func TestARequestIDBelongsToItsCaller(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	request := house()
	for _, caller := range []rpc.Principal{rpctest.Manager, rpctest.Owner, rpctest.Stranger} {
		_, err := f.once(caller, request)
		require.NoError(t, err)
	}
	require.Equal(t, 3, f.effects(t))
}

func TestARequestIDWithAnotherContentIsRefused(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	request := house()
	_, err := f.once(rpctest.Manager, request)
	require.NoError(t, err)
	request.House.DisplayName = "House 2"
	_, err = f.once(rpctest.Manager, request)
	require.True(t, fault.Is(err, fault.RequestIDReused), err)
	refused, _ := fault.As(err)
	require.Equal(t, "request_id", refused.Field)
	require.Equal(t, 1, f.effects(t))
}

func TestOfTheSameRequestAtOnceOneTakesEffect(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	request := house()
	const callers = 16
	answers := make([]*stockv1.House, callers)
	failures := make([]error, callers)
	var all sync.WaitGroup
	for i := range callers {
		all.Go(func() { answers[i], failures[i] = f.once(rpctest.Manager, request) })
	}
	all.Wait()
	for i := range callers {
		require.NoError(t, failures[i])
		require.Equal(t, answers[0].GetName(), answers[i].GetName())
	}
	require.Equal(t, 1, f.effects(t))
}

func TestAFailedRequestIsNotRemembered(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	request := house()
	ctx := rpc.WithPrincipal(context.Background(), rpctest.Manager)
	_, err := rpc.Once(ctx, f.db.DB, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*stockv1.House, error) {
		if _, err := f.work(ctx, tx, caller); err != nil {
			return nil, err
		}
		return nil, fault.Field("house", "too late")
	})
	require.True(t, fault.Is(err, fault.InvalidField), err)
	require.Zero(t, f.effects(t), "nothing half-written stays")
	_, err = f.once(rpctest.Manager, request)
	require.NoError(t, err, "the same request may be tried again")
	require.Equal(t, 1, f.effects(t))
}

func TestAnEmptyAnswerIsRememberedToo(t *testing.T) {
	db := pgtest.New(t)
	ctx := rpc.WithPrincipal(context.Background(), rpctest.Manager)
	request := house()
	runs := 0
	for range 2 {
		answer, err := rpc.Once(ctx, db.DB, request, func(context.Context, pgx.Tx, rpc.Principal) (*identityv1.SignOutResponse, error) {
			runs++
			return &identityv1.SignOutResponse{}, nil
		})
		require.NoError(t, err)
		require.NotNil(t, answer)
	}
	require.Equal(t, 1, runs)
}

func TestStreamedContentIsRemembered(t *testing.T) {
	f := &founding{db: pgtest.New(t)}
	ctx := rpc.WithPrincipal(context.Background(), rpctest.Manager)
	id := uuid.NewString()
	for range 2 {
		_, err := rpc.OnceContent(ctx, f.db.DB, id, [32]byte{1}, f.work)
		require.NoError(t, err)
	}
	_, err := rpc.OnceContent(ctx, f.db.DB, id, [32]byte{2}, f.work)
	require.True(t, fault.Is(err, fault.RequestIDReused), err)
	require.Equal(t, 1, f.effects(t))
}

func TestOnceNeedsACaller(t *testing.T) {
	db := pgtest.New(t)
	_, err := rpc.Once(context.Background(), db.DB, house(), func(context.Context, pgx.Tx, rpc.Principal) (*stockv1.House, error) {
		return nil, errors.New("must not run")
	})
	require.True(t, fault.Is(err, fault.NotSignedIn), err)
}
