package pgtest

import (
	"context"
	"database/sql"
	"os"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib" // the database/sql driver that goose migrates through
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/postgres"
)

// migrations is where the migrations stand, seen from a service's folder.
const migrations = "../../internal/postgres/migrations"

// Older is a database whose schema is not the newest, for tests of what a migration
// does to rows that were there before.
type Older struct {
	// Owner connects as the role that owns the schema.
	Owner    *sql.DB
	url      string
	provider *goose.Provider
}

// NewOlder returns a fresh database at a schema's version, with some rows in it.
func NewOlder(t testing.TB, version int64, rows ...string) *Older {
	t.Helper()
	older := &Older{url: NewEmpty(t)}
	var err error
	older.Owner, err = sql.Open("pgx", older.url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, older.Owner.Close()) })
	older.provider, err = goose.NewProvider(goose.DialectPostgres, older.Owner, os.DirFS(migrations))
	require.NoError(t, err)
	_, err = older.provider.UpTo(context.Background(), version)
	require.NoError(t, err)
	for _, statement := range rows {
		_, err := older.Owner.ExecContext(context.Background(), statement)
		require.NoError(t, err, statement)
	}
	return older
}

// Upgrade brings the schema to a newer version and opens the database.
func (o *Older) Upgrade(t testing.TB, version int64) *postgres.DB {
	t.Helper()
	_, err := o.provider.UpTo(context.Background(), version)
	require.NoError(t, err)
	db, err := postgres.Open(context.Background(), o.url, clock.System{})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	return db
}
