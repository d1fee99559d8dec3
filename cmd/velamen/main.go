// Command velamen is the whole of velamen in one binary: the server, and the
// commands that are its clients.
package main

import (
	"context"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"

	"github.com/spf13/cobra"

	"velamen/internal/cli"
)

func main() { os.Exit(run()) }

// run returns the exit code. The first signal stops in order; a second one ends
// the process at once.
func run() int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	return cli.Run(ctx, cli.Options{
		Args: os.Args[1:], In: os.Stdin, Out: os.Stdout, Err: os.Stderr,
		Environment: os.Getenv, Version: version(), Commands: commands(),
	})
}

// commands are those that hold a server.
func commands() []*cobra.Command {
	return []*cobra.Command{upCommand(), serveCommand(), migrateCommand(), demoCommand()}
}

// version is the module's version, or the commit of a build from a work tree.
func version() string {
	build, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	return build.Main.Version
}
