package cluster

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
)

// testFolder is a folder the unprivileged account can reach: those of the
// testing package are closed to others.
func testFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, open := range []string{dir, filepath.Dir(dir)} {
		require.NoError(t, os.Chmod(open, 0o711))
	}
	return filepath.Join(dir, "nursery")
}

func start(t *testing.T, folder string) *Cluster {
	t.Helper()
	began := time.Now()
	c, err := Start(t.Context(), Options{Folder: folder, Logger: slog.New(slog.NewTextHandler(t.Output(), nil))})
	require.NoError(t, err)
	t.Logf("started in %v", time.Since(began))
	t.Cleanup(func() { _ = c.Stop(context.Background()) })
	return c
}

func stop(t *testing.T, c *Cluster) {
	t.Helper()
	began := time.Now()
	require.NoError(t, c.Stop(t.Context()))
	t.Logf("stopped in %v", time.Since(began))
}

func connect(t *testing.T, c *Cluster, role, database string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), c.URL(role, database))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func run(t *testing.T, conn *pgx.Conn, statement string) {
	t.Helper()
	_, err := conn.Exec(t.Context(), statement)
	require.NoError(t, err)
}

func value(t *testing.T, conn *pgx.Conn, query string) string {
	t.Helper()
	var text string
	require.NoError(t, conn.QueryRow(t.Context(), query).Scan(&text))
	return text
}

func requireSQLState(t *testing.T, err error, code string) {
	t.Helper()
	var refused *pgconn.PgError
	require.ErrorAs(t, err, &refused)
	require.Equal(t, code, refused.Code, refused.Message)
}

const insufficientPrivilege = "42501"

