package server_test

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"

	identityv1 "velamen/gen/velamen/identity/v1"
	"velamen/internal/clock"
	"velamen/internal/datafolder"
	"velamen/internal/engine/embedded"
	"velamen/internal/server"
)

// startLimit is ample for a first start on a busy machine with 2 cores.
const startLimit = 3 * time.Minute

// printed is what the server says, safe to read while it says more.
type printed struct {
	mu   sync.Mutex
	said bytes.Buffer
}

func (s *printed) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.Write(p)
}

func (s *printed) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.said.String()
}

// running is a server in this process.
type running struct {
	address string
	said    *printed
	stop    context.CancelFunc
	ended   chan error
}

func start(t *testing.T, folder datafolder.Folder) running {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	t.Cleanup(stop)
	r := running{said: &printed{}, stop: stop, ended: make(chan error, 1)}
	ready := make(chan string, 1)
	go func() {
		r.ended <- server.Run(ctx, server.Options{
			DataFolder: folder, Listen: "127.0.0.1:0", Progress: r.said, Clock: clock.System{},
			Ready: func(address string) { ready <- address },
		})
	}()
	select {
	case r.address = <-ready:
	case err := <-r.ended:
		require.FailNow(t, "it ended before it was ready", "%v\n%s", err, r.said)
	case <-time.After(startLimit):
		require.FailNow(t, "it is not ready", r.said.String())
	}
	return r
}

// shutDown stops the server and holds it to stop without a failure.
func (r running) shutDown(t *testing.T) {
	t.Helper()
	r.stop()
	select {
	case err := <-r.ended:
		require.NoError(t, err)
	case <-time.After(startLimit):
		require.FailNow(t, "it does not stop", r.said.String())
	}
}

func dial(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// dataFolder is one that PostgreSQL's own user may pass through.
func dataFolder(t *testing.T) datafolder.Folder {
	t.Helper()
	folder, err := os.MkdirTemp("", "velamen-server-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(folder, 0o755))
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(folder)) })
	return datafolder.Folder(folder)
}

func TestRunStartsEverythingStopsInOrderAndKeepsWhatWasEntered(t *testing.T) {
	if !embedded.BuiltIn {
		t.Skip("this build has no Temporal server")
	}
	folder := dataFolder(t)

	first := start(t, folder)
	conn := dial(t, first.address)
	health, err := healthv1.NewHealthClient(conn).Check(t.Context(), &healthv1.HealthCheckRequest{})
	require.NoError(t, err)
	require.Equal(t, healthv1.HealthCheckResponse_SERVING, health.GetStatus())
	key, err := datafolder.ReadSetupKey(folder.SetupKeyFile())
	require.NoError(t, err)
	_, err = identityv1.NewIdentityServiceClient(conn).SetUpNursery(t.Context(), &identityv1.SetUpNurseryRequest{
		NurseryId: "test", OwnerId: "olwen", OwnerDisplayName: "Olwen Owner", OwnerPassword: "correct horse", SetupKey: key,
		Nursery:   &identityv1.Nursery{DisplayName: "Test nursery", TimeZone: "Africa/Johannesburg", Jurisdiction: "ZA"},
		RequestId: uuid.NewString(),
	})
	require.NoError(t, err)
	first.shutDown(t)
	require.Contains(t, first.said.String(), "starting PostgreSQL in "+folder.PostgreSQL())
	require.Contains(t, first.said.String(), "ready at "+first.address)
	require.Contains(t, first.said.String(), "\nstopped\n")
	require.FileExists(t, folder.Log())
	require.NoFileExists(t, filepath.Join(folder.PostgreSQL(), "postgres", "postmaster.pid"), "PostgreSQL was left running")

	second := start(t, folder)
	response, err := identityv1.NewIdentityServiceClient(dial(t, second.address)).SignIn(t.Context(),
		&identityv1.SignInRequest{Person: "nurseries/test/people/olwen", Password: "correct horse"})
	require.NoError(t, err)
	require.NotEmpty(t, response.GetToken())
	second.shutDown(t)
}

func TestRunThatIsToldToStopWhileItStartsLeavesNothingBehind(t *testing.T) {
	if !embedded.BuiltIn {
		t.Skip("this build has no Temporal server")
	}
	folder := dataFolder(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	err := server.Run(ctx, server.Options{DataFolder: folder, Listen: "127.0.0.1:0", Progress: &printed{}, Clock: clock.System{}, Ready: func(string) {}})
	require.NoError(t, err)
	require.NoFileExists(t, filepath.Join(folder.PostgreSQL(), "postgres", "postmaster.pid"))
}

func TestBusyAddressStartsNothing(t *testing.T) {
	if !embedded.BuiltIn {
		t.Skip("this build has no Temporal server")
	}
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer func() { require.NoError(t, busy.Close()) }()
	folder := dataFolder(t)
	err = server.Run(t.Context(), server.Options{DataFolder: folder, Listen: busy.Addr().String(), Progress: &printed{}, Clock: clock.System{}})
	require.ErrorContains(t, err, busy.Addr().String()+" is in use")
	require.NoDirExists(t, folder.PostgreSQL())
}
