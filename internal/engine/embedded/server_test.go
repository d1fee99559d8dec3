//go:build !external

package embedded

import (
	"context"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	enumspb "go.temporal.io/api/enums/v1"
	"go.temporal.io/api/workflowservice/v1"
	"go.temporal.io/sdk/client"
	"go.temporal.io/sdk/worker"
	"go.temporal.io/sdk/workflow"
	"go.temporal.io/server/temporal"

	"velamen/internal/engine"
	"velamen/internal/postgres/cluster"
)

const (
	taskQueue  = "inspection"
	workflowID = "program/1"
	confirmed  = "confirmed"
)

// inspectionWorkflow waits until the inspection is due, and then for a person.
func inspectionWorkflow(ctx workflow.Context, due time.Duration) (string, error) {
	if err := workflow.Sleep(ctx, due); err != nil {
		return "", err
	}
	var by string
	workflow.GetSignalChannel(ctx, confirmed).Receive(ctx, &by)
	return "inspected by " + by, nil
}

// install is what one machine runs, without our own services.
type install struct {
	cluster *cluster.Cluster
	server  *Server
	client  client.Client
	worker  worker.Worker
}

func up(t *testing.T, folder string, logger *slog.Logger) *install {
	t.Helper()
	began := time.Now()
	c, err := cluster.Start(t.Context(), cluster.Options{Folder: folder, Logger: logger})
	require.NoError(t, err)
	t.Cleanup(func() { _ = c.Stop(context.Background()) })
	t.Logf("PostgreSQL up after %v", time.Since(began))

	began = time.Now()
	s, err := Start(t.Context(), options(c, logger))
	require.NoError(t, err)
	t.Cleanup(func() { _ = s.Stop() })
	t.Logf("Temporal up after %v", time.Since(began))

	began = time.Now()
	i := &install{cluster: c, server: s}
	i.client, err = engine.Dial(t.Context(), engine.Options{Address: s.Address(), Logger: logger})
	require.NoError(t, err)
	i.worker = worker.New(i.client, taskQueue, worker.Options{})
	i.worker.RegisterWorkflow(inspectionWorkflow)
	require.NoError(t, i.worker.Start())
	t.Logf("worker up after %v", time.Since(began))
	return i
}

func options(c *cluster.Cluster, logger *slog.Logger) Options {
	return Options{
		SocketFolder: c.SocketFolder(), Port: c.Port(),
		User: cluster.RoleTemporal, Password: c.Password(cluster.RoleTemporal),
		Database: cluster.DatabaseTemporal, VisibilityDatabase: cluster.DatabaseTemporalVisibility,
		Logger: logger,
	}
}

func (i *install) down(t *testing.T) {
	t.Helper()
	began := time.Now()
	i.worker.Stop()
	i.client.Close()
	t.Logf("worker down after %v", time.Since(began))
	began = time.Now()
	require.NoError(t, i.server.Stop())
	require.NoError(t, i.server.Stop(), "a second call changes nothing")
	t.Logf("Temporal down after %v", time.Since(began))
	began = time.Now()
	require.NoError(t, i.cluster.Stop(t.Context()))
	t.Logf("PostgreSQL down after %v", time.Since(began))
}

// TestProgramOutlivesRestart pays for the start of the server once for all that
// is to be shown about it.
func TestProgramOutlivesRestart(t *testing.T) {
	dir := t.TempDir()
	for _, open := range []string{dir, filepath.Dir(dir)} {
		require.NoError(t, os.Chmod(open, 0o711)) // the account of PostgreSQL must get through
	}
	folder := filepath.Join(dir, "nursery")
	logger := slog.New(slog.NewTextHandler(t.Output(), nil))
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()

	first := up(t, folder, logger)
	requireLoopback(t, first.server.Address())
	requireNamespace(ctx, t, first.client)

	began := time.Now()
	short, err := first.client.ExecuteWorkflow(ctx, client.StartWorkflowOptions{ID: "program/0", TaskQueue: taskQueue}, inspectionWorkflow, time.Millisecond)
	require.NoError(t, err)
	require.NoError(t, first.client.SignalWorkflow(ctx, short.GetID(), "", confirmed, "the grower"))
	require.Equal(t, "inspected by the grower", result(ctx, t, short))
	t.Logf("first workflow took %v", time.Since(began))

	started, err := first.client.ExecuteWorkflow(ctx, client.StartWorkflowOptions{ID: workflowID, TaskQueue: taskQueue}, inspectionWorkflow, 3*time.Second)
	require.NoError(t, err)
	waitForTimer(ctx, t, first.client, started.GetRunID())
	first.down(t)

	second := up(t, folder, logger)
	require.NoError(t, second.client.SignalWorkflow(ctx, workflowID, "", confirmed, "the manager"))
	require.Equal(t, "inspected by the manager", result(ctx, t, second.client.GetWorkflow(ctx, workflowID, started.GetRunID())))
	requireVisible(ctx, t, second.client)
	second.down(t)

	requireInterruptedSchemaIsRepaired(ctx, t, folder, logger)
}

