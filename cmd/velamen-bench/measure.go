package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func measureImport(ctx context.Context, n *nursery, lots int) error {
	began := time.Now()
	if err := n.imported(ctx, lots); err != nil {
		return err
	}
	took := time.Since(began)
	say("import: %d lots in %.1f s, %.0f lots/s\n", lots, took.Seconds(), float64(lots)/took.Seconds())
	return n.diagnose(ctx)
}

// startClients is how many callers start programs at once.
const startClients = 8

// measureStarts opens cases, and then starts their programs on the clock: until
// the answers, and until every workflow runs.
func measureStarts(ctx context.Context, n *nursery, programs int) error {
	cases := make([]string, programs)
	err := inParallel(startClients, programs, func(i int) (err error) {
		cases[i], err = n.open(ctx, i)
		return err
	})
	if err != nil {
		return fmt.Errorf("open a case: %w", err)
	}
	if err := n.server.waitUntilDelivered(ctx); err != nil {
		return err
	}
	began := time.Now()
	err = inParallel(startClients, programs, func(i int) error {
		_, err := n.start(ctx, cases[i])
		return err
	})
	if err != nil {
		return fmt.Errorf("start a program: %w", err)
	}
	answered := time.Since(began)
	if err := n.server.waitUntilDelivered(ctx); err != nil {
		return err
	}
	running := time.Since(began)
	say("program starts: %d by %d clients; answered %.0f/s, workflow running %.0f/s\n",
		programs, startClients, float64(programs)/answered.Seconds(), float64(programs)/running.Seconds())
	return nil
}

func measureMemory(s *server, programs int) error {
	velamen, postgres, err := s.residentBytes()
	if err != nil {
		return err
	}
	say("memory at %d open programs: velamen with Temporal %d MiB, PostgreSQL %d MiB (proportional share)\n",
		programs, velamen>>20, postgres>>20)
	return nil
}

// measureConfirmations confirms three steps of each program, by 1, 8 and 32
// clients, and a plain insert by pgbench with as many, in turn.
func measureConfirmations(ctx context.Context, n *nursery, programs int) error {
	baseline, err := newPgbench(ctx, n.server)
	if err != nil {
		return err
	}
	next := 0
	for _, load := range []struct{ clients, programs int }{
		{1, programs / 10}, {8, programs * 3 / 10}, {32, programs - programs/10 - programs*3/10},
	} {
		plain, err := baseline.perSecond(ctx, load.clients)
		if err != nil {
			return err
		}
		took, latencies, err := n.confirmAll(ctx, load.clients, next, load.programs)
		if err != nil {
			return err
		}
		next += load.programs
		rate := float64(len(latencies)) / took.Seconds()
		say("confirm a step, %2d clients: %5.0f/s, p50 %.1f ms, p99 %.1f ms; plain insert (pgbench) %5.0f/s, ratio %.3f\n",
			load.clients, rate, milliseconds(percentile(latencies, 50)), milliseconds(percentile(latencies, 99)), plain, rate/plain)
		began := time.Now()
		if err := n.server.waitUntilDelivered(ctx); err != nil {
			return err
		}
		say("  workflows had learnt of all of them %.1f s later\n", time.Since(began).Seconds())
	}
	return nil
}

// steps are those that are confirmed, in order.
var steps = []string{"isolate-1", "disinfect-1", "prune-1"}

func (n *nursery) confirmAll(ctx context.Context, clients, first, programs int) (time.Duration, []time.Duration, error) {
	latencies := make([]time.Duration, programs*len(steps))
	began := time.Now()
	err := inParallel(clients, programs, func(i int) error {
		for j, step := range steps {
			start := time.Now()
			if err := n.confirm(ctx, first+i+1, step); err != nil {
				return fmt.Errorf("confirm %s: %w", step, err)
			}
			latencies[i*len(steps)+j] = time.Since(start)
		}
		return nil
	})
	return time.Since(began), latencies, err
}

func (n *nursery) confirm(ctx context.Context, program int, step string) error {
	now := timestamppb.Now()
	_, err := n.treatment.ConfirmStep(n.as(ctx), &treatmentv1.ConfirmStepRequest{
		Name: fmt.Sprintf("%s/programs/p-%d/steps/%s", nurseryName, program, step), RequestId: uuid.NewString(),
		Confirmation: &treatmentv1.Confirmation{
			StartTime: now, EndTime: now, Bench: nurseryName + "/houses/h1/benches/iso",
			Disinfectant: "70 % alcohol, wiped", RemovedPartsBinned: true,
		},
	})
	return err
}

// inParallel runs work for 0 to n-1 by some workers at once.
func inParallel(workers, n int, work func(i int) error) error {
	indices := make(chan int)
	errs := make([]error, workers)
	var crew sync.WaitGroup
	for w := range workers {
		crew.Go(func() {
			for i := range indices {
				errs[w] = errors.Join(errs[w], work(i))
			}
		})
	}
	for i := range n {
		indices <- i
	}
	close(indices)
	crew.Wait()
	return errors.Join(errs...)
}

// percentile returns the value below which so many percent lie.
func percentile(values []time.Duration, percent int) time.Duration {
	sorted := slices.Sorted(slices.Values(values))
	return sorted[min(len(sorted)-1, len(sorted)*percent/100)]
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
