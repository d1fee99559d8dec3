package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"

	"velamen/internal/postgres/cluster"
)

// pgbench is PostgreSQL's own load generator, on a database of its own beside
// velamen's.
type pgbench struct {
	server          *server
	program, script string
}

// plainInsert is the least that a confirmation could cost: one row, committed.
const plainInsert = `BEGIN;
INSERT INTO plain (body) VALUES ('a confirmation without any rule');
COMMIT;
`

// pgbenchSeconds is how long one measurement takes.
const pgbenchSeconds = 5

func newPgbench(ctx context.Context, s *server) (*pgbench, error) {
	program, err := findPgbench()
	if err != nil {
		return nil, err
	}
	admin, err := s.connectAsAdmin(ctx, "postgres")
	if err != nil {
		return nil, err
	}
	defer func() { _ = admin.Close(ctx) }()
	if _, err := admin.Exec(ctx, `CREATE DATABASE plain`); err != nil {
		return nil, err
	}
	conn, err := s.connectAsAdmin(ctx, "plain")
	if err != nil {
		return nil, err
	}
	defer func() { _ = conn.Close(ctx) }()
	_, err = conn.Exec(ctx, `CREATE TABLE plain (id bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, body text NOT NULL, at timestamptz NOT NULL DEFAULT now())`)
	if err != nil {
		return nil, err
	}
	script := filepath.Join(s.folder, "plain.sql")
	return &pgbench{server: s, program: program, script: script}, os.WriteFile(script, []byte(plainInsert), 0o644)
}

func findPgbench() (string, error) {
	found, err := filepath.Glob("/usr/lib/postgresql/*/bin/pgbench")
	if err != nil {
		return "", err
	}
	if len(found) > 0 {
		slices.Sort(found)
		return found[len(found)-1], nil
	}
	return exec.LookPath("pgbench")
}

var tps = regexp.MustCompile(`(?m)^tps = ([0-9.]+)`)

// perSecond measures committed inserts per second by some clients.
func (p *pgbench) perSecond(ctx context.Context, clients int) (float64, error) {
	password, err := p.server.adminPassword()
	if err != nil {
		return 0, err
	}
	command := exec.CommandContext(ctx, p.program, "--no-vacuum", "--file", p.script, "--client", strconv.Itoa(clients),
		"--jobs", strconv.Itoa(min(clients, 2)), "--time", strconv.Itoa(pgbenchSeconds), "plain")
	command.Env = append(os.Environ(), "PGHOST="+p.server.socketFolder(), "PGUSER="+cluster.RoleAdmin, "PGPASSWORD="+password)
	output, err := command.CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("pgbench: %w: %s", err, output)
	}
	match := tps.FindSubmatch(output)
	if match == nil {
		return 0, fmt.Errorf("pgbench printed no tps: %s", output)
	}
	return strconv.ParseFloat(string(match[1]), 64)
}