func TestClusterFromFirstStartToCrash(t *testing.T) {
	folder := testFolder(t)
	c := start(t, folder)

	t.Run("every role reaches its own databases", func(t *testing.T) {
		for role, names := range map[string][]string{
			RoleAdmin:    {DatabaseVelamen, DatabaseTemporal, DatabaseTemporalVisibility},
			RoleOwner:    {DatabaseVelamen},
			RoleApp:      {DatabaseVelamen},
			RoleTemporal: {DatabaseTemporal, DatabaseTemporalVisibility},
		} {
			for _, name := range names {
				require.Equal(t, role, value(t, connect(t, c, role, name), `SELECT current_user`))
			}
		}
	})
	t.Run("and no other", func(t *testing.T) {
		for role, name := range map[string]string{RoleApp: DatabaseTemporal, RoleOwner: DatabaseTemporalVisibility, RoleTemporal: DatabaseVelamen} {
			_, err := pgx.Connect(t.Context(), c.URL(role, name))
			requireSQLState(t, err, insufficientPrivilege)
		}
	})
	t.Run("nobody comes in without the right password", func(t *testing.T) {
		config, err := pgx.ParseConfig(c.URL(RoleApp, DatabaseVelamen))
		require.NoError(t, err)
		config.Password = "wrong"
		_, err = pgx.ConnectConfig(t.Context(), config)
		requireSQLState(t, err, invalidPassword)
		_, err = pgx.Connect(t.Context(), c.URL("stranger", DatabaseVelamen))
		require.Error(t, err)
	})
	t.Run("the role at run time creates nothing", func(t *testing.T) {
		app := connect(t, c, RoleApp, DatabaseVelamen)
		for _, statement := range []string{`CREATE TABLE x ()`, `CREATE SCHEMA x`, `CREATE TEMPORARY TABLE x ()`, `CREATE ROLE x`, `CREATE DATABASE x`} {
			_, err := app.Exec(t.Context(), statement)
			requireSQLState(t, err, insufficientPrivilege)
		}
	})
	t.Run("the owner can create what migrations need", func(t *testing.T) {
		owner := connect(t, c, RoleOwner, DatabaseVelamen)
		run(t, owner, `CREATE EXTENSION btree_gist; CREATE SCHEMA stock; CREATE TABLE lot (name text)`)
		run(t, connect(t, c, RoleTemporal, DatabaseTemporalVisibility), `CREATE EXTENSION btree_gin`)
		_, err := owner.Exec(t.Context(), `ALTER ROLE velamen_app SUPERUSER`)
		requireSQLState(t, err, insufficientPrivilege)
	})
	t.Run("what is committed is safe", func(t *testing.T) {
		admin := connect(t, c, RoleAdmin, "postgres")
		for setting, want := range map[string]string{
			"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_checksums": "on",
			"listen_addresses": "", "max_connections": "200", "TimeZone": "UTC", "server_encoding": "UTF8",
		} {
			require.Equal(t, want, value(t, admin, `SHOW `+setting), setting)
		}
	})
	t.Run("PostgreSQL does not run as root", func(t *testing.T) {
		info, err := os.Stat(filepath.Join("/proc", strconv.Itoa(c.postmaster.pid)))
		require.NoError(t, err)
		require.NotZero(t, info.Sys().(*syscall.Stat_t).Uid)
	})
	t.Run("secrets are for the owner only and never logged", func(t *testing.T) {
		info, err := os.Stat(filepath.Join(folder, "credentials.json"))
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode())
		log, err := os.ReadFile(filepath.Join(folder, "postgres.log"))
		require.NoError(t, err)
		for _, role := range allRoles {
			require.Len(t, c.Password(role), 26)
			require.NotContains(t, string(log), c.Password(role))
		}
		require.NoFileExists(t, filepath.Join(folder, "run", "initdb.password"))
	})
	t.Run("a second server on the same folder is refused", func(t *testing.T) {
		_, err := Start(t.Context(), Options{Folder: folder})
		var locked *LockedError
		require.ErrorAs(t, err, &locked)
		require.Equal(t, os.Getpid(), locked.PID)
		require.ErrorContains(t, err, folder)
	})

	run(t, connect(t, c, RoleOwner, DatabaseVelamen), `INSERT INTO lot VALUES ('before stop')`)
	stop(t, c)
	stop(t, c) // a second call changes nothing

	c = start(t, folder)
	t.Run("starts again on the same data", func(t *testing.T) {
		owner := connect(t, c, RoleOwner, DatabaseVelamen)
		require.Equal(t, "before stop", value(t, owner, `SELECT name FROM lot`))
		run(t, owner, `UPDATE lot SET name = 'before crash'`)
	})
	t.Run("says so when PostgreSQL ends by itself", func(t *testing.T) {
		require.NoError(t, syscall.Kill(c.postmaster.pid, syscall.SIGKILL))
		select {
		case err := <-c.Failed():
			require.ErrorContains(t, err, "killed")
		case <-time.After(30 * time.Second):
			t.Fatal("nothing was reported")
		}
		stop(t, c)
	})
	t.Run("recovers what was committed before the crash", func(t *testing.T) {
		c = start(t, folder)
		require.Equal(t, "before crash", value(t, connect(t, c, RoleOwner, DatabaseVelamen), `SELECT name FROM lot`))
		stop(t, c)
	})
	t.Run("a postmaster nobody owns is stopped first", func(t *testing.T) {
		orphan := startUnowned(t, folder, c)
		run(t, connect(t, c, RoleOwner, DatabaseVelamen), `UPDATE lot SET name = 'before adoption'`)
		again := start(t, folder)
		requireGone(t, folder, orphan)
		require.Equal(t, "before adoption", value(t, connect(t, again, RoleOwner, DatabaseVelamen), `SELECT name FROM lot`))
		stop(t, again)
	})
	t.Run("the number of a dead postmaster may belong to another process", func(t *testing.T) {
		who, err := chooseAccount("")
		require.NoError(t, err)
		other := who.command(t.Context(), "/bin/sleep", "600")
		require.NoError(t, other.Start())
		t.Cleanup(func() { _ = other.Process.Kill(); _ = other.Wait() })
		stale := strconv.Itoa(other.Process.Pid) + "\n" + dataFolder(folder) + "\n"
		require.NoError(t, os.WriteFile(filepath.Join(dataFolder(folder), "postmaster.pid"), []byte(stale), 0o600))
		require.NoError(t, os.WriteFile(filepath.Join(c.SocketFolder(), socketName+".lock"), []byte(stale), 0o600))
		stop(t, start(t, folder))
		require.NoError(t, syscall.Kill(other.Process.Pid, 0), "the other process must be left alone")
	})
	t.Run("a lost password of a role is replaced", func(t *testing.T) {
		lost, err := readCredentials(filepath.Join(folder, "credentials.json"))
		require.NoError(t, err)
		delete(lost.Roles, RoleApp)
		require.NoError(t, writeCredentials(folder, filepath.Join(folder, "credentials.json"), lost))
		again := start(t, folder)
		connect(t, again, RoleApp, DatabaseVelamen)
		stop(t, again)
	})
	t.Run("lost credentials are named", func(t *testing.T) {
		path := filepath.Join(folder, "credentials.json")
		require.NoError(t, os.Rename(path, path+".away"))
		requireFolderError(t, folder, path, "restore it from the backup")
		require.NoError(t, os.Rename(path+".away", path))
	})
	t.Run("another major version is refused", func(t *testing.T) {
		path := filepath.Join(dataFolder(folder), "PG_VERSION")
		written, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, []byte("9\n"), 0o600))
		_, err = Start(t.Context(), Options{Folder: folder})
		var version *VersionError
		require.ErrorAs(t, err, &version)
		require.Equal(t, "9", version.Data)
		require.ErrorContains(t, err, "postgresql-9")
		require.NoError(t, os.WriteFile(path, written, 0o600))
	})
	t.Run("missing programs are named", func(t *testing.T) {
		t.Setenv(binVariable, t.TempDir())
		_, err := Start(t.Context(), Options{Folder: folder})
		var missing *BinariesError
		require.ErrorAs(t, err, &missing)
		require.ErrorContains(t, err, "apt-get install postgresql")
	})
	t.Run("after all of this it still starts", func(t *testing.T) {
		again := start(t, folder)
		require.Equal(t, "before adoption", value(t, connect(t, again, RoleOwner, DatabaseVelamen), `SELECT name FROM lot`))
		stop(t, again)
	})
}

