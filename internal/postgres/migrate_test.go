package postgres_test

import (
	"context"
	"regexp"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/postgres"
	"velamen/internal/postgres/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// ownerOf connects as the role that owns the schema.
func ownerOf(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(context.Background(), url)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close(context.Background())) })
	return conn
}

func TestMigratingAgainDoesNothing(t *testing.T) {
	ctx := context.Background()
	db := pgtest.New(t)
	pgtest.AddNursery(t, db)
	applied := func() (versions []int64) {
		rows, err := db.Query(ctx, `SELECT version_id FROM goose_db_version ORDER BY id`)
		require.NoError(t, err)
		versions, err = pgx.CollectRows(rows, pgx.RowTo[int64])
		require.NoError(t, err)
		return versions
	}
	before := applied()
	require.NoError(t, postgres.Migrate(ctx, db.OwnerURL))
	require.NoError(t, postgres.Migrate(ctx, db.OwnerURL))
	require.Equal(t, before, applied())
	require.NoError(t, postgres.CheckSchema(ctx, db.DB))
	newest, err := postgres.SchemaVersion()
	require.NoError(t, err)
	require.Equal(t, newest, before[len(before)-1])
	require.Len(t, before, int(newest)+1, "the numbers have no gap; goose adds a zero")
}

func TestANewerDatabaseIsLeftAlone(t *testing.T) {
	ctx := context.Background()
	db := pgtest.New(t)
	_, err := ownerOf(t, db.OwnerURL).Exec(ctx, `INSERT INTO goose_db_version (version_id, is_applied) VALUES (999999, true)`)
	require.NoError(t, err)
	for name, check := range map[string]error{
		"migrate": postgres.Migrate(ctx, db.OwnerURL),
		"check":   postgres.CheckSchema(ctx, db.DB),
	} {
		require.ErrorIs(t, check, postgres.ErrNewerDatabase, name)
		require.ErrorContains(t, check, "999999", name)
	}
}

func TestAnOlderDatabaseMustBeMigrated(t *testing.T) {
	ctx := context.Background()
	db := pgtest.New(t)
	newest, err := postgres.SchemaVersion()
	require.NoError(t, err)
	_, err = ownerOf(t, db.OwnerURL).Exec(ctx, `DELETE FROM goose_db_version WHERE version_id = $1`, newest)
	require.NoError(t, err)
	require.ErrorContains(t, postgres.CheckSchema(ctx, db.DB), "run velamen migrate")
}

func TestAnEmptyDatabaseMustBeMigrated(t *testing.T) {
	ctx := context.Background()
	url := pgtest.NewEmpty(t)
	db, err := postgres.Open(ctx, url, clock.System{})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	require.ErrorContains(t, postgres.CheckSchema(ctx, db), "run velamen migrate")
	require.NoError(t, postgres.Migrate(ctx, url))
	require.NoError(t, postgres.CheckSchema(ctx, db))
}

func TestProcessesThatStartTogetherMigrateOnce(t *testing.T) {
	url := pgtest.NewEmpty(t)
	const processes = 3
	failures := make(chan error, processes)
	for range processes {
		go func() { failures <- postgres.Migrate(context.Background(), url) }()
	}
	for range processes {
		require.NoError(t, <-failures)
	}
}

// Faults name constraints, so a name that PostgreSQL made up would change with
// the table.
func TestEveryConstraintHasANameOfItsOwn(t *testing.T) {
	db := pgtest.New(t)
	rows, err := db.Query(context.Background(), `
		SELECT n.nspname || '.' || r.relname AS on_table, c.conname AS name
		FROM pg_constraint c JOIN pg_class r ON r.oid = c.conrelid JOIN pg_namespace n ON n.oid = r.relnamespace
		WHERE n.nspname NOT IN ('pg_catalog', 'information_schema', 'public') AND c.contype <> 'n' ORDER BY 1, 2`)
	require.NoError(t, err)
	type constraint struct{ OnTable, Name string }
	constraints, err := pgx.CollectRows(rows, pgx.RowToStructByPos[constraint])
	require.NoError(t, err)
	require.NotEmpty(t, constraints)
	madeUp := regexp.MustCompile(`_(pkey|key|fkey|check|excl)\d*$`)
	for _, c := range constraints {
		require.NotRegexp(t, madeUp, c.Name, c.OnTable)
	}
}

func TestTheServicesCannotChangeTheSchema(t *testing.T) {
	db := pgtest.New(t)
	for _, ddl := range []string{
		`CREATE TABLE public.mine (id int)`,
		`CREATE SCHEMA mine`,
		`CREATE TABLE identity.mine (id int)`,
		`ALTER TABLE identity.person ADD COLUMN wage int`,
		`ALTER TABLE identity.person DISABLE TRIGGER ALL`,
		`ALTER TABLE identity.person OWNER TO velamen_app`,
		`DROP TABLE identity.token`,
		`DROP SCHEMA identity CASCADE`,
		`TRUNCATE identity.token`,
		`CREATE FUNCTION identity.mine() RETURNS int LANGUAGE sql AS 'SELECT 1'`,
		`CREATE EXTENSION pgcrypto`,
		`INSERT INTO goose_db_version (version_id, is_applied) VALUES (999999, true)`,
		`SET ROLE velamen_owner`,
		`SET session_replication_role = replica`,
		`COPY identity.person TO PROGRAM 'cat'`,
	} {
		t.Run(ddl, func(t *testing.T) {
			err := db.InTx(context.Background(), func(tx pgx.Tx) error {
				_, err := tx.Exec(context.Background(), ddl)
				return err
			})
			var refused *pgconn.PgError
			require.ErrorAs(t, err, &refused)
			require.Equal(t, "42501", refused.Code, "insufficient privilege, not: %s", refused.Message)
		})
	}
}
