// Command velamen-bench measures a velamen server on this machine and prints
// what it found. It runs the real binary on a data folder of its own, talks to
// it over gRPC like any client, and runs pgbench against the same PostgreSQL in
// the same run, so that the ratios hold whatever the machine.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"syscall"
)

func main() {
	options := options{}
	flag.StringVar(&options.binary, "binary", "bin/velamen", "the velamen binary to measure")
	flag.IntVar(&options.lots, "lots", 100_000, "lots to import")
	flag.IntVar(&options.programs, "programs", 1_000, "programs to open; a tenth is confirmed by 1 client, three tenths by 8, the rest by 32")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, options); err != nil {
		fmt.Fprintln(os.Stderr, "velamen-bench:", err)
		os.Exit(1)
	}
}

type options struct {
	binary         string
	lots, programs int
}

func run(ctx context.Context, o options) (err error) {
	server, err := startServer(ctx, o.binary)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, server.close()) }()
	n, err := setUp(ctx, server)
	if err != nil {
		return err
	}
	if err := measureImport(ctx, n, o.lots); err != nil {
		return err
	}
	if err := measureStarts(ctx, n, o.programs); err != nil {
		return err
	}
	if err := measureMemory(server, o.programs); err != nil {
		return err
	}
	if err := measureConfirmations(ctx, n, o.programs); err != nil {
		return err
	}
	return measureProposals(ctx, n, o.programs)
}

// say prints a result.
func say(format string, args ...any) { _, _ = fmt.Fprintf(os.Stdout, format, args...) }
