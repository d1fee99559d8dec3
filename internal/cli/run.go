package cli

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
	"google.golang.org/grpc"

	"velamen/internal/clock"
)

// DefaultServer is where velamen up listens and commands look for the server.
// The port is free at IANA and has no meaning.
const DefaultServer = "127.0.0.1:7843"

// defaultTimeout ends a call that hangs; uploads of a few hundred megabytes on
// a slow line still fit.
const defaultTimeout = 2 * time.Minute

// Options is what the command line runs in.
type Options struct {
	// Args are the arguments without the program's name.
	Args []string
	// In, Out and Err are the standard streams.
	In       io.Reader
	Out, Err io.Writer
	// Environment looks a variable up; empty when it is not set.
	Environment func(name string) string
	// Version is printed by velamen version.
	Version string
	// Commands are added to those of this package: those that run the server.
	Commands []*cobra.Command
	// Connect replaces the connection to a server, for tests; nil dials.
	Connect func(server string) (grpc.ClientConnInterface, error)
	// Clock says what time it is where a command asks about now; nil is the
	// machine's.
	Clock clock.Clock
}

// Run runs one command line and returns its exit code. What went wrong has been
// printed on Err.
func Run(ctx context.Context, options Options) (exitCode int) {
	a := newApp(options)
	root := a.root()
	root.SetArgs(options.Args)
	// What went wrong is told last, and the nursery's zone may be needed for it.
	defer a.disconnect()
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitOK
	}
	if !a.started {
		err = Usage(err)
	}
	return a.report(ctx, err)
}

// Tree returns all commands, for tests that read their help.
func Tree(options Options) *cobra.Command { return newApp(options).root() }

// app is one run of the command line.
type app struct {
	Options
	flags struct {
		server, nursery, requestID, caFile string
		json, plaintext                    bool
		timeout                            time.Duration
	}
	// started is true once a command's own code runs: errors before are usage.
	started bool
	conn    grpc.ClientConnInterface
	closer  io.Closer
	session *session
	zone    *time.Location
	// mutation is the request id of a change that was sent, empty before.
	mutation string
}

func newApp(options Options) *app {
	if options.Clock == nil {
		options.Clock = clock.System{}
	}
	return &app{Options: options}
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "velamen",
		Short: "Keep disease outbreaks of a nursery under control and on record",
		Long: `velamen follows an outbreak in a commercial nursery from the first sign to the
release of the plants, and keeps the pesticide-use record of every house.

velamen up runs the server on this machine; the other commands are its clients.
` + Caution + `

Exit codes: 0 done, 1 failed or not answered in time, 2 usage, 3 refused, 4 not
signed in or not allowed, 5 server cannot be reached. With --json the answer is JSON on standard
output, and an error is a JSON object on standard error.`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
		PersistentPreRunE: func(cmd *cobra.Command, _ []string) error {
			return a.readEnvironment(cmd.Flags())
		},
	}
	root.SetIn(a.In)
	root.SetOut(a.Out)
	root.SetErr(a.Err)
	root.SetFlagErrorFunc(flagError)
	a.globalFlags(root.PersistentFlags())
	root.AddCommand(
		a.signInCommand(), a.signOutCommand(), a.nurseryCommand(), a.peopleCommand(), a.stockCommand(),
		a.diagnosisCommand(), a.productsCommand(), a.treatmentCommand(), a.closuresCommand(), a.entryCommand(), a.noticesCommand(),
		a.scheduleCommand(), a.recordsCommand(), a.versionCommand(),
	)
	root.AddCommand(a.Commands...)
	a.noteStart(root)
	return root
}

