package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"sync"
	"syscall"
	"time"

	"go.temporal.io/sdk/client"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"

	"velamen/internal/datafolder"
	"velamen/internal/engine"
	"velamen/internal/engine/embedded"
	"velamen/internal/postgres"
	"velamen/internal/postgres/cluster"
	"velamen/internal/rpc"
	"velamen/services/records"
	"velamen/services/schedule"
	"velamen/services/treatment"
)

// How long each part may take to stop. With external servers these add up to
// less than the 30 seconds that Kubernetes allows by default.
const (
	callsWithin    = 10 * time.Second
	outboxWithin   = 5 * time.Second
	workerWithin   = 5 * time.Second
	poolWithin     = 3 * time.Second
	temporalWithin = 20 * time.Second
	clusterWithin  = 30 * time.Second
)

// Run starts everything, serves until the context ends, and stops everything.
// It returns nil after an orderly stop, an *OptionError for an option that
// cannot be meant, and otherwise what went wrong. Nothing is left running.
func Run(ctx context.Context, options Options) error {
	if err := options.check(); err != nil {
		return err
	}
	r := &run{Options: options, began: time.Now(), failed: make(chan error, 1), ended: make(chan struct{})}
	r.parts.say = r.say
	err := r.start(ctx)
	if err == nil {
		err = r.wait(ctx)
	}
	if err != nil && ctx.Err() != nil {
		// Told to stop while starting: what that broke off is no failure.
		err = nil
	}
	close(r.ended)
	return errors.Join(err, r.stop())
}

// run is one run of the server.
type run struct {
	Options
	began    time.Time
	logger   *slog.Logger
	parts    parts
	listener net.Listener
	db       *postgres.DB
	temporal client.Client
	services *services
	rpc      *rpc.Server
	// failed receives the first failure of a part that runs.
	failed chan error
	// ended is closed when the parts are about to be stopped.
	ended chan struct{}
}

// start starts the parts in order. The address is taken first: when it is in
// use nothing has been started yet. Calls wait in its queue until the end.
func (r *run) start(ctx context.Context) error {
	steps := []func(context.Context) error{
		r.openLog, r.listen, r.startStores, r.startServices, r.serve,
	}
	for _, step := range steps {
		if err := step(ctx); err != nil {
			return err
		}
	}
	r.say("ready at %s (took %.1f s)", r.listener.Addr(), time.Since(r.began).Seconds())
	if r.Ready != nil {
		r.Ready(r.listener.Addr().String())
	}
	return nil
}

// say tells the person who started the server what happens, and the log. It is
// no matter if the person went away.
func (r *run) say(format string, args ...any) {
	line := fmt.Sprintf(format, args...)
	_, _ = fmt.Fprintln(r.Progress, line)
	r.logger.Info(line)
}

// wait waits until the context ends or a part fails.
func (r *run) wait(ctx context.Context) error {
	select {
	case <-ctx.Done():
		r.say("stopping …")
		return nil
	case err := <-r.failed:
		r.logger.Error("stopping because a part failed", "error", err)
		return err
	}
}

func (r *run) stop() error {
	if len(r.parts.running) == 0 {
		return nil
	}
	if err := r.parts.stop(); err != nil {
		return err
	}
	r.say("stopped")
	return nil
}

// watch reports the failure of a part that delivers one.
func (r *run) watch(name string, failures <-chan error) {
	go func() {
		select {
		case err := <-failures:
			r.fail(fmt.Errorf("%s failed: %w", name, err))
		case <-r.ended:
		}
	}()
}

func (r *run) fail(err error) {
	select {
	case r.failed <- err:
	default: // an earlier failure stops the server already
	}
}

