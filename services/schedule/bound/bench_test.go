package bound_test

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/bound"
)

func BenchmarkOf(b *testing.B) {
	for _, jobs := range []int{50, 500, 5000} {
		p := benchmark.Nursery(1, jobs)
		b.Run(strconv.Itoa(jobs), func(b *testing.B) {
			for b.Loop() {
				_, err := bound.Of(b.Context(), p)
				require.NoError(b, err)
			}
		})
	}
}
