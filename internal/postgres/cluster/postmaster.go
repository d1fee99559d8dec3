package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

const (
	// fastShutdownLimit is how long a fast shutdown may take where the caller
	// sets no limit: it writes all changed pages of a small cluster.
	fastShutdownLimit = time.Minute
	// immediateShutdownLimit is how long PostgreSQL may take to drop everything.
	// It gives its own processes five seconds before it kills them.
	immediateShutdownLimit = 15 * time.Second
	// pollInterval is how often we look whether something has happened yet.
	pollInterval = 20 * time.Millisecond
	// logSizeToRotate in bytes: a bigger postgres.log is put aside at a start.
	logSizeToRotate = 10 << 20
)

// fixedSettings are given on the command line, which wins over every file: a
// committed record must survive a power cut, and nobody may come in from outside.
func fixedSettings(socketFolder string) []string {
	settings := []string{
		"listen_addresses=",
		"port=" + strconv.Itoa(socketPort),
		`unix_socket_directories="` + socketFolder + `"`,
		"unix_socket_permissions=0700",
		"password_encryption=scram-sha-256",
		"fsync=on",
		"full_page_writes=on",
		"synchronous_commit=on",
		"log_destination=stderr",
		"logging_collector=off",
	}
	arguments := make([]string, 0, 2*len(settings))
	for _, setting := range settings {
		arguments = append(arguments, "-c", setting)
	}
	return arguments
}

// postmaster is the main process of PostgreSQL.
type postmaster struct {
	pid      int
	logPath  string
	logStart int64 // bytes in the log that earlier runs wrote
	stopping atomic.Bool
	exited   chan struct{}
	exitErr  error      // how it ended; read only after exited is closed
	failed   chan error // one error if it ended by itself
}

func startPostmaster(c *Cluster, p programs, who account) (*postmaster, error) {
	logPath := filepath.Join(c.folder, "postgres.log")
	log, err := openLog(logPath)
	if err != nil {
		return nil, folderError(logPath, err)
	}
	defer func() { _ = log.Close() }() // the child has its own handle
	logStart, err := log.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, folderError(logPath, err)
	}
	arguments := append([]string{"-D", dataFolder(c.folder)}, fixedSettings(c.socketFolder)...)
	cmd := who.command(context.Background(), p.postgres, arguments...)
	cmd.Stdout, cmd.Stderr = log, log
	// A session of its own keeps the terminal's Ctrl-C and hang-up away.
	cmd.SysProcAttr.Setsid = true
	// If we are killed, a fast shutdown follows: it loses nothing and leaves
	// nothing to recover.
	cmd.SysProcAttr.Pdeathsig = syscall.SIGINT

	m := &postmaster{logPath: logPath, logStart: logStart, exited: make(chan struct{}), failed: make(chan error, 1)}
	started := make(chan error, 1)
	go m.supervise(cmd, started)
	if err := <-started; err != nil {
		return nil, fmt.Errorf("cluster: start %s: %w", p.postgres, err)
	}
	return m, nil
}

func openLog(path string) (*os.File, error) {
	info, err := os.Stat(path)
	if err == nil && info.Size() > logSizeToRotate {
		err = os.Rename(path, path+".1")
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
}

// supervise starts the process and waits for its end. The kernel sends the
// parent-death signal when the starting thread ends, not the process, and the
// Go runtime may end a thread whenever a goroutine locked to it returns. So this
// goroutine keeps its thread for as long as PostgreSQL runs.
func (m *postmaster) supervise(cmd *exec.Cmd, started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	if err := cmd.Start(); err != nil {
		started <- err
		return
	}
	m.pid = cmd.Process.Pid
	started <- nil
	m.exitErr = cmd.Wait()
	byItself := !m.stopping.Load()
	// Who hears of the end may stop at once, and must find that there is nothing left
	// to stop.
	close(m.exited)
	if byItself {
		m.failed <- fmt.Errorf("cluster: PostgreSQL ended by itself: %w; see %s", errOr(m.exitErr, "exit status 0"), m.logPath)
	}
}

func errOr(err error, text string) error {
	if err == nil {
		return errors.New(text)
	}
	return err
}

// stop asks for a fast shutdown, and for an immediate one when ctx ends.
func (m *postmaster) stop(ctx context.Context) error {
	select {
	case <-m.exited:
		return nil // its owner heard of it through failed
	default:
	}
	m.stopping.Store(true)
	m.signal(syscall.SIGINT)
	select {
	case <-m.exited:
		if m.exitErr != nil {
			return fmt.Errorf("cluster: PostgreSQL did not end in order: %w; see %s", m.exitErr, m.logPath)
		}
		return nil
	case <-ctx.Done():
	}
	m.signal(syscall.SIGQUIT)
	select {
	case <-m.exited:
		return fmt.Errorf("cluster: PostgreSQL was stopped at once and will recover at the next start: %w", ctx.Err())
	case <-time.After(immediateShutdownLimit):
		return fmt.Errorf("cluster: PostgreSQL process %d does not end: %w", m.pid, ctx.Err())
	}
}

// signal cannot reach another process: the number is not reused before Wait
// has returned, and after that exited is closed and nobody signals. In the
// short time between, an error says that the process is gone.
func (m *postmaster) signal(s syscall.Signal) { _ = syscall.Kill(m.pid, s) }

// waitUntilReady returns when the superuser can connect.
func (c *Cluster) waitUntilReady(ctx context.Context) error {
	ticker := time.NewTicker(pollInterval)
	defer ticker.Stop()
	for {
		conn, err := pgx.Connect(ctx, c.URL(RoleAdmin, "postgres"))
		if err == nil {
			return conn.Close(ctx)
		}
		if refused, ok := errors.AsType[*pgconn.PgError](err); ok && refused.Code == invalidPassword {
			return &FolderError{
				Folder: filepath.Join(c.folder, "credentials.json"),
				Rule:   "must hold the passwords of this cluster; restore it from the backup of the folder",
				Err:    err,
			}
		}
		select {
		case <-c.postmaster.exited:
			return c.programError("postgres", errOr(c.postmaster.exitErr, "exit status 0"), c.postmaster.log())
		case <-ctx.Done():
			return c.programError("postgres", ctx.Err(), c.postmaster.log())
		case <-ticker.C:
		}
	}
}

// invalidPassword is the SQLSTATE invalid_password.
const invalidPassword = "28P01"

// log returns what this run wrote, as far as it is worth showing.
func (m *postmaster) log() string {
	file, err := os.Open(m.logPath)
	if err != nil {
		return err.Error()
	}
	defer func() { _ = file.Close() }()
	const enough = 64 << 10
	text, err := io.ReadAll(io.NewSectionReader(file, m.logStart, enough))
	if err != nil {
		return err.Error()
	}
	return string(text)
}
