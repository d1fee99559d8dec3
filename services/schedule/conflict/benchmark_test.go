package conflict_test

import (
	"fmt"
	"testing"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/conflict"
)

// BenchmarkExplain asks about the jobs that the day plan of a dispatcher leaves out.
func BenchmarkExplain(b *testing.B) {
	for _, jobs := range []int{50, 500, 5000} {
		b.Run(fmt.Sprintf("%d jobs", jobs), func(b *testing.B) {
			p := benchmark.Nursery(1, jobs)
			var left []int32
			for job, placement := range benchmark.EarliestDueFirst(p) {
				if !placement.Placed {
					left = append(left, int32(job))
				}
			}
			for b.Loop() {
				conflict.Explain(b.Context(), p, left, clock)
			}
		})
	}
}
