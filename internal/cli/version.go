package cli

import (
	"context"
	"encoding/json"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"
)

func (a *app) versionCommand() *cobra.Command {
	return a.command(text{
		use:     "version",
		short:   "Print the version of this program",
		long:    "Prints the version of this program, and of the Go it was built with.",
		example: "  velamen version\n  velamen version --json",
	}, func(context.Context, []string) error {
		if !a.flags.json {
			_, err := fmt.Fprintf(a.Out, "velamen %s (%s)\n", a.Version, runtime.Version())
			return err
		}
		return json.NewEncoder(a.Out).Encode(map[string]string{"version": a.Version, "go": runtime.Version()})
	})
}