// requireGone does not ask for the number: a process whose parent was killed
// keeps it until the system collects it.
func requireGone(t *testing.T, folder string, pid int) {
	t.Helper()
	running, err := processesIn(dataFolder(folder))
	require.NoError(t, err)
	require.NotContains(t, running, pid)
}

// startUnowned runs a postmaster that nothing stops when its owner ends.
func startUnowned(t *testing.T, folder string, c *Cluster) int {
	t.Helper()
	who, err := chooseAccount("")
	require.NoError(t, err)
	p, err := findPrograms(t.Context(), folder)
	require.NoError(t, err)
	cmd := who.command(context.Background(), p.postgres, append([]string{"-D", dataFolder(folder)}, fixedSettings(c.socketFolder)...)...)
	cmd.SysProcAttr.Setsid = true
	require.NoError(t, cmd.Start())
	go func() { _ = cmd.Wait() }()
	t.Cleanup(func() { _ = cmd.Process.Signal(syscall.SIGQUIT) })
	require.Eventually(t, func() bool {
		conn, err := pgx.Connect(t.Context(), c.URL(RoleAdmin, "postgres"))
		return err == nil && conn.Close(t.Context()) == nil
	}, 30*time.Second, 50*time.Millisecond)
	return cmd.Process.Pid
}

