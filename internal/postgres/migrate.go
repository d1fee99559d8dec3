package postgres

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	_ "github.com/jackc/pgx/v5/stdlib" // the database/sql driver that goose migrates through
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/*.sql
var migrations embed.FS

// ErrNewerDatabase is returned when the database was migrated by a newer binary.
var ErrNewerDatabase = errors.New("the database was made by a newer velamen; install that version or a later one")

// Migrate brings the database at a URL to this binary's schema as the owner
// role, one process at a time. It does nothing when there is nothing to do and
// returns ErrNewerDatabase when the database is ahead.
func Migrate(ctx context.Context, url string) error {
	return withMigrations(ctx, url, func(provider *goose.Provider) error {
		current, target, err := provider.GetVersions(ctx)
		if err != nil {
			return fmt.Errorf("read the schema version: %w", err)
		}
		if current > target {
			return fmt.Errorf("schema %d, this binary knows %d: %w", current, target, ErrNewerDatabase)
		}
		if _, err := provider.Up(ctx); err != nil {
			return fmt.Errorf("migrate the schema from %d to %d: %w", current, target, err)
		}
		return nil
	})
}

// CheckSchema returns an error that says what to do when the database is not at
// this binary's schema. It changes nothing but goose's own empty version table.
func CheckSchema(ctx context.Context, db *DB) error {
	target, err := SchemaVersion()
	if err != nil {
		return err
	}
	var current int64
	err = db.QueryRow(ctx, `SELECT coalesce(max(version_id), 0) FROM goose_db_version WHERE is_applied`).Scan(&current)
	if err != nil {
		return fmt.Errorf("the database has no velamen schema; run velamen migrate: %w", err)
	}
	if current > target {
		return fmt.Errorf("schema %d, this binary knows %d: %w", current, target, ErrNewerDatabase)
	}
	if current < target {
		return fmt.Errorf("schema %d, this binary needs %d; run velamen migrate", current, target)
	}
	return nil
}

// SchemaVersion returns the newest schema that this binary knows.
func SchemaVersion() (int64, error) {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil {
		return 0, err
	}
	var newest int64
	for _, name := range names {
		version, err := goose.NumericComponent(name)
		if err != nil {
			return 0, fmt.Errorf("migration %s: %w", name, err)
		}
		newest = max(newest, version)
	}
	return newest, nil
}

func withMigrations(ctx context.Context, url string, work func(*goose.Provider) error) (err error) {
	db, err := sql.Open("pgx", url)
	if err != nil {
		return fmt.Errorf("database URL: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	if err := db.PingContext(ctx); err != nil {
		return fmt.Errorf("the database does not answer: %w", err)
	}
	locker, err := lock.NewPostgresSessionLocker()
	if err != nil {
		return err
	}
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return err
	}
	provider, err := goose.NewProvider(goose.DialectPostgres, db, files, goose.WithSessionLocker(locker))
	if err != nil {
		return fmt.Errorf("read the migrations: %w", err)
	}
	return work(provider)
}
