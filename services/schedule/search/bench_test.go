package search

import (
	"context"
	"fmt"
	"testing"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
)

func BenchmarkInsert(b *testing.B) {
	for _, jobs := range []int{50, 500} {
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			k := newIslander(compile(benchmark.Nursery(1, jobs)), 1, 1)
			k.b.construct(0)
			n := int32(jobs)
			for i := range b.N {
				j := int32(i) % n
				k.s.record()
				k.out(j)
				k.b.place(j)
				k.s.back()
			}
		})
	}
}

func BenchmarkRound(b *testing.B) {
	for _, jobs := range []int{50, 500} {
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			k := newIslander(compile(benchmark.Nursery(1, jobs)), 1, 1)
			k.b.construct(0)
			k.settle()
			steps := k.steps
			for range b.N {
				k.round(context.Background())
			}
			b.ReportMetric(float64(k.steps-steps)/float64(b.N), "steps/op")
		})
	}
}

func BenchmarkFirstPlan(b *testing.B) {
	for _, jobs := range []int{50, 500, 5_000} {
		b.Run(fmt.Sprint(jobs), func(b *testing.B) {
			p := benchmark.Nursery(1, jobs)
			for range b.N {
				newIslander(compile(p), 1, 1).b.construct(0)
			}
		})
	}
}

// All plans of seven jobs in three days, and in two weeks, where the trial gives up.
func BenchmarkTrial(b *testing.B) {
	for _, horizon := range []minute{4_320, 20_160} {
		b.Run(fmt.Sprint(horizon), func(b *testing.B) {
			p := benchmark.Nursery(1, mostTried)
			p.Horizon = horizon
			t := compile(p)
			k := newIslander(t, 1, 1)
			k.b.construct(0)
			best := k.s.cost()
			steps := 0
			for range b.N {
				e := newTrial(context.Background(), t, bound.Bounds{}, best)
				e.run()
				steps += e.steps
			}
			b.ReportMetric(float64(steps)/float64(b.N), "steps/op")
		})
	}
}

func BenchmarkSlots(b *testing.B) {
	p := benchmark.Nursery(1, 500)
	k := newIslander(compile(p), 1, 1)
	k.b.construct(0)
	plan := k.s.plan()
	for i := range b.N {
		Slots(p, plan, int32(i)%500, 10)
	}
}