func requireFolderError(t *testing.T, folder, named, rule string) {
	t.Helper()
	c, err := Start(t.Context(), Options{Folder: folder})
	if err == nil {
		_ = c.Stop(context.Background())
	}
	var refused *FolderError
	require.ErrorAs(t, err, &refused)
	require.Equal(t, named, refused.Folder)
	require.ErrorContains(t, err, rule)
	require.ErrorContains(t, err, named)
}

func TestInterruptedFirstStartIsCompleted(t *testing.T) {
	folder := testFolder(t)
	fresh := filepath.Join(folder, "postgres.new")
	require.NoError(t, os.MkdirAll(fresh, 0o700))
	require.NoError(t, os.Chmod(folder, 0o711))
	require.NoError(t, os.WriteFile(filepath.Join(fresh, "PG_VERSION"), []byte("15\n"), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "credentials.json.new"), []byte(`{"ro`), 0o600))

	c := start(t, folder)
	connect(t, c, RoleApp, DatabaseVelamen)
	require.NoDirExists(t, fresh)

	// As if the first start had ended before the last of the contents.
	admin := connect(t, c, RoleAdmin, "postgres")
	run(t, admin, `DROP DATABASE temporal_visibility`)
	run(t, admin, `DROP DATABASE velamen WITH (FORCE)`)
	run(t, admin, `DROP ROLE velamen_app`)
	stop(t, c)
	c = start(t, folder)
	connect(t, c, RoleApp, DatabaseVelamen)
	connect(t, c, RoleTemporal, DatabaseTemporalVisibility)
	stop(t, c)
}

func TestFolderWithATooLongPath(t *testing.T) {
	folder := filepath.Join(testFolder(t), strings.Repeat("long", 30))
	c := start(t, folder)
	require.True(t, fitsSocket(c.SocketFolder()), c.SocketFolder())
	first := c.SocketFolder()
	connect(t, c, RoleApp, DatabaseVelamen)
	stop(t, c)

	again := start(t, folder)
	require.Equal(t, first, again.SocketFolder())
	stop(t, again)

	require.NoDirExists(t, first)

	require.NoError(t, os.Mkdir(first, 0o755)) // somebody was quicker
	t.Cleanup(func() { _ = os.Remove(first) })
	requireFolderError(t, folder, first, "remove it")
}

