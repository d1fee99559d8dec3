package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"

	"velamen/internal/datafolder"
	"velamen/internal/postgres/cluster"
)

// server is a velamen that runs on a data folder of its own.
type server struct {
	folder, address string
	process         *exec.Cmd
	conn            *grpc.ClientConn
}

// startTimeout is how long a server may take to be ready the first time.
const startTimeout = 2 * time.Minute

func startServer(ctx context.Context, binary string) (*server, error) {
	folder, err := os.MkdirTemp("", "velamen-bench-")
	if err != nil {
		return nil, err
	}
	// PostgreSQL's own user must be able to pass through when this runs as root.
	if err := os.Chmod(folder, 0o755); err != nil {
		return nil, err
	}
	address, err := freeAddress()
	if err != nil {
		return nil, err
	}
	s := &server{folder: folder, address: address}
	s.process = exec.Command(binary, "up", "--data-folder", folder, "--listen", address)
	s.process.Stderr = os.Stderr
	s.process.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := s.process.Start(); err != nil {
		return nil, fmt.Errorf("start %s (make build makes it): %w", binary, err)
	}
	s.conn, err = grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	if err := s.waitUntilReady(ctx); err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func freeAddress() (string, error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return listener.Addr().String(), listener.Close()
}

func (s *server) waitUntilReady(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, startTimeout)
	defer cancel()
	for {
		response, err := healthv1.NewHealthClient(s.conn).Check(ctx, &healthv1.HealthCheckRequest{}, grpc.WaitForReady(true))
		if err == nil && response.GetStatus() == healthv1.HealthCheckResponse_SERVING {
			return nil
		}
		if ctx.Err() != nil {
			return fmt.Errorf("the server was not ready in %s", startTimeout)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func (s *server) close() error {
	if s.conn != nil {
		_ = s.conn.Close()
	}
	err := s.process.Process.Signal(syscall.SIGTERM)
	_ = s.process.Wait()
	return errors.Join(err, os.RemoveAll(s.folder))
}

// setupKey reads the key with which a nursery is set up.
func (s *server) setupKey() (string, error) {
	return datafolder.ReadSetupKey(datafolder.Folder(s.folder).SetupKeyFile())
}

// connectAsAdmin connects to a database of the server's own PostgreSQL.
func (s *server) connectAsAdmin(ctx context.Context, database string) (*pgx.Conn, error) {
	config, err := pgx.ParseConfig("")
	if err != nil {
		return nil, err
	}
	if config.Password, err = s.adminPassword(); err != nil {
		return nil, err
	}
	config.Host, config.Port, config.User, config.Database = s.socketFolder(), 5432, cluster.RoleAdmin, database
	config.TLSConfig = nil
	return pgx.ConnectConfig(ctx, config)
}

func (s *server) socketFolder() string {
	return filepath.Join(datafolder.Folder(s.folder).PostgreSQL(), "run")
}

func (s *server) adminPassword() (string, error) {
	text, err := os.ReadFile(filepath.Join(datafolder.Folder(s.folder).PostgreSQL(), "credentials.json"))
	if err != nil {
		return "", err
	}
	var credentials struct {
		Roles map[string]string `json:"roles"`
	}
	if err := json.Unmarshal(text, &credentials); err != nil {
		return "", err
	}
	return credentials.Roles[cluster.RoleAdmin], nil
}

// waitUntilDelivered waits until the outbox is empty: the workflows and the
// records have learnt everything.
func (s *server) waitUntilDelivered(ctx context.Context) error {
	conn, err := s.connectAsAdmin(ctx, cluster.DatabaseVelamen)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }()
	for {
		var waiting int64
		if err := conn.QueryRow(ctx, `SELECT count(*) FROM foundation.outbox_delivery`).Scan(&waiting); err != nil {
			return err
		}
		if waiting == 0 {
			return nil
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// residentBytes is the resident memory of the server and of its PostgreSQL, from
// /proc. Pages that PostgreSQL's processes share are counted once, by
// proportional share.
func (s *server) residentBytes() (velamen, postgres int64, err error) {
	velamen, err = proportional(s.process.Process.Pid)
	if err != nil {
		return 0, 0, err
	}
	processes, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		return 0, 0, err
	}
	for _, path := range processes {
		command, err := os.ReadFile(path)
		ours := strings.HasPrefix(string(command), "postgres: ") || strings.Contains(string(command), s.folder)
		if err != nil || !ours {
			continue
		}
		pid, err := strconv.Atoi(filepath.Base(filepath.Dir(path)))
		if err != nil || pid == s.process.Process.Pid || pid == os.Getpid() {
			continue
		}
		share, err := proportional(pid)
		if err == nil {
			postgres += share
		}
	}
	return velamen, postgres, nil
}

// proportional reads the Pss of a process in bytes.
func proportional(pid int) (int64, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/smaps_rollup", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		fields := strings.Fields(line)
		if len(fields) == 3 && fields[0] == "Pss:" {
			kilobytes, err := strconv.ParseInt(fields[1], 10, 64)
			return kilobytes << 10, err
		}
	}
	return 0, fmt.Errorf("process %d has no Pss", pid)
}
