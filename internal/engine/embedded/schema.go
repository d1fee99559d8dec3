//go:build !external

package embedded

import (
	"context"
	"fmt"

	"go.temporal.io/server/common/config"
	"go.temporal.io/server/tools/common/schema"
	"go.temporal.io/server/tools/sql"
)

// Names of the schemas in the file system embedded in the server.
const (
	mainSchema       = "postgresql/v12/temporal"
	visibilitySchema = "postgresql/v12/visibility"
)

// noSchema is the version of a database in which setup began and no version of
// the schema was completed.
const noSchema = "0.0"

// migrate brings both databases to the version this server was built for. The
// server refuses to start on an older one.
func migrate(ctx context.Context, options Options, logger *serverLogger) error {
	stores := []struct{ database, schema string }{
		{options.Database, mainSchema},
		{options.VisibilityDatabase, visibilitySchema},
	}
	for _, store := range stores {
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("embedded: migrate database %q: %w", store.database, err)
		}
		cfg := sqlConfig(options, store.database, 1)
		// Hundreds of small statements need not reach the disk one by one. After a
		// power cut an earlier state is found, never a mixed one, and the next start
		// goes on from there. What the server commits later flushes these first.
		cfg.ConnectAttributes["synchronous_commit"] = "off"
		if err := migrateDatabase(cfg, store.schema, logger); err != nil {
			return fmt.Errorf("embedded: migrate database %q: %w", store.database, err)
		}
	}
	return nil
}

func migrateDatabase(cfg *config.SQL, schemaName string, logger *serverLogger) error {
	db, err := sql.NewConnection(cfg, logger)
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer db.Close()

	version, err := db.ReadSchemaVersion()
	// An error is what a new database gives, where the table is missing. It must
	// never lead to overwriting, since it may mean anything else too.
	interrupted := err == nil && version == noSchema
	if err != nil || interrupted {
		setup := schema.NewSetupSchemaTask(db, &schema.SetupConfig{
			InitialVersion: noSchema,
			// The first version inserts rows that cannot be inserted twice. No
			// server has ever run on such a database, so nothing is lost.
			Overwrite: interrupted,
		}, logger)
		if err := setup.Run(); err != nil {
			return fmt.Errorf("set up: %w", err)
		}
	}
	update := schema.NewUpdateSchemaTask(db, &schema.UpdateConfig{SchemaName: schemaName}, logger)
	if err := update.Run(); err != nil {
		return fmt.Errorf("update from version %q: %w", version, err)
	}
	return nil
}
