package cluster

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// initialSettings are appended to postgresql.conf once. A person may change
// them there for a bigger machine; what safety depends on is not here but in
// fixedSettings. Sizes are for a machine with 2 to 4 GB that also runs us.
const initialSettings = `
# Set by velamen when the cluster was created; may be changed.
max_connections = 200
shared_buffers = 128MB
effective_cache_size = 1GB
work_mem = 8MB
maintenance_work_mem = 64MB
max_wal_size = 512MB
wal_compression = on
# Queries here are small: compiling or spreading them costs more than it gains,
# and parallel workers need more /dev/shm than a container has by default.
jit = off
max_parallel_workers_per_gather = 0
timezone = 'UTC'
log_timezone = 'UTC'
log_line_prefix = '%m [%p] %q%u@%d '
`

// accessRules replace pg_hba.conf: nobody connects without a password.
const accessRules = `# Set by velamen when the cluster was created.
local all         all           scram-sha-256
local replication velamen_admin scram-sha-256
`

// ensureData creates the cluster if there is none and reports whether it did.
// It is built beside its final place and renamed, so that it is there as a
// whole or not at all.
func (c *Cluster) ensureData(ctx context.Context, p programs, who account) (bool, error) {
	data, fresh := dataFolder(c.folder), dataFolder(c.folder)+".new"
	version, err := dataVersion(data)
	if err != nil {
		return false, err
	}
	if version != "" {
		return false, giveTo(who, data)
	}
	if entries, err := os.ReadDir(data); err == nil && len(entries) > 0 {
		return false, &FolderError{Folder: data, Rule: "must be a PostgreSQL cluster or be missing; it holds other files"}
	}
	began := time.Now()
	if err := stopLeftovers(ctx, fresh, c.logger); err != nil {
		return false, err
	}
	if err := os.RemoveAll(fresh); err != nil {
		return false, folderError(fresh, err)
	}
	if err := giveTo(who, fresh); err != nil {
		return false, err
	}
	if err := c.initialise(ctx, p, who, fresh); err != nil {
		return false, err
	}
	if err := errors.Join(os.Rename(fresh, data), syncFolder(c.folder)); err != nil {
		return false, folderError(data, err)
	}
	c.logger.Info("created the PostgreSQL cluster", slog.String("folder", data), slog.Duration("took", time.Since(began)))
	return true, nil
}

// initialise runs initdb and writes our settings.
func (c *Cluster) initialise(ctx context.Context, p programs, who account, fresh string) error {
	passwordFile := filepath.Join(c.folder, "run", "initdb.password")
	if err := writePasswordFile(passwordFile, c.passwords.Roles[RoleAdmin], who); err != nil {
		return folderError(passwordFile, err)
	}
	defer func() { _ = os.Remove(passwordFile) }()

	cmd := who.command(ctx, p.initdb,
		"--pgdata="+fresh,
		"--username="+RoleAdmin,
		"--pwfile="+passwordFile,
		"--auth=scram-sha-256",
		"--data-checksums",
		// Sorting by code point never changes with the system's libraries, which
		// would silently break indexes after an upgrade of the system.
		"--encoding=UTF8", "--locale=C.UTF-8", "--lc-messages=C",
	)
	// Creating a cluster nobody waits for any more must end with us.
	cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL
	var output bytes.Buffer
	cmd.Stdout, cmd.Stderr = &output, &output
	// The signal is sent when the thread that started the child ends.
	runtime.LockOSThread()
	err := cmd.Run()
	runtime.UnlockOSThread()
	if err != nil {
		return c.programError("initdb", err, output.String())
	}
	err = errors.Join(
		writeSettings(filepath.Join(fresh, "postgresql.conf"), initialSettings, os.O_APPEND),
		writeSettings(filepath.Join(fresh, "pg_hba.conf"), accessRules, os.O_TRUNC),
		syncFolder(fresh),
	)
	if err != nil {
		return folderError(fresh, err)
	}
	return nil
}

// writePasswordFile makes the file initdb reads; it must be readable by the
// account and by nobody else.
func writePasswordFile(path, password string, who account) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	file, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = file.WriteString(password + "\n")
	if who.switched {
		err = errors.Join(err, file.Chown(who.uid, who.gid))
	}
	return errors.Join(err, file.Close())
}

// writeSettings changes a file that initdb made, and keeps its owner.
func writeSettings(path, text string, how int) error {
	file, err := os.OpenFile(path, os.O_WRONLY|syscall.O_NOFOLLOW|how, 0)
	if err != nil {
		return err
	}
	_, err = file.WriteString(text)
	return errors.Join(err, file.Sync(), file.Close())
}

// programError explains why a program of PostgreSQL failed, with the end of
// what it said.
func (c *Cluster) programError(program string, err error, said string) error {
	if strings.Contains(said, "No space left on device") || strings.Contains(said, "Disk quota exceeded") {
		return &FolderError{Folder: c.folder, Rule: ruleDiskFull, Err: err}
	}
	return fmt.Errorf("cluster: %s failed: %w; it said: %s", program, err, lastLines(said, 12))
}

func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
