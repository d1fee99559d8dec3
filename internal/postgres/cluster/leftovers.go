package cluster

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// leftoverPatience is how long leftovers may take to end in good order. It is
// short because PostgreSQL 15 was seen to hang in a fast shutdown that came while
// it recovered from a crash, and the next start repairs whatever is dropped.
const leftoverPatience = 15 * time.Second

// stopLeftovers ends what a killed server left running on the data. The caller
// holds the lock of the folder, so no living server owns these processes.
//
// The postmaster gets a fast shutdown. Processes that lost their postmaster
// notice by themselves and end. What is still there after leftoverPatience is
// told to drop everything. SIGKILL is never used: it could leave a process that
// still writes to the data.
func stopLeftovers(ctx context.Context, data string, logger *slog.Logger) error {
	pidFile := filepath.Join(data, "postmaster.pid")
	ticker := time.NewTicker(pollInterval)
	defer ticker.Stop()
	patience := time.Now().Add(leftoverPatience)
	asked, insisted := false, false
	for {
		running, err := processesIn(data)
		if err != nil {
			return err
		}
		if len(running) == 0 {
			return removeStalePIDFile(pidFile)
		}
		if leader := pidIn(pidFile); !asked && slices.Contains(running, leader) {
			logger.Warn("stopping the PostgreSQL that a killed server left running", slog.Int("pid", leader))
			_ = syscall.Kill(leader, syscall.SIGINT) // if it is gone by now, so much the better
			asked = true
		}
		if !insisted && time.Now().After(patience) {
			for _, pid := range running {
				_ = syscall.Kill(pid, syscall.SIGQUIT)
			}
			insisted = true
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("cluster: PostgreSQL processes %v of a killed server still use %s: %w", running, data, ctx.Err())
		case <-ticker.C:
		}
	}
}

// processesIn lists the PostgreSQL processes that work in the data folder, as
// all processes of a cluster do. A shell that stands in it is not one.
func processesIn(data string) ([]int, error) {
	folder, err := os.Stat(data)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, folderError(data, err)
	}
	entries, err := os.ReadDir("/proc")
	if err != nil {
		return nil, fmt.Errorf("cluster: list processes: %w", err)
	}
	var found []int
	for _, entry := range entries {
		pid, err := strconv.Atoi(entry.Name())
		if err != nil {
			continue
		}
		// Processes that end meanwhile, and those of other users, cannot be read
		// and cannot be ours.
		works, err := os.Stat(filepath.Join("/proc", entry.Name(), "cwd"))
		if err != nil || !os.SameFile(works, folder) {
			continue
		}
		program, err := os.Readlink(filepath.Join("/proc", entry.Name(), "exe"))
		// A process that is ending has no program any more while it lets go of its
		// memory, and PostgreSQL does not start while shared memory is in use.
		// After an upgrade of the package the name ends in " (deleted)".
		if err != nil || strings.HasPrefix(filepath.Base(program), "postgres") {
			found = append(found, pid)
		}
	}
	return found, nil
}

// removeStalePIDFile removes the file if its number still belongs to a process,
// though none works in the data any more: to one that has nothing to do with it,
// which is likely in a container, where few numbers are in use; or to a
// postmaster that was killed and that its new parent has not waited for.
// PostgreSQL would refuse to start. If no process has the number, PostgreSQL
// deals with the file better than we can.
func removeStalePIDFile(path string) error {
	pid := pidIn(path)
	if pid == 0 || errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		return nil
	}
	if err := os.Remove(path); err != nil {
		return folderError(path, err)
	}
	return nil
}

func pidIn(path string) int {
	file, err := os.Open(path)
	if err != nil {
		return 0
	}
	defer func() { _ = file.Close() }()
	return readPID(file)
}
