package exact_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/schedule/benchmark"
	"velamen/services/schedule/exact"
)

func BenchmarkSolve(b *testing.B) {
	for _, name := range []string{"ft06", "la18", "j301_1", "UBO10 psp2", "ft10"} {
		i := benchmark.Named(name)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				require.Equal(b, exact.Optimal, exact.Solve(b.Context(), i.Problem, 200_000).Status)
			}
		})
	}
}