func (a *app) globalFlags(flags *pflag.FlagSet) {
	flags.StringVar(&a.flags.server, "server", DefaultServer, "address of the server")
	flags.StringVar(&a.flags.nursery, "nursery", "", "id of the nursery (default: that of the signed-in person)")
	flags.BoolVar(&a.flags.json, "json", false, "print JSON")
	flags.StringVar(&a.flags.requestID, "request-id", "", "UUID of an earlier try of the same change, which is then not made twice")
	flags.StringVar(&a.flags.caFile, "ca-file", "", "PEM file of the authority that signed the server's certificate")
	flags.BoolVar(&a.flags.plaintext, "plaintext", false, "allow calls between machines that nothing encrypts, passwords included")
	flags.DurationVar(&a.flags.timeout, "timeout", defaultTimeout, "give up after this time")
	FromEnvironment(flags, "server", "nursery", "ca-file", "plaintext", "timeout")
}

// noteStart makes every command say when its own code begins.
func (a *app) noteStart(cmd *cobra.Command) {
	if run := cmd.RunE; run != nil {
		cmd.RunE = func(cmd *cobra.Command, args []string) error {
			a.started = true
			return run(cmd, args)
		}
	}
	for _, child := range cmd.Commands() {
		a.noteStart(child)
	}
}

// environmentAnnotation marks flags that an environment variable may set.
const environmentAnnotation = "velamen-environment"

// FromEnvironment lets VELAMEN_<FLAG> set flags that the command line does not,
// and says so in their help.
func FromEnvironment(flags *pflag.FlagSet, names ...string) {
	for _, name := range names {
		variable := "VELAMEN_" + strings.ToUpper(strings.ReplaceAll(name, "-", "_"))
		flag := flags.Lookup(name)
		flag.Usage += " [" + variable + "]"
		flag.Annotations = map[string][]string{environmentAnnotation: {variable}}
	}
}

func (a *app) readEnvironment(flags *pflag.FlagSet) error {
	var failed error
	flags.VisitAll(func(flag *pflag.Flag) {
		variables := flag.Annotations[environmentAnnotation]
		if flag.Changed || len(variables) == 0 || failed != nil {
			return
		}
		value := a.Environment(variables[0])
		if value == "" {
			return
		}
		if err := flags.Set(flag.Name, value); err != nil {
			failed = fmt.Errorf("%s=%q: %w", variables[0], value, err)
		}
	})
	return failed
}

// text is what a command says about itself.
type text struct{ use, short, long, example string }

// command makes a command that takes the arguments its use line names.
func (a *app) command(t text, run func(ctx context.Context, args []string) error) *cobra.Command {
	return &cobra.Command{
		Use: t.use, Short: t.short, Long: t.long, Example: t.example,
		Args: argumentsOf(t.use),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := context.WithTimeout(cmd.Context(), a.flags.timeout)
			defer cancel()
			return run(ctx, args)
		},
	}
}

// group makes a command that only holds others.
func group(use, short, long string, commands ...*cobra.Command) *cobra.Command {
	cmd := &cobra.Command{
		Use: use, Short: short, Long: long,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(commands...)
	return cmd
}

// argumentsOf reads from a use line such as "move LOT BENCH", "join LOT SOURCE..."
// or "show [PLAN]" how many arguments there must be.
func argumentsOf(use string) cobra.PositionalArgs {
	wanted := strings.Fields(use)[1:]
	least := slices.IndexFunc(wanted, func(name string) bool { return strings.HasPrefix(name, "[") })
	if least < 0 {
		least = len(wanted)
	}
	return func(cmd *cobra.Command, args []string) error {
		if len(args) < least {
			return fmt.Errorf("%s is missing: %s %s", strings.TrimSuffix(wanted[len(args)], "..."), cmd.CommandPath(), strings.Join(wanted, " "))
		}
		open := len(wanted) > 0 && strings.HasSuffix(wanted[len(wanted)-1], "...")
		if len(args) > len(wanted) && !open {
			return fmt.Errorf("%q is one argument too many: %s", args[len(wanted)], strings.Join(append([]string{cmd.CommandPath()}, wanted...), " "))
		}
		return nil
	}
}

// needs marks flags without which a command makes no sense.
func needs(cmd *cobra.Command, names ...string) *cobra.Command {
	for _, name := range names {
		if err := cmd.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is not defined: a mistake in this package
		}
	}
	return cmd
}
