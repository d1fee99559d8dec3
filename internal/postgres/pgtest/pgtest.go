// Package pgtest gives tests a real PostgreSQL: one private cluster for a
// package's test run, and a fresh migrated database for every test.
package pgtest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/cluster"
)

// Main runs a package's tests and stops the cluster that they started, if any.
// Call it from TestMain.
func Main(m *testing.M) {
	code := m.Run()
	if err := stop(); err != nil {
		fmt.Fprintln(os.Stderr, "stop the test cluster:", err)
		code = 1
	}
	os.Exit(code)
}

// Database is a migrated database of one test.
type Database struct {
	*postgres.DB
	// OwnerURL connects as the role that owns the schema.
	OwnerURL string
	// AppURL connects as the role that the services use.
	AppURL string
	// AdminURL connects as the cluster's superuser.
	AdminURL string
}

// New returns a fresh migrated database on the system's clock.
func New(t testing.TB) *Database { return NewAt(t, clock.System{}) }

// NewAt returns a fresh migrated database on a clock.
func NewAt(t testing.TB, c clock.Clock) *Database {
	t.Helper()
	server, err := start()
	require.NoError(t, err)
	name := fmt.Sprintf("test_%d", serial.Add(1))
	ctx := context.Background()
	require.NoError(t, server.admin(ctx, "CREATE DATABASE "+name+" TEMPLATE "+template+" OWNER velamen_owner"))
	db, err := postgres.Open(ctx, server.cluster.URL("velamen_app", name), c)
	require.NoError(t, err)
	t.Cleanup(func() {
		db.Close()
		require.NoError(t, server.admin(ctx, "DROP DATABASE "+name+" WITH (FORCE)"))
	})
	url := server.cluster.URL
	return &Database{DB: db, OwnerURL: url("velamen_owner", name), AppURL: url("velamen_app", name), AdminURL: url("velamen_admin", name)}
}

// NewEmpty returns the owner's URL of a fresh database without any schema.
func NewEmpty(t testing.TB) (ownerURL string) {
	t.Helper()
	server, err := start()
	require.NoError(t, err)
	name := fmt.Sprintf("empty_%d", serial.Add(1))
	ctx := context.Background()
	require.NoError(t, server.admin(ctx, "CREATE DATABASE "+name+" OWNER velamen_owner"))
	t.Cleanup(func() { require.NoError(t, server.admin(ctx, "DROP DATABASE "+name+" WITH (FORCE)")) })
	return server.cluster.URL("velamen_owner", name)
}

// AddNursery sets up the nursery "test" in the zone of Johannesburg with the
// people of rpctest, as rows.
func AddNursery(t testing.TB, db *Database) {
	t.Helper()
	err := db.InTx(context.Background(), func(tx pgx.Tx) error {
		_, err := tx.Exec(context.Background(), `
			WITH added AS (
				INSERT INTO identity.nursery (id, display_name, time_zone, jurisdiction, create_time)
				VALUES ('test', 'Test nursery', 'Africa/Johannesburg', 'ZA', $1)
				RETURNING id)
			INSERT INTO identity.person (nursery, id, display_name, role, password_hash, create_time)
			SELECT added.id, p.id, p.display_name, p.role, '', $1
			FROM added, (VALUES
				('olwen', 'Olwen Owner', 'OWNER'), ('mira', 'Mira Manager', 'MANAGER'),
				('wandile', 'Wandile Worker', 'WORKER'), ('ada', 'Ada Auditor', 'AUDITOR')
			) AS p (id, display_name, role)`, db.Now())
		return err
	})
	require.NoError(t, err)
}

const template = "velamen_template"

var serial atomic.Int64

// server is the cluster of this process, started by the first test that asks.
type server struct {
	cluster *cluster.Cluster
	folder  string
}

var running struct {
	sync.Mutex
	server *server
	err    error
}

func start() (*server, error) {
	running.Lock()
	defer running.Unlock()
	if running.server == nil && running.err == nil {
		running.server, running.err = launch()
	}
	return running.server, running.err
}

func launch() (*server, error) {
	folder, err := os.MkdirTemp("", "velamen-test-")
	if err != nil {
		return nil, err
	}
	// The cluster's own user must be able to pass through when tests run as root.
	if err := os.Chmod(folder, 0o755); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	c, err := cluster.Start(ctx, cluster.Options{Folder: folder, Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, fmt.Errorf("start the test cluster: %w", err)
	}
	s := &server{cluster: c, folder: folder}
	if err := s.admin(ctx, "CREATE DATABASE "+template+" OWNER velamen_owner"); err != nil {
		return nil, err
	}
	return s, postgres.Migrate(ctx, c.URL("velamen_owner", template))
}

func (s *server) admin(ctx context.Context, sql string) (err error) {
	conn, err := pgx.Connect(ctx, s.cluster.URL("velamen_admin", "postgres"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	_, err = conn.Exec(ctx, sql)
	return err
}

func stop() error {
	running.Lock()
	defer running.Unlock()
	if running.server == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	return errors.Join(running.server.cluster.Stop(ctx), os.RemoveAll(running.server.folder))
}