// openLog comes before all else, so that whatever fails stands in the log.
func (r *run) openLog(context.Context) error {
	if r.Log == nil {
		if err := r.DataFolder.Make(); err != nil {
			return err
		}
		file, err := os.OpenFile(r.DataFolder.Log(), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		if err != nil {
			return fmt.Errorf("open the log: %w", err)
		}
		// The file stays open until the process ends: parts that did not stop in
		// time still write to it.
		r.Log = file
	}
	r.logger = slog.New(slog.NewJSONHandler(r.Log, &slog.HandlerOptions{Level: r.LogLevel}))
	return nil
}

func (r *run) listen(ctx context.Context) error {
	var config net.ListenConfig
	listener, err := config.Listen(ctx, "tcp", r.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("the address %s is in use by another program, perhaps another velamen; stop it, or choose another address with --listen", r.Listen)
	}
	if err != nil {
		return fmt.Errorf("--listen %s: %w", r.Listen, err)
	}
	r.listener = listener
	r.parts.add("the listener", poolWithin, func(context.Context) error {
		if err := listener.Close(); !errors.Is(err, net.ErrClosed) {
			return err
		}
		return nil // serving closed it
	})
	return nil
}

func (r *run) startStores(ctx context.Context) error {
	if r.External != nil {
		return r.connectStores(ctx)
	}
	return r.startOwnStores(ctx)
}

// startOwnStores starts the private cluster and Temporal in this process.
func (r *run) startOwnStores(ctx context.Context) error {
	r.say("starting PostgreSQL in %s …", r.DataFolder.PostgreSQL())
	own, err := cluster.Start(ctx, cluster.Options{Folder: r.DataFolder.PostgreSQL(), Logger: r.logger})
	if err != nil {
		return err
	}
	r.parts.add("PostgreSQL", clusterWithin, own.Stop)
	r.watch("PostgreSQL", own.Failed())
	if err := postgres.Migrate(ctx, own.URL(cluster.RoleOwner, cluster.DatabaseVelamen)); err != nil {
		return err
	}
	if err := r.openDatabase(ctx, own.URL(cluster.RoleApp, cluster.DatabaseVelamen)); err != nil {
		return err
	}
	r.say("starting Temporal …")
	temporal, err := embedded.Start(ctx, embedded.Options{
		SocketFolder: own.SocketFolder(), Port: own.Port(),
		User: cluster.RoleTemporal, Password: own.Password(cluster.RoleTemporal),
		Database: cluster.DatabaseTemporal, VisibilityDatabase: cluster.DatabaseTemporalVisibility,
		Logger: r.logger,
	})
	if err != nil {
		return err
	}
	r.parts.add("Temporal", temporalWithin, func(context.Context) error { return temporal.Stop() })
	r.watch("Temporal", temporal.Failed())
	return r.dialTemporal(ctx, engine.Options{Address: temporal.Address(), Logger: r.logger})
}

// connectStores uses servers that others run. The application role cannot
// change the schema, so the schema is only checked.
func (r *run) connectStores(ctx context.Context) error {
	r.say("connecting to PostgreSQL …")
	if err := r.openDatabase(ctx, r.External.DatabaseURL); err != nil {
		return fmt.Errorf("--database-url: %w", err)
	}
	if err := postgres.CheckSchema(ctx, r.db); err != nil {
		return err
	}
	options, err := r.External.engine(r.logger)
	if err != nil {
		return err
	}
	r.say("connecting to Temporal at %s …", options.Address)
	if err := engine.EnsureNamespace(ctx, options); err != nil {
		return fmt.Errorf("--temporal-address: %w", err)
	}
	return r.dialTemporal(ctx, options)
}

func (r *run) openDatabase(ctx context.Context, url string) error {
	db, err := postgres.Open(ctx, url, r.Clock)
	if err != nil {
		return err
	}
	r.db = db
	r.parts.add("connections to PostgreSQL", poolWithin, waits(db.Close))
	return nil
}

func (r *run) dialTemporal(ctx context.Context, options engine.Options) error {
	temporal, err := engine.Dial(ctx, options)
	if err != nil {
		return err
	}
	r.temporal = temporal
	// The address of our own Temporal changes with every start; whoever looks
	// into a program with Temporal's tools finds it here.
	r.logger.Info("connected to Temporal", "address", options.Address)
	r.parts.add("connections to Temporal", poolWithin, waits(temporal.Close))
	return nil
}

// startServices makes the services and starts what runs in the background.
func (r *run) startServices(context.Context) error {
	photos, setupKey, err := r.prepareFiles()
	if err != nil {
		return err
	}
	signingKey, err := r.signingKey()
	if err != nil {
		return err
	}
	r.services = join(r.db, r.temporal, r.logger, photos, setupKey, signingKey)
	for _, worker := range r.services.workers {
		if err := worker.Start(); err != nil {
			return fmt.Errorf("start the workers of the programs and plans: %w", err)
		}
	}
	r.parts.add("the workers of the programs and plans", workerWithin, waits(r.stopWorkers))

	keeping, stopKeeping := context.WithCancel(context.Background())
	go r.forgetRequests(keeping)
	go r.startLost(keeping)
	go r.keepPlanning(keeping)
	r.parts.add("housekeeping", outboxWithin, func(context.Context) error {
		stopKeeping()
		return nil
	})

	// The relay ends with this context alone: it goes on while calls finish.
	relaying, end := context.WithCancel(context.Background())
	relayed := make(chan struct{})
	go func() {
		defer close(relayed)
		r.services.outbox.Run(relaying)
	}()
	r.parts.add("the outbox", outboxWithin, func(context.Context) error {
		end()
		<-relayed
		return nil
	})
	return nil
}

// stopWorkers stops them together: each waits for its polls to end.
func (r *run) stopWorkers() {
	var stopping sync.WaitGroup
	for _, worker := range r.services.workers {
		stopping.Go(worker.Stop)
	}
	stopping.Wait()
}

// forgetEvery is how often answers that nobody asks for any more are removed.
const forgetEvery = 24 * time.Hour

func (r *run) forgetRequests(ctx context.Context) {
	ticker := time.NewTicker(forgetEvery)
	defer ticker.Stop()
	for {
		if forgotten, err := rpc.Forget(ctx, r.db); err != nil && ctx.Err() == nil {
			r.logger.Warn("old requests were not removed", "error", err)
		} else if forgotten > 0 {
			r.logger.Info("removed old requests", "requests", forgotten)
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// startLost gives every program that goes on its workflow, should Temporal have
// lost it. Calls are answered meanwhile.
func (r *run) startLost(ctx context.Context) {
	programs, err := treatment.StartLost(ctx, r.db, r.temporal)
	if err != nil && ctx.Err() == nil {
		r.logger.Warn("not every program was given its workflow; the next start tries again", "error", err)
		return
	}
	r.logger.Info("every program that goes on has its workflow", "programs", programs)
}

// keepPlanning asks for the plans that Temporal may have lost, and gives each
// nursery's daily plan its time. Calls are answered meanwhile.
func (r *run) keepPlanning(ctx context.Context) {
	plans, err := schedule.AskLost(ctx, r.db, r.temporal)
	if err == nil {
		_, err = schedule.KeepDailyPlans(ctx, r.db, r.temporal)
	}
	if err != nil && ctx.Err() == nil {
		r.logger.Warn("not every plan was asked for again; the next start tries again", "error", err)
		return
	}
	r.logger.Info("every plan that waits is asked for, every daily plan has its time", "plans", plans)
}

// prepareFiles returns the folder of the photos and the setup key.
func (r *run) prepareFiles() (photos, setupKey string, err error) {
	if r.External != nil {
		setupKey, err = datafolder.ReadSetupKey(r.External.SetupKeyFile)
		if err != nil {
			return "", "", optionError("setup-key-file", "%v", err)
		}
		return r.External.PhotoFolder, setupKey, nil
	}
	photos = r.DataFolder.Photos()
	if err := os.MkdirAll(photos, 0o700); err != nil {
		return "", "", fmt.Errorf("make the folder of the photos: %w", err)
	}
	setupKey, err = datafolder.ReadOrMakeSetupKey(r.DataFolder.SetupKeyFile())
	if err != nil {
		return "", "", err
	}
	r.say("the key to set a nursery up is in %s", r.DataFolder.SetupKeyFile())
	return photos, setupKey, nil
}

// signingKey returns the key that signs the closes of the ledger, nil where none is
// in place.
func (r *run) signingKey() (*records.SigningKey, error) {
	if r.External == nil {
		return records.ReadOrMakeSigningKey(r.DataFolder.SigningKeyFile())
	}
	if r.External.SigningKeyFile == "" {
		return nil, nil
	}
	key, err := records.ReadSigningKey(r.External.SigningKeyFile)
	if err != nil {
		return nil, optionError("signing-key-file", "%v", err)
	}
	return key, nil
}

// serve answers calls.
func (r *run) serve(context.Context) error {
	var options []grpc.ServerOption
	if r.CertificateFile != "" {
		transport, err := credentials.NewServerTLSFromFile(r.CertificateFile, r.KeyFile)
		if err != nil {
			return optionError("tls-certificate-file", "%v", err)
		}
		options = append(options, grpc.Creds(transport))
	}
	r.rpc = rpc.NewServer(r.logger, r.services.identity, options...)
	r.services.register(r.rpc)
	go func() {
		if err := r.rpc.Serve(r.listener); err != nil {
			r.fail(fmt.Errorf("serve calls: %w", err))
		}
	}()
	r.rpc.SetServing(true)
	go r.reportHealth()
	r.parts.add("calls", callsWithin, func(ctx context.Context) error {
		r.rpc.SetServing(false)
		finished := make(chan struct{})
		go func() {
			defer close(finished)
			r.rpc.GracefulStop()
		}()
		select {
		case <-finished:
		case <-ctx.Done():
			r.rpc.Stop() // cuts off the calls that are left; GracefulStop then returns
			<-finished
		}
		return nil
	})
	return nil
}

// How often the database is asked whether it answers, and how long it may take.
const (
	healthEvery  = 5 * time.Second
	healthWithin = 2 * time.Second
)

// reportHealth tells those who ask for the server's health whether the
// database answers, until the server stops.
func (r *run) reportHealth() {
	ticker := time.NewTicker(healthEvery)
	defer ticker.Stop()
	healthy := true
	for {
		select {
		case <-r.ended:
			return
		case <-ticker.C:
		}
		ctx, cancel := context.WithTimeout(context.Background(), healthWithin)
		err := r.db.Ping(ctx)
		cancel()
		if answers := err == nil; answers != healthy {
			healthy = answers
			r.rpc.SetServing(healthy)
			r.logger.Warn("the health of the server changed", "healthy", healthy, "error", err)
		}
	}
}