func TestFoldersThatAreRefused(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root to make folders of others")
	}
	t.Run("a file in its place", func(t *testing.T) {
		folder := testFolder(t)
		require.NoError(t, os.WriteFile(folder, nil, 0o600))
		requireFolderError(t, folder, folder, "must be a folder")
	})
	t.Run("of another user", func(t *testing.T) {
		folder := testFolder(t)
		require.NoError(t, os.Mkdir(folder, 0o755))
		require.NoError(t, os.Chown(folder, 65534, 65534))
		requireFolderError(t, folder, folder, "must belong to the user with id 0")
	})
	t.Run("writable by everybody", func(t *testing.T) {
		folder := testFolder(t)
		require.NoError(t, os.Mkdir(folder, 0o755))
		require.NoError(t, os.Chmod(folder, 0o777))
		requireFolderError(t, folder, folder, "must not be writable by everybody")
	})
	t.Run("behind a closed parent", func(t *testing.T) {
		parent := testFolder(t)
		require.NoError(t, os.Mkdir(parent, 0o700))
		requireFolderError(t, filepath.Join(parent, "a", "b"), parent, "must be open to the user")
	})
	t.Run("with other files in place of the cluster", func(t *testing.T) {
		folder := testFolder(t)
		data := filepath.Join(folder, "postgres")
		require.NoError(t, os.MkdirAll(data, 0o711))
		require.NoError(t, os.Chmod(folder, 0o711))
		require.NoError(t, os.WriteFile(filepath.Join(data, "photo.jpg"), nil, 0o600))
		requireFolderError(t, folder, data, "it holds other files")
	})
	t.Run("credentials that others can read", func(t *testing.T) {
		folder := testFolder(t)
		path := filepath.Join(folder, "credentials.json")
		require.NoError(t, os.MkdirAll(folder, 0o711))
		require.NoError(t, os.WriteFile(path, []byte(`{}`), 0o600))
		require.NoError(t, os.Chmod(path, 0o644))
		requireFolderError(t, folder, path, "chmod 600")
	})
	t.Run("on a full or read-only file system", func(t *testing.T) {
		mount := testFolder(t)
		require.NoError(t, os.Mkdir(mount, 0o711))
		if err := syscall.Mount("tmpfs", mount, "tmpfs", 0, "size=16m,mode=711"); err != nil {
			t.Skipf("cannot mount here: %v", err)
		}
		t.Cleanup(func() { _ = syscall.Unmount(mount, syscall.MNT_DETACH) })
		requireFolderError(t, mount, mount, "needs 512 MB of free space")

		require.NoError(t, fill(filepath.Join(mount, "ballast")))
		requireFolderError(t, mount, mount, "disk is full")

		require.NoError(t, syscall.Mount("", mount, "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
		requireFolderError(t, mount, mount, "read-only")
	})
}

func fill(path string) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	_, err = io.Copy(file, io.LimitReader(zeros{}, 64<<20))
	if !errors.Is(err, syscall.ENOSPC) {
		return fmt.Errorf("the disk did not fill up: %w", err)
	}
	return file.Close()
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

func TestWriteErrorsNameTheRule(t *testing.T) {
	cases := []struct {
		err  error
		rule string
	}{
		{syscall.ENOSPC, "disk is full"},
		{syscall.EDQUOT, "quota"},
		{syscall.EROFS, "read-only"},
		{syscall.EACCES, "writable by the user that runs the server"},
		{syscall.ENOTDIR, "is a file"},
		{io.ErrUnexpectedEOF, "can write to"},
	}
	for _, c := range cases {
		err := folderError("/srv/nursery", &os.PathError{Op: "write", Path: "/srv/nursery/x", Err: c.err})
		require.ErrorContains(t, err, c.rule)
		require.ErrorContains(t, err, "/srv/nursery")
		require.ErrorIs(t, err, c.err)
	}
}

// Variables that turn the test binary into a server of its own.
const (
	ownerFolder = "VELAMEN_TEST_OWNER_FOLDER"
	ownerHolds  = "VELAMEN_TEST_OWNER_HOLDS"
)

// TestOwnerProcess is the other process of the tests below: it starts a
// cluster, says so, and then stops it or waits to be killed.
func TestOwnerProcess(t *testing.T) {
	folder := os.Getenv(ownerFolder)
	if folder == "" {
		t.Skip("only runs as a process of another test")
	}
	c, err := Start(t.Context(), Options{Folder: folder})
	if err != nil {
		fmt.Printf("refused %v\n", err)
		return
	}
	fmt.Printf("ready %d\n", c.postmaster.pid)
	if os.Getenv(ownerHolds) != "" {
		select {}
	}
	require.NoError(t, c.Stop(t.Context()))
}

// owner runs TestOwnerProcess and returns it with the first line it said.
func owner(t *testing.T, folder string, who *syscall.Credential, holds bool) (*exec.Cmd, string) {
	t.Helper()
	binary := filepath.Join(filepath.Dir(folder), "owner.test") // the original may be closed to others
	content, err := os.ReadFile("/proc/self/exe")
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(binary, content, 0o755))
	cmd := exec.Command(binary, "-test.run=^TestOwnerProcess$")
	cmd.Dir = "/"
	cmd.Env = append(os.Environ(), ownerFolder+"="+folder, "TMPDIR=/tmp")
	if holds {
		cmd.Env = append(cmd.Env, ownerHolds+"=1")
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: who}
	stdout, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	lines := bufio.NewScanner(stdout)
	require.True(t, lines.Scan(), "the process said nothing")
	line := lines.Text()
	go func() { _, _ = io.Copy(io.Discard, stdout) }()
	return cmd, line
}

