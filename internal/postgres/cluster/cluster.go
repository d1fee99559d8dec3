package cluster

import (
	"context"
	"errors"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"time"
)

// Roles of the cluster.
const (
	// RoleAdmin is the superuser; only this package and backups use it.
	RoleAdmin = "velamen_admin"
	// RoleOwner owns our database and runs migrations.
	RoleOwner = "velamen_owner"
	// RoleApp is the role at run time. It can create nothing; what it may read
	// and write is granted by the migrations.
	RoleApp = "velamen_app"
	// RoleTemporal owns both databases of Temporal.
	RoleTemporal = "velamen_temporal"
)

// Databases of the cluster.
const (
	DatabaseVelamen            = "velamen"
	DatabaseTemporal           = "temporal"
	DatabaseTemporalVisibility = "temporal_visibility"
)

// startLimit bounds a start whose context has no deadline. Recovery after a
// power cut replays up to max_wal_size of log, which is slow on a worn SD card.
const startLimit = 5 * time.Minute

// Options says where the cluster lives.
type Options struct {
	// Folder holds everything; it is created if it is missing. Required.
	Folder string
	// Logger receives what this package does; nil drops it. PostgreSQL itself
	// writes to postgres.log in the folder.
	Logger *slog.Logger
	// Account is the unprivileged user that runs PostgreSQL when we are root.
	// It defaults to "postgres", or "nobody" if that does not exist. It is not
	// used when we are not root.
	Account string
}

// Cluster is a running PostgreSQL.
type Cluster struct {
	folder       string
	socketFolder string
	passwords    credentials
	lock         *folderLock
	postmaster   *postmaster
	logger       *slog.Logger
	stopOnce     sync.Once
	stopErr      error
}

// Start takes the folder, creates the cluster if there is none, starts
// PostgreSQL and makes sure that all roles and databases exist. A start that
// was interrupted at any point is completed by the next one.
//
// Errors: *FolderError if the folder cannot be used, *LockedError if another
// server uses it, *BinariesError if PostgreSQL is not installed, *VersionError
// if the data was written by another major version.
func Start(ctx context.Context, options Options) (*Cluster, error) {
	if options.Folder == "" {
		return nil, errors.New("cluster: Folder is required")
	}
	if options.Logger == nil {
		options.Logger = slog.New(slog.DiscardHandler)
	}
	if _, bounded := ctx.Deadline(); !bounded {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, startLimit)
		defer cancel()
	}
	who, err := chooseAccount(options.Account)
	if err != nil {
		return nil, err
	}
	folder, err := prepareFolder(options.Folder, who)
	if err != nil {
		return nil, err
	}
	lock, err := lockFolder(folder)
	if err != nil {
		return nil, err
	}
	c := &Cluster{folder: folder, lock: lock, logger: options.Logger}
	if err := c.start(ctx, who); err != nil {
		c.removeShortSocketFolder()
		return nil, errors.Join(err, lock.release())
	}
	return c, nil
}

// start does everything that needs the lock.
func (c *Cluster) start(ctx context.Context, who account) error {
	began := time.Now()
	programs, err := findPrograms(ctx, c.folder)
	if err != nil {
		return err
	}
	if err := who.checkAccess(ctx, programs, c.folder); err != nil {
		return err
	}
	if c.passwords, err = loadCredentials(c.folder); err != nil {
		return err
	}
	if c.socketFolder, err = prepareSocketFolder(c.folder, who); err != nil {
		return err
	}
	if err := stopLeftovers(ctx, dataFolder(c.folder), c.logger); err != nil {
		return err
	}
	// The socket has a file of the same kind as the data, with the same danger.
	if err := removeStalePIDFile(filepath.Join(c.socketFolder, socketName+".lock")); err != nil {
		return err
	}
	created, err := c.ensureData(ctx, programs, who)
	if err != nil {
		return err
	}
	if c.postmaster, err = startPostmaster(c, programs, who); err != nil {
		return err
	}
	err = c.waitUntilReady(ctx)
	if err == nil {
		err = c.ensureContents(ctx)
	}
	if err != nil {
		// The caller's context may be what ended, so stopping gets its own.
		stopCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), fastShutdownLimit)
		defer cancel()
		return errors.Join(err, c.postmaster.stop(stopCtx))
	}
	c.logger.Info("PostgreSQL is ready",
		slog.String("folder", c.folder), slog.Int("version", programs.major), slog.Bool("created", created),
		slog.Int("pid", c.postmaster.pid), slog.Duration("took", time.Since(began)))
	return nil
}

// SocketFolder is the folder of the UNIX socket.
func (c *Cluster) SocketFolder() string { return c.socketFolder }

// Port is the number in the name of the socket. No TCP port is opened.
func (c *Cluster) Port() int { return socketPort }

// Password is the password of one of the roles; empty for any other name.
func (c *Cluster) Password(role string) string { return c.passwords.Roles[role] }

// URL is a connection string for pgx. It holds a password and must not be
// logged. With a role the cluster does not know it holds none, and PostgreSQL
// refuses the connection.
func (c *Cluster) URL(role, database string) string {
	user := url.User(role)
	if password, known := c.passwords.Roles[role]; known {
		user = url.UserPassword(role, password)
	}
	query := url.Values{
		"host":    {c.socketFolder},
		"port":    {strconv.Itoa(socketPort)},
		"sslmode": {"disable"}, // PostgreSQL has no TLS on a socket
	}
	u := url.URL{Scheme: "postgres", User: user, Path: "/" + database, RawQuery: query.Encode()}
	return u.String()
}

// Failed delivers one error if PostgreSQL ends without having been stopped.
func (c *Cluster) Failed() <-chan error { return c.postmaster.failed }

// Stop ends PostgreSQL: open transactions are rolled back, everything committed
// is flushed. When ctx ends first it is stopped at once and an error says so;
// nothing committed is lost, and the next start takes longer. The folder is
// free afterwards. Further calls return what the first returned.
func (c *Cluster) Stop(ctx context.Context) error {
	c.stopOnce.Do(func() {
		began := time.Now()
		c.stopErr = c.postmaster.stop(ctx)
		c.removeShortSocketFolder()
		c.stopErr = errors.Join(c.stopErr, c.lock.release())
		c.logger.Info("PostgreSQL has stopped", slog.String("folder", c.folder), slog.Duration("took", time.Since(began)))
	})
	return c.stopErr
}

func dataFolder(folder string) string { return filepath.Join(folder, "postgres") }

// syncFolder makes a rename inside the folder survive a power cut.
func syncFolder(folder string) error {
	f, err := os.Open(folder)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}
