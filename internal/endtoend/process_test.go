package endtoend

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const (
	// startWithin bounds a start, with the creation of the cluster or with
	// PostgreSQL's recovery, on a machine that is busy with other tests.
	startWithin = 2 * time.Minute
	// pollEvery is how often a test looks whether something has happened yet.
	pollEvery = 10 * time.Millisecond
)

func TestMain(m *testing.M) {
	code := m.Run()
	if err := built.remove(); err != nil {
		fmt.Fprintln(os.Stderr, "remove the built binary:", err)
		code = 1
	}
	os.Exit(code)
}

// built is the binary under test, built by the first test that asks for it.
var built binary

type binary struct {
	once   sync.Once
	folder string
	path   string
	err    error
}

// velamen returns the path of the binary.
func velamen(t testing.TB) string {
	t.Helper()
	built.once.Do(built.build)
	require.NoError(t, built.err)
	return built.path
}

func (b *binary) build() {
	if b.path = os.Getenv("VELAMEN_BINARY"); b.path != "" {
		return
	}
	if b.folder, b.err = os.MkdirTemp("", "velamen-endtoend-"); b.err != nil {
		return
	}
	// Another user runs it too.
	if b.err = os.Chmod(b.folder, 0o755); b.err != nil {
		return
	}
	b.path = filepath.Join(b.folder, "velamen")
	if output, err := exec.Command("go", "build", "-o", b.path, "velamen/cmd/velamen").CombinedOutput(); err != nil {
		b.err = fmt.Errorf("build velamen: %w\n%s", err, output)
	}
}

func (b *binary) remove() error {
	if b.folder == "" {
		return nil
	}
	return os.RemoveAll(b.folder)
}

// process is a running velamen.
type process struct {
	cmd    *exec.Cmd
	output *output
	exited chan struct{}
}

// output is what a process wrote so far.
type output struct {
	mu   sync.Mutex
	text bytes.Buffer
}

// Write adds to the output.
func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.Write(p)
}

// String returns the output so far.
func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.text.String()
}

// run starts velamen with arguments. The process is gone when the test ends.
func run(t testing.TB, arguments ...string) *process { return runAs(t, os.Geteuid(), arguments...) }

// runAs is run as another user.
func runAs(t testing.TB, user int, arguments ...string) *process {
	t.Helper()
	p := &process{cmd: exec.Command(velamen(t), arguments...), output: &output{}, exited: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr = p.output, p.output
	// A group of its own, so that a signal to the test is not one to the server;
	// and it goes when the test goes in whatever way.
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Pdeathsig: syscall.SIGKILL}
	if user != os.Geteuid() {
		p.cmd.SysProcAttr.Credential = &syscall.Credential{Uid: uint32(user), Gid: uint32(user)}
	}
	// What is left of a server's children must not keep Wait from returning.
	p.cmd.WaitDelay = time.Second
	started := make(chan error, 1)
	go func() {
		// The parent-death signal is sent when the thread ends that started the
		// process, so the thread is kept for as long.
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		err := p.cmd.Start()
		started <- err
		if err == nil {
			_ = p.cmd.Wait() // how it ended is in ProcessState
		}
		close(p.exited)
	}()
	require.NoError(t, <-started)
	t.Cleanup(func() {
		p.signal(syscall.SIGKILL)
		<-p.exited
	})
	return p
}

func (p *process) signal(s syscall.Signal) {
	select {
	case <-p.exited: // the number may belong to another process by now
	default:
		_ = p.cmd.Process.Signal(s) // one that ended this moment needs no signal
	}
}

// exitCode waits for the end and returns the code; -1 is a signal.
func (p *process) exitCode(t testing.TB, within time.Duration) int {
	t.Helper()
	select {
	case <-p.exited:
		return p.cmd.ProcessState.ExitCode()
	case <-time.After(within):
		require.FailNow(t, "velamen did not end", "within %s; it said: %s", within, p.output)
		return 0
	}
}

// install is a data folder and the server that runs on it.
type install struct {
	t       testing.TB
	folder  string
	address string
	// user runs the server.
	user   int
	server *process
}

// newInstall returns an install without a server.
func newInstall(t testing.TB) *install {
	t.Helper()
	return &install{t: t, folder: filepath.Join(temporaryFolder(t), "data"), address: freeAddress(t), user: os.Geteuid()}
}

