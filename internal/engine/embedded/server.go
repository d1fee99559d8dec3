//go:build !external

package embedded

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"sync"
	"time"

	"go.temporal.io/server/common/authorization"
	"go.temporal.io/server/common/config"
	"go.temporal.io/server/common/dynamicconfig"
	"go.temporal.io/server/common/membership/static"
	"go.temporal.io/server/common/primitives"
	"go.temporal.io/server/temporal"

	"velamen/internal/engine"
)

// BuiltIn says whether this binary holds the server.
const BuiltIn = true

// Server is a running Temporal server.
type Server struct {
	inner    temporal.Server
	logger   *serverLogger
	address  string
	stopOnce sync.Once
	stopErr  error
}

// Start brings the schema of both databases up to date, starts the server on
// free loopback ports and registers the namespace. When it returns, workflows
// can be started at Address.
//
// After an error the process should end: a server that came up halfway cannot
// be taken down in order.
func Start(ctx context.Context, options Options) (*Server, error) {
	options, err := options.withDefaults()
	if err != nil {
		return nil, err
	}
	logger := newServerLogger(options.Logger, options.LogLevel)
	began := time.Now()
	if err := migrate(ctx, options, logger); err != nil {
		return nil, err
	}
	migrated := time.Now()
	ports, err := freePorts(len(temporal.DefaultServices))
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("embedded: start: %w", err)
	}
	cfg := serverConfig(options, ports)
	inner, err := launch(cfg, logger)
	if err != nil {
		return nil, err
	}
	launched := time.Now()
	s := &Server{inner: inner, logger: logger, address: cfg.PublicClient.HostPort}
	err = engine.EnsureNamespace(ctx, engine.Options{Address: s.address, Namespace: options.Namespace, Logger: options.Logger})
	if err != nil {
		return nil, errors.Join(err, s.Stop())
	}
	options.Logger.Info("Temporal is ready", slog.String("address", s.address),
		slog.Duration("schema", migrated.Sub(began)), slog.Duration("server", launched.Sub(migrated)),
		slog.Duration("namespace", time.Since(launched)))
	return s, nil
}

// Address is the host:port of the frontend, on loopback. It changes with every start.
func (s *Server) Address() string { return s.address }

// Failed delivers one error if the server meets something it cannot go on
// from. The owner should then stop everything in order and exit.
func (s *Server) Failed() <-chan error { return s.logger.fatal }

// Stop ends the server and waits for it. Close workers and clients first. It
// usually takes about two seconds; the server itself allows each of its four
// services five minutes. Further calls return what the first returned.
func (s *Server) Stop() error {
	s.stopOnce.Do(func() {
		s.logger.stopping.Store(true)
		if err := s.inner.Stop(); err != nil {
			s.stopErr = fmt.Errorf("embedded: stop Temporal: %w", err)
		}
	})
	return s.stopErr
}

// launch builds and starts the server in a goroutine of its own, because a
// fatal error inside ends the goroutine it happens in (see serverLogger).
func launch(cfg *config.Config, logger *serverLogger) (temporal.Server, error) {
	var server temporal.Server
	err := errors.New("ended without a result")
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer func() {
			// Some of the server's own wrappers turn the end of a goroutine into a
			// panic. Any other panic is a bug and must stay one.
			if cause := recover(); cause != nil && len(logger.fatal) == 0 {
				panic(cause)
			}
		}()
		server, err = temporal.NewServer(
			temporal.WithConfig(cfg),
			temporal.ForServices(temporal.DefaultServices),
			temporal.WithStaticHosts(staticHosts(cfg)),
			temporal.WithLogger(logger),
			// Whoever can reach the port has full control. That is acceptable only
			// because it is bound to loopback, never to another interface.
			temporal.WithAuthorizer(authorization.NewNoopAuthorizer()),
			temporal.WithClaimMapper(func(*config.Config) authorization.ClaimMapper {
				return authorization.NewNoopClaimMapper()
			}),
			temporal.WithDynamicConfigClient(dynamicSettings()),
		)
		if err == nil {
			err = server.Start()
		}
	}()
	<-done
	if err == nil {
		return server, nil
	}
	select {
	case fatal := <-logger.fatal:
		err = errors.Join(fatal, err)
	default:
	}
	return nil, fmt.Errorf("embedded: start Temporal: %w", err)
}

func staticHosts(cfg *config.Config) map[primitives.ServiceName]static.Hosts {
	hosts := make(map[primitives.ServiceName]static.Hosts, len(cfg.Services))
	for name, service := range cfg.Services {
		hosts[primitives.ServiceName(name)] = static.SingleLocalHost(loopbackAddress(service.RPC.GRPCPort))
	}
	return hosts
}

// dynamicSettings turns off the spreading of a task queue over partitions: with
// one machine it only adds queries and latency.
func dynamicSettings() dynamicconfig.Client {
	return dynamicconfig.StaticClient{
		dynamicconfig.MatchingNumTaskqueueReadPartitions.Key():  1,
		dynamicconfig.MatchingNumTaskqueueWritePartitions.Key(): 1,
	}
}

// loopback is the only interface the server may listen on.
const loopback = "127.0.0.1"

func loopbackAddress(port int) string { return net.JoinHostPort(loopback, strconv.Itoa(port)) }

// freePorts finds n different free ports. They are held until all are found,
// then released; the server binds them a moment later and reports a clash.
func freePorts(n int) ([]int, error) {
	ports := make([]int, 0, n)
	for range n {
		listener, err := net.Listen("tcp", loopbackAddress(0))
		if err != nil {
			return nil, fmt.Errorf("embedded: find a free port on loopback: %w", err)
		}
		defer func() { _ = listener.Close() }()
		ports = append(ports, listener.Addr().(*net.TCPAddr).Port)
	}
	return ports, nil
}
