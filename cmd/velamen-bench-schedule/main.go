// Command velamen-bench-schedule measures the search for day plans on this machine:
// published problems against their best known plans and the bound, made-up
// nurseries against a longer search and against plans made by hand, a plan that is
// made anew after one change, and whether the same seed gives the same plan. Every
// plan goes through the checker. It ends with status 1 when a gate fails.
package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"
	"time"
)

func main() {
	o := options{}
	seconds := flag.Int("seconds", 3, "seconds for each published problem")
	flag.DurationVar(&o.long, "long", time.Minute, "how long each nursery is searched; what shorter searches found is compared with its end")
	flag.StringVar(&o.only, "only", "", "only what has this in its name: an instance such as la01, or nursery, replan, same")
	flag.BoolVar(&o.json, "json", false, "print JSON in place of tables")
	flag.StringVar(&o.cross, "cross", "", "only compare optima with this solver program, such as minizinc")
	flag.Parse()
	o.published = time.Duration(*seconds) * time.Second
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, o, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "velamen-bench-schedule:", err)
		os.Exit(1)
	}
}

type options struct {
	// published and long are how long one published problem and one nursery get.
	published, long time.Duration
	only            string
	json            bool
	cross           string
}

// report is all that was measured.
type report struct {
	Published []publishedRow `json:"published"`
	Nurseries []nurseryRow   `json:"nurseries"`
	Replan    *replanRow     `json:"replan,omitempty"`
	Same      []sameRow      `json:"same"`
	// Failed are the gates that did not hold.
	Failed []string `json:"failed"`
}

// fail notes a gate that did not hold.
func (r *report) fail(format string, args ...any) {
	r.Failed = append(r.Failed, fmt.Sprintf(format, args...))
}

func run(ctx context.Context, o options, w io.Writer) error {
	if o.cross != "" {
		return crossCheck(ctx, o.cross, w)
	}
	r := &report{}
	out := w
	if o.json {
		out = io.Discard
	}
	t := &table{w: out}
	for _, measure := range []func(context.Context, options, *report, *table) error{
		measurePublished, measureNurseries, measureSame,
	} {
		if err := measure(ctx, o, r, t); err != nil {
			return err
		}
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if o.json {
		encoder := json.NewEncoder(w)
		encoder.SetIndent("", "  ")
		if err := encoder.Encode(r); err != nil {
			return err
		}
	}
	var failed []error
	for _, gate := range r.Failed {
		failed = append(failed, errors.New(gate))
	}
	return errors.Join(failed...)
}