// temporaryFolder is one that the account of PostgreSQL can pass through, which
// it cannot where testing makes its own.
func temporaryFolder(t testing.TB) string {
	t.Helper()
	folder, err := os.MkdirTemp("", "velamen-endtoend-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(folder, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	return folder
}

// freeAddress returns an address on loopback that nobody listens on. It stays
// the same through all restarts of a server, as it does for a nursery.
func freeAddress(t testing.TB) string {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, listener.Close()) }()
	return listener.Addr().String()
}

// up starts the server and waits until it answers calls.
func (i *install) up() {
	i.t.Helper()
	i.launch()
	i.waitUntilReady()
}

func (i *install) launch() {
	i.t.Helper()
	if i.server == nil {
		// Registered before the server's own cleanup, so that it runs after it.
		i.t.Cleanup(i.waitForPostgreSQL)
	}
	i.server = runAs(i.t, i.user, "up", "--data-folder", i.folder, "--listen", i.address)
}

func (i *install) waitUntilReady() {
	i.t.Helper()
	eventually(i.t, startWithin, func() error {
		select {
		case <-i.server.exited:
			require.FailNow(i.t, "velamen ended", "instead of starting; it said: %s", i.server.output)
		default:
		}
		if !strings.Contains(i.server.output.String(), "ready at "+i.address) {
			return fmt.Errorf("velamen is not ready; it said: %s", i.server.output)
		}
		return nil
	})
}

// kill ends the server at once, as a power cut would.
func (i *install) kill() {
	i.server.signal(syscall.SIGKILL)
	<-i.server.exited
}

// stop ends the server in order.
func (i *install) stop(within time.Duration) {
	i.t.Helper()
	i.server.signal(syscall.SIGTERM)
	require.Zero(i.t, i.server.exitCode(i.t, within), "it said: %s", i.server.output)
}

// postmaster returns the process id of PostgreSQL's main process, 0 without one.
func (i *install) postmaster() int {
	text, err := os.ReadFile(filepath.Join(i.folder, "postgresql", "postgres", "postmaster.pid"))
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR) {
		return 0
	}
	require.NoError(i.t, err)
	first, _, _ := strings.Cut(string(text), "\n")
	pid, err := strconv.Atoi(first)
	require.NoError(i.t, err)
	program, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", pid))
	if err != nil || filepath.Base(program) != "postgres" {
		return 0 // the file is left over from a process that is gone
	}
	return pid
}

func (i *install) killPostgreSQL() {
	if pid := i.postmaster(); pid != 0 {
		_ = syscall.Kill(pid, syscall.SIGKILL) // it may end by itself meanwhile
	}
}

// waitForPostgreSQL waits until the PostgreSQL of a server that is gone is gone
// too. The kernel has told it to end.
func (i *install) waitForPostgreSQL() {
	deadline := time.After(30 * time.Second)
	for i.postmaster() != 0 {
		select {
		case <-deadline:
			i.t.Errorf("PostgreSQL outlived its server in %s and was killed", i.folder)
			i.killPostgreSQL()
			return
		case <-time.After(pollEvery):
		}
	}
}

// temporalAddress returns where the Temporal server of the running velamen
// answers, which is in the log.
func (i *install) temporalAddress() string {
	i.t.Helper()
	log, err := os.Open(filepath.Join(i.folder, "velamen.log"))
	require.NoError(i.t, err)
	defer func() { require.NoError(i.t, log.Close()) }()
	var address string
	lines := bufio.NewScanner(log)
	lines.Buffer(nil, 1<<20) // a panic's line carries its stack
	for lines.Scan() {
		var line struct {
			Message string `json:"msg"`
			Address string `json:"address"`
		}
		// A line that a killed server left unfinished is none.
		if json.Unmarshal(lines.Bytes(), &line) == nil && line.Message == "connected to Temporal" {
			address = line.Address
		}
	}
	require.NoError(i.t, lines.Err())
	require.NotEmpty(i.t, address, "the log says where Temporal answers")
	return address
}

// eventually asks until there is no error any more.
func eventually(t testing.TB, within time.Duration, ask func() error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	for {
		err := ask()
		if err == nil {
			return
		}
		select {
		case <-ctx.Done():
			require.NoError(t, err, "still so after %s", within)
		case <-time.After(pollEvery):
		}
	}
}
