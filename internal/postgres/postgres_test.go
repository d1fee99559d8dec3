package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
)

func TestTranslateKeepsTheDriversWordsOutOfTheMessage(t *testing.T) {
	for _, test := range []struct {
		name   string
		err    error
		kind   fault.Kind
		reason fault.Reason
	}{
		{"unique", &pgconn.PgError{Code: "23505", ConstraintName: "lot_pk"}, fault.Exists, fault.AlreadyExists},
		{"foreign key", &pgconn.PgError{Code: "23503"}, fault.Precondition, fault.NotFoundReason},
		{"a check that we forgot", &pgconn.PgError{Code: "23514"}, fault.Internal, fault.InternalReason},
		{"serialization", &pgconn.PgError{Code: "40001"}, fault.Aborted, fault.StoreUnavailable},
		{"deadlock", &pgconn.PgError{Code: "40P01"}, fault.Aborted, fault.StoreUnavailable},
		{"shutdown", &pgconn.PgError{Code: "57P01"}, fault.Unavailable, fault.StoreUnavailable},
		{"disk full", &pgconn.PgError{Code: "53100"}, fault.Unavailable, fault.StoreUnavailable},
		{"a process of the database died", fmt.Errorf("receive message: %w", io.ErrUnexpectedEOF), fault.Unavailable, fault.StoreUnavailable},
		{"the socket broke", &net.OpError{Op: "read", Err: errors.New("hunter2")}, fault.Unavailable, fault.StoreUnavailable},
		{"syntax", &pgconn.PgError{Code: "42601"}, fault.Internal, fault.InternalReason},
		{"anything else", errors.New("hunter2"), fault.Internal, fault.InternalReason},
	} {
		t.Run(test.name, func(t *testing.T) {
			var pg *pgconn.PgError
			if errors.As(test.err, &pg) {
				pg.Message, pg.Detail = "hunter2", "hunter2"
			}
			translated := postgres.Translate(fmt.Errorf("read: %w", test.err))
			f, ok := fault.As(translated)
			require.True(t, ok)
			require.Equal(t, test.kind, f.Kind)
			require.Equal(t, test.reason, f.Reason)
			require.NotContains(t, translated.Error(), "hunter2")
			require.ErrorIs(t, translated, test.err, "the log has the cause")
		})
	}
	require.NoError(t, postgres.Translate(nil))
	require.ErrorIs(t, postgres.Translate(context.Canceled), context.Canceled)
	original := fault.Missing("lot", "l1")
	require.Same(t, original, postgres.Translate(original))
}

func TestATransactionIsTriedAgainWhenTheDatabaseAsks(t *testing.T) {
	db := pgtest.New(t)
	ctx := context.Background()
	for _, test := range []struct {
		name  string
		fails int
		code  string
		runs  int
		good  bool
	}{
		{"once", 1, "40001", 2, true},
		{"deadlock", 2, "40P01", 3, true},
		{"for ever", 100, "40001", 6, false},
		{"not for other errors", 1, "23505", 1, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			runs := 0
			err := db.InTx(ctx, func(pgx.Tx) error {
				if runs++; runs <= test.fails {
					return &pgconn.PgError{Code: test.code}
				}
				return nil
			})
			require.Equal(t, test.good, err == nil, "%v", err)
			require.Equal(t, test.runs, runs)
		})
	}
}

func TestASnapshotAgreesWithItselfAndWritesNothing(t *testing.T) {
	db := pgtest.New(t)
	ctx := context.Background()
	count := func(r postgres.Reader) (n int) {
		require.NoError(t, r.QueryRow(ctx, `SELECT count(*) FROM identity.nursery`).Scan(&n))
		return n
	}
	require.NoError(t, db.InSnapshot(ctx, func(tx pgx.Tx) error {
		require.Zero(t, count(tx))
		pgtest.AddNursery(t, db)
		require.Zero(t, count(tx), "what others commit meanwhile is not seen")
		return nil
	}))
	require.Equal(t, 1, count(db))
	err := db.InSnapshot(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `DELETE FROM identity.token`)
		return err
	})
	require.Error(t, err)
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	_, err := postgres.Open(context.Background(), "postgres://%zz", clock.System{})
	require.ErrorContains(t, err, "database URL")
	_, err = postgres.Open(context.Background(), "postgres://nobody@127.0.0.1:1/none?connect_timeout=2", clock.System{})
	require.ErrorContains(t, err, "does not answer")
}
