package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"velamen/internal/cli"
	"velamen/internal/clock"
	"velamen/internal/datafolder"
	"velamen/internal/demo"
	"velamen/internal/server"
)

// anyPort lets the machine choose: a demo that checks itself needs no address
// that others know.
const anyPort = "127.0.0.1:0"

func demoCommand() *cobra.Command {
	var folder string
	d := demonstration{clock: clock.System{}}
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run velamen with an invented nursery to look around in",
		Long: `Runs velamen like velamen up, in a data folder of its own, and fills it with an
invented nursery: houses, benches, lots, people, products and 90 days of
outbreaks at every stage. It prints logins and commands to try, and serves until
it is told to stop (Ctrl-C). The passwords are known to everybody, so it answers
on this machine only.

With --check it plays two outbreaks through as the people of the nursery, prints
every step and the use record of the house, and stops. It fails when anything is
not as it should be.

` + cli.Caution,
		Example: `  velamen demo
  velamen demo --check`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			d.folder = datafolder.Folder(folder)
			if d.check && !cmd.Flags().Changed("listen") {
				d.listen = anyPort
			}
			return d.run(cmd)
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&folder, "data-folder", string(demo.DefaultFolder()), "folder that holds the demo and nothing else")
	flags.StringVar(&d.listen, "listen", cli.DefaultServer, "address on this machine on which calls are answered")
	flags.BoolVar(&d.check, "check", false, "play two outbreaks through, print what happens, and stop")
	return cmd
}

// demonstration is one run of the demo.
type demonstration struct {
	folder datafolder.Folder
	listen string
	check  bool
	clock  clock.Clock
}

// run serves until the command's context ends, or until the demo has failed or
// has checked itself.
func (d demonstration) run(cmd *cobra.Command) error {
	if err := d.claim(); err != nil {
		return err
	}
	ctx, stop := context.WithCancel(cmd.Context())
	defer stop()
	var played chan error
	err := server.Run(ctx, server.Options{
		DataFolder: d.folder, Listen: d.listen, Clock: d.clock, LogLevel: slog.LevelInfo, Progress: cmd.ErrOrStderr(),
		Ready: func(address string) {
			played = make(chan error, 1)
			go func() {
				err := d.play(ctx, cmd, address)
				if err != nil || d.check {
					stop()
				}
				played <- err
			}()
		},
	})
	if server.IsOption(err) {
		return cli.Usage(err)
	}
	stop()
	if played == nil {
		return err
	}
	if failed := <-played; failed != nil && cmd.Context().Err() == nil && err == nil {
		return failed
	}
	return err
}

// claim holds the address to this machine and the folder to the demo.
func (d demonstration) claim() error {
	host, _, err := net.SplitHostPort(d.listen)
	if err == nil && host != "localhost" && !net.ParseIP(host).IsLoopback() {
		return cli.Usage(fmt.Errorf("--listen %s: the passwords of the demo are known to everybody, so it answers on this machine only", d.listen))
	}
	if d.folder == "" {
		return cli.Usage(errors.New("--data-folder: there is no default place without a home folder; name a folder"))
	}
	return demo.ClaimFolder(d.folder)
}

// play fills the server at an address, and then checks it or says how to look
// around.
func (d demonstration) play(ctx context.Context, cmd *cobra.Command, address string) error {
	setupKey, err := datafolder.ReadSetupKey(d.folder.SetupKeyFile())
	if err != nil {
		return err
	}
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close() }() // nothing is sent any more
	served := demo.Server{Conn: conn, SetupKey: setupKey, Clock: d.clock, Out: cmd.OutOrStdout()}
	if err := demo.Seed(ctx, served); err != nil {
		return err
	}
	if d.check {
		return demo.Check(ctx, served)
	}
	return demo.Welcome(cmd.OutOrStdout(), address, cli.DefaultServer, d.clock)
}