func result(ctx context.Context, t *testing.T, run client.WorkflowRun) string {
	t.Helper()
	var text string
	require.NoError(t, run.Get(ctx, &text))
	return text
}

func requireLoopback(t *testing.T, address string) {
	t.Helper()
	host, _, err := net.SplitHostPort(address)
	require.NoError(t, err)
	require.Equal(t, "127.0.0.1", host)
}

func requireNamespace(ctx context.Context, t *testing.T, c client.Client) {
	t.Helper()
	namespace, err := c.WorkflowService().DescribeNamespace(ctx, &workflowservice.DescribeNamespaceRequest{Namespace: engine.Namespace})
	require.NoError(t, err)
	require.Equal(t, engine.Retention, namespace.GetConfig().GetWorkflowExecutionRetentionTtl().AsDuration())
}

// waitForTimer returns when the workflow waits for its due time.
func waitForTimer(ctx context.Context, t *testing.T, c client.Client, runID string) {
	t.Helper()
	events := c.GetWorkflowHistory(ctx, workflowID, runID, true, enumspb.HISTORY_EVENT_FILTER_TYPE_ALL_EVENT)
	for events.HasNext() {
		event, err := events.Next()
		require.NoError(t, err)
		if event.GetEventType() == enumspb.EVENT_TYPE_TIMER_STARTED {
			return
		}
	}
	t.Fatal("the workflow ended without waiting")
}

// requireVisible finds both programs through the visibility database, which is
// written a moment later.
func requireVisible(ctx context.Context, t *testing.T, c client.Client) {
	t.Helper()
	require.Eventually(t, func() bool {
		found, err := c.ListWorkflow(ctx, &workflowservice.ListWorkflowExecutionsRequest{
			Query: `WorkflowType = 'inspectionWorkflow' AND ExecutionStatus = 'Completed'`,
		})
		return err == nil && len(found.GetExecutions()) == 2
	}, 30*time.Second, 50*time.Millisecond)
}

// requireInterruptedSchemaIsRepaired starts on a database whose very first
// migration was cut off after its statements and before its version was noted.
func requireInterruptedSchemaIsRepaired(ctx context.Context, t *testing.T, folder string, logger *slog.Logger) {
	t.Helper()
	c, err := cluster.Start(ctx, cluster.Options{Folder: folder, Logger: logger})
	require.NoError(t, err)
	defer func() { _ = c.Stop(context.Background()) }()
	for _, database := range []string{cluster.DatabaseTemporal, cluster.DatabaseTemporalVisibility} {
		db, err := pgx.Connect(ctx, c.URL(cluster.RoleTemporal, database))
		require.NoError(t, err)
		_, err = db.Exec(ctx, `UPDATE schema_version SET curr_version = '0.0', min_compatible_version = '0.0'`)
		require.NoError(t, err)
		require.NoError(t, db.Close(ctx))
	}
	s, err := Start(ctx, options(c, logger))
	require.NoError(t, err)
	require.NoError(t, s.Stop())

	requireTakenPortIsReported(t, options(c, nil))
}

// requireTakenPortIsReported loses the race for a port. Its server cannot be
// stopped, so it comes last and has no logger.
func requireTakenPortIsReported(t *testing.T, o Options) {
	t.Helper()
	o, err := o.withDefaults()
	require.NoError(t, err)
	taken, err := net.Listen("tcp", loopbackAddress(0))
	require.NoError(t, err)
	defer func() { _ = taken.Close() }()
	ports, err := freePorts(len(temporal.DefaultServices))
	require.NoError(t, err)
	ports[0] = taken.Addr().(*net.TCPAddr).Port

	began := time.Now()
	_, err = launch(serverConfig(o, ports), newServerLogger(o.Logger, o.LogLevel))
	require.ErrorContains(t, err, taken.Addr().String())
	require.ErrorContains(t, err, "address already in use")
	t.Logf("a taken port was reported after %v", time.Since(began))
}

func TestStartRefusesMissingOptions(t *testing.T) {
	_, err := Start(t.Context(), Options{SocketFolder: "/run/x", Port: 5432, User: "velamen_temporal"})
	require.ErrorContains(t, err, "Password")
}
