package endtoend

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

const (
	// refusedWithin is how long a server may take to find that it cannot start.
	refusedWithin = time.Minute
	// stopWithin is how long an orderly stop may take.
	stopWithin = 20 * time.Second
)

func TestAServerThatCannotStartSaysWhyAndLeavesNothingRunning(t *testing.T) {
	for _, test := range []struct {
		name string
		// hinder puts something in the way.
		hinder func(t *testing.T, i *install)
		says   []string
	}{
		{
			name: "the port is busy",
			hinder: func(t *testing.T, i *install) {
				listener, err := net.Listen("tcp", i.address)
				require.NoError(t, err)
				t.Cleanup(func() { require.NoError(t, listener.Close()) })
			},
			says: []string{"is in use by another program", "--listen"},
		},
		{
			name: "the data folder is a file",
			hinder: func(t *testing.T, i *install) {
				require.NoError(t, os.WriteFile(i.folder, nil, 0o600))
			},
			says: []string{"make the data folder", "not a directory"},
		},
		{
			name: "the data folder lies on a file system that is read-only",
			hinder: func(t *testing.T, i *install) {
				i.folder = filepath.Join(mount(t, syscall.MS_RDONLY, ""), "data")
			},
			says: []string{"make the data folder", "read-only file system"},
		},
		{
			name: "the data folder is read-only itself",
			hinder: func(t *testing.T, i *install) {
				i.folder = mount(t, syscall.MS_RDONLY, "mode=711")
			},
			says: []string{"open the log", "read-only file system"},
		},
		{
			name: "the data folder belongs to somebody else",
			hinder: func(t *testing.T, i *install) {
				require.NoError(t, os.Mkdir(i.folder, 0o555))
				if os.Geteuid() == 0 {
					i.user = nobodyID
				}
			},
			says: []string{"open the log", "permission denied"},
		},
		{
			name: "there is too little space",
			hinder: func(t *testing.T, i *install) {
				i.folder = mount(t, 0, "size=100m,mode=711")
			},
			says: []string{"needs 512 MB of free space"},
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			i := newInstall(t)
			test.hinder(t, i)
			i.launch()
			require.Positive(t, i.server.exitCode(t, refusedWithin), "it said: %s", i.server.output)
			for _, says := range test.says {
				require.Contains(t, i.server.output.String(), says)
			}
			require.NotContains(t, i.server.output.String(), "goroutine", "what it says is for a person")
			require.Zero(t, i.postmaster())
		})
	}
}

// nobodyID is the user without rights (Debian's base-passwd).
const nobodyID = 65534

// mount returns a file system in memory, where the test may mount one.
func mount(t *testing.T, flags uintptr, options string) string {
	t.Helper()
	folder := filepath.Join(temporaryFolder(t), "mounted")
	require.NoError(t, os.Mkdir(folder, 0o755))
	if err := syscall.Mount("velamen-test", folder, "tmpfs", flags, options); err != nil {
		t.Skipf("a test that may not mount file systems cannot try this: %v", err)
	}
	t.Cleanup(func() { require.NoError(t, syscall.Unmount(folder, 0)) })
	return folder
}

func TestAServerToldToStopWhileItStartsStopsInOrder(t *testing.T) {
	i := newInstall(t)
	i.launch()
	eventually(t, startWithin, func() error {
		if !strings.Contains(i.server.output.String(), "starting PostgreSQL") {
			return fmt.Errorf("it has not begun; it said: %s", i.server.output)
		}
		return nil
	})
	i.stop(stopWithin)
	require.Zero(t, i.postmaster())

	i.up()
	i.stop(stopWithin)
	require.Zero(t, i.postmaster())
	require.Contains(t, i.server.output.String(), "stopped")
}

func TestAnInstallHasOneServerOnePostgreSQLAndNoNewerDatabase(t *testing.T) {
	i := newInstall(t)
	i.up()

	second := run(t, "up", "--data-folder", i.folder, "--listen", freeAddress(t))
	require.Positive(t, second.exitCode(t, refusedWithin))
	require.Contains(t, second.output.String(), fmt.Sprintf("in use by another velamen server, process %d", i.server.cmd.Process.Pid))

	i.killPostgreSQL()
	require.Positive(t, i.server.exitCode(t, refusedWithin), "it goes when its PostgreSQL is gone")
	require.Contains(t, i.server.output.String(), "PostgreSQL ended by itself")

	i.up()
	i.asOwner(`INSERT INTO goose_db_version (version_id, is_applied) VALUES (99999, true)`)
	i.stop(stopWithin)
	i.launch()
	require.Positive(t, i.server.exitCode(t, refusedWithin))
	require.Contains(t, i.server.output.String(), "the database was made by a newer velamen")
	require.Zero(t, i.postmaster())
}

// asOwner changes the database of the running server behind its back, as the
// role that owns it.
func (i *install) asOwner(sql string) {
	i.t.Helper()
	text, err := os.ReadFile(filepath.Join(i.folder, "postgresql", "credentials.json"))
	require.NoError(i.t, err)
	var credentials struct {
		Roles map[string]string `json:"roles"`
	}
	require.NoError(i.t, json.Unmarshal(text, &credentials))
	where := url.URL{
		Scheme: "postgres", User: url.UserPassword("velamen_owner", credentials.Roles["velamen_owner"]), Path: "/velamen",
		RawQuery: url.Values{"host": {filepath.Join(i.folder, "postgresql", "run")}, "sslmode": {"disable"}}.Encode(),
	}
	ctx, cancel := context.WithTimeout(context.Background(), attemptWithin)
	defer cancel()
	conn, err := pgx.Connect(ctx, where.String())
	require.NoError(i.t, err)
	defer func() { require.NoError(i.t, conn.Close(ctx)) }()
	_, err = conn.Exec(ctx, sql)
	require.NoError(i.t, err)
}
