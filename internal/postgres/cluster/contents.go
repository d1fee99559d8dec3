package cluster

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// databases are what the cluster holds, and who owns each.
var databases = []struct {
	name, owner string
	users       []string // may connect and look into the schema; the owner may anyway
}{
	{DatabaseVelamen, RoleOwner, []string{RoleApp}},
	{DatabaseTemporal, RoleTemporal, nil},
	{DatabaseTemporalVisibility, RoleTemporal, nil},
}

// ensureContents makes sure that roles and databases exist and have exactly the
// rights they should. Every statement may be repeated.
func (c *Cluster) ensureContents(ctx context.Context) error {
	err := c.asAdmin(ctx, "postgres", func(conn *pgx.Conn) error {
		for _, role := range []string{RoleOwner, RoleApp, RoleTemporal} {
			if err := c.ensureRole(ctx, conn, role); err != nil {
				return fmt.Errorf("role %s: %w", role, err)
			}
		}
		for _, database := range databases {
			if err := ensureDatabase(ctx, conn, database.name, database.owner, database.users); err != nil {
				return fmt.Errorf("database %s: %w", database.name, err)
			}
		}
		return execute(ctx, conn, `REVOKE ALL ON DATABASE postgres FROM PUBLIC`)
	})
	if err != nil {
		return fmt.Errorf("cluster: create contents: %w", err)
	}
	for _, database := range databases {
		err := c.asAdmin(ctx, database.name, func(conn *pgx.Conn) error {
			return ensureSchema(ctx, conn, database.owner, database.users)
		})
		if err != nil {
			return fmt.Errorf("cluster: set rights in database %s: %w", database.name, err)
		}
	}
	return nil
}

// asAdmin runs do on a connection of the superuser that never writes a
// statement to the log, since some hold passwords.
func (c *Cluster) asAdmin(ctx context.Context, database string, do func(*pgx.Conn) error) error {
	config, err := pgx.ParseConfig(c.URL(RoleAdmin, database))
	if err != nil {
		return err
	}
	config.RuntimeParams["log_statement"] = "none"
	config.RuntimeParams["log_min_duration_statement"] = "-1"
	config.RuntimeParams["log_min_error_statement"] = "panic"
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return err
	}
	err = do(conn)
	return errors.Join(err, conn.Close(context.WithoutCancel(ctx)))
}

// ensureRole also sets the password again: a restored credentials.json counts.
func (c *Cluster) ensureRole(ctx context.Context, conn *pgx.Conn, role string) error {
	var exists bool
	err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_roles WHERE rolname = $1)`, role).Scan(&exists)
	if err != nil {
		return err
	}
	if !exists {
		if err := execute(ctx, conn, `CREATE ROLE %I`, role); err != nil {
			return err
		}
	}
	return execute(ctx, conn,
		`ALTER ROLE %I LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS PASSWORD %L`,
		role, c.passwords.Roles[role])
}

func ensureDatabase(ctx context.Context, conn *pgx.Conn, name, owner string, users []string) error {
	var exists bool
	err := conn.QueryRow(ctx, `SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)`, name).Scan(&exists)
	if err != nil {
		return err
	}
	if !exists {
		if err := execute(ctx, conn, `CREATE DATABASE %I OWNER %I TEMPLATE template0`, name, owner); err != nil {
			return err
		}
	}
	if err := execute(ctx, conn, `ALTER DATABASE %I OWNER TO %I`, name, owner); err != nil {
		return err
	}
	if err := execute(ctx, conn, `REVOKE ALL ON DATABASE %I FROM PUBLIC`, name); err != nil {
		return err
	}
	for _, user := range users {
		if err := execute(ctx, conn, `GRANT CONNECT ON DATABASE %I TO %I`, name, user); err != nil {
			return err
		}
	}
	return nil
}

// ensureSchema lets only the owner create anything. Before PostgreSQL 15
// everybody could create tables in the schema public.
func ensureSchema(ctx context.Context, conn *pgx.Conn, owner string, users []string) error {
	if err := execute(ctx, conn, `REVOKE ALL ON SCHEMA public FROM PUBLIC`); err != nil {
		return err
	}
	if err := execute(ctx, conn, `GRANT USAGE, CREATE ON SCHEMA public TO %I`, owner); err != nil {
		return err
	}
	for _, user := range users {
		if err := execute(ctx, conn, `GRANT USAGE ON SCHEMA public TO %I`, user); err != nil {
			return err
		}
	}
	return nil
}

// execute runs a statement that takes no parameters of its own. PostgreSQL
// itself puts the arguments in: %I as an identifier, %L as a literal.
func execute(ctx context.Context, conn *pgx.Conn, template string, arguments ...string) error {
	if arguments == nil {
		arguments = []string{}
	}
	var statement string
	err := conn.QueryRow(ctx, `SELECT format($1, VARIADIC $2::text[])`, template, arguments).Scan(&statement)
	if err != nil {
		return err
	}
	_, err = conn.Exec(ctx, statement)
	return err
}
