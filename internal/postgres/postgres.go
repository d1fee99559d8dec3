// Package postgres is the plumbing to the database of record: the pool,
// transactions, migrations, the outbox, and the translation of database errors
// into faults. SQL about a service's own tables stands in that service.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"velamen/internal/clock"
)

// DB is the database of record as the services see it.
type DB struct {
	pool  *pgxpool.Pool
	clock clock.Clock
}

// defaultConnections is the size of the pool unless the URL sets
// pool_max_conns: the outbox's senders and 32 callers at once.
const defaultConnections = 48

// Open connects to the database at a URL (postgres://…) as the application role
// and checks that it answers. The caller closes it.
func Open(ctx context.Context, url string, c clock.Clock) (*DB, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database URL: %w", err)
	}
	if !strings.Contains(url, "pool_max_conns") {
		config.MaxConns = defaultConnections
	}
	config.ConnConfig.RuntimeParams["timezone"] = "UTC"
	config.ConnConfig.RuntimeParams["application_name"] = "velamen"
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("the database does not answer: %w", err)
	}
	return &DB{pool: pool, clock: c}, nil
}

// Close waits for connections in use and closes the pool.
func (db *DB) Close() { db.pool.Close() }

// Now returns the present moment as the database keeps it.
func (db *DB) Now() time.Time { return db.clock.Now() }

// Clock returns the clock that Now reads.
func (db *DB) Clock() clock.Clock { return db.clock }

// Ping reports whether the database answers.
func (db *DB) Ping(ctx context.Context) error { return db.pool.Ping(ctx) }

// Reader runs queries outside or inside a transaction.
type Reader interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
}

// Query runs a query outside a transaction.
func (db *DB) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	return db.pool.Query(ctx, sql, args...)
}

// QueryRow runs a query for one row outside a transaction.
func (db *DB) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	return db.pool.QueryRow(ctx, sql, args...)
}

// Acquire takes a connection for LISTEN; the caller releases it.
func (db *DB) Acquire(ctx context.Context) (*pgxpool.Conn, error) { return db.pool.Acquire(ctx) }

// Attempts is how often a transaction is tried when the database asks for a
// retry, and maxWait the longest wait before another try.
const (
	attempts = 6
	maxWait  = 200 * time.Millisecond
)

// InTx runs work in a transaction and commits it. When the database reports a
// serialization failure or a deadlock the whole of work runs again, so work may
// do nothing but SQL. Errors come back as faults where they have one.
func (db *DB) InTx(ctx context.Context, work func(tx pgx.Tx) error) error {
	var err error
	for attempt := range attempts {
		err = pgx.BeginTxFunc(ctx, db.pool, pgx.TxOptions{}, work)
		if !retryable(err) {
			break
		}
		if wait(ctx, attempt) != nil {
			break
		}
	}
	return Translate(err)
}

// InSnapshot runs reads that must agree with each other in one read-only
// transaction.
func (db *DB) InSnapshot(ctx context.Context, work func(tx pgx.Tx) error) error {
	options := pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}
	return Translate(pgx.BeginTxFunc(ctx, db.pool, options, work))
}

func wait(ctx context.Context, attempt int) error {
	longest := min(maxWait, time.Duration(5<<attempt)*time.Millisecond)
	timer := time.NewTimer(rand.N(longest) + time.Millisecond)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

func retryable(err error) bool {
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return false
	}
	return pg.Code == serializationFailure || pg.Code == deadlockDetected
}