func TestKilledOwner(t *testing.T) {
	folder := testFolder(t)
	process, line := owner(t, folder, nil, true)
	var postmasterPID int
	_, err := fmt.Sscanf(line, "ready %d", &postmasterPID)
	require.NoError(t, err, line)

	_, err = Start(t.Context(), Options{Folder: folder})
	var locked *LockedError
	require.ErrorAs(t, err, &locked)
	require.Equal(t, process.Process.Pid, locked.PID)

	require.NoError(t, process.Process.Kill())
	_, err = process.Process.Wait() // a killed process holds its lock until it has ended
	require.NoError(t, err)
	c := start(t, folder) // at once: the old postmaster may still be there
	require.NotEqual(t, postmasterPID, c.postmaster.pid)
	connect(t, c, RoleApp, DatabaseVelamen)
	requireGone(t, folder, postmasterPID)
	stop(t, c)

	t.Run("PostgreSQL does not outlive its owner", func(t *testing.T) {
		process, line := owner(t, folder, nil, true)
		_, err := fmt.Sscanf(line, "ready %d", &postmasterPID)
		require.NoError(t, err, line)
		require.NoError(t, process.Process.Kill())
		require.Eventually(t, func() bool {
			running, err := processesIn(dataFolder(folder))
			return err == nil && len(running) == 0
		}, 30*time.Second, 20*time.Millisecond)
		log, err := os.ReadFile(filepath.Join(folder, "postgres.log"))
		require.NoError(t, err)
		require.Contains(t, lastLines(string(log), 2), "database system is shut down")
	})
}

func TestOrdinaryUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("the other tests run as an ordinary user already")
	}
	const nobody = 65534
	who := &syscall.Credential{Uid: nobody, Gid: nobody}
	folder := testFolder(t)
	require.NoError(t, os.Mkdir(folder, 0o700))
	require.NoError(t, os.Chown(folder, nobody, nobody))

	process, line := owner(t, folder, who, false)
	require.Regexp(t, `^ready \d+$`, line)
	require.NoError(t, process.Wait())

	readOnly := testFolder(t)
	require.NoError(t, os.Mkdir(readOnly, 0o500))
	require.NoError(t, os.Chown(readOnly, nobody, nobody))
	_, line = owner(t, readOnly, who, false)
	require.Contains(t, line, "refused cluster: "+readOnly+" must be writable by the user that runs the server")

	foreign := testFolder(t)
	require.NoError(t, os.Mkdir(foreign, 0o755))
	_, line = owner(t, foreign, who, false)
	require.Contains(t, line, "refused cluster: "+foreign+" must belong to the user with id 65534, but belongs to 0")
}

func TestParseMajor(t *testing.T) {
	cases := []struct {
		line string
		want int // 0: refused
	}{
		{"postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n", 15},
		{"postgres (PostgreSQL) 18.0\n", 18},
		{"postgres (PostgreSQL) 19beta1\n", 19},
		{"postgres (PostgreSQL) 9.6.24\n", 9},
		{"postgres (Another) 15.1\n", 0},
		{"", 0},
	}
	for _, c := range cases {
		got, err := parseMajor(c.line)
		require.Equal(t, c.want == 0, err != nil, c.line)
		require.Equal(t, c.want, got, c.line)
	}
}

func FuzzParseMajor(f *testing.F) {
	f.Add("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)")
	f.Add("postgres (PostgreSQL) 99999999999")
	f.Fuzz(func(t *testing.T, line string) {
		major, err := parseMajor(line)
		if err == nil {
			require.Contains(t, line, strconv.Itoa(major))
		}
	})
}

func FuzzReadPID(f *testing.F) {
	f.Add("4711\n/srv/nursery/postgres\n")
	f.Add("-12")
	f.Fuzz(func(t *testing.T, text string) {
		require.GreaterOrEqual(t, readPID(strings.NewReader(text)), 0)
	})
}
