package records

import (
	"fmt"
	"runtime"
	"testing"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"velamen/internal/clock"
	"velamen/internal/postgres/pgtest"
)

// heapInUse returns the bytes of the heap that are reachable now.
func heapInUse() uint64 {
	runtime.GC()
	var stats runtime.MemStats
	runtime.ReadMemStats(&stats)
	return stats.HeapAlloc
}

// The heap that is held on the way must not grow with the ledger: heap-B is how much
// more is reachable at the last entry than before the first.
func BenchmarkVerifyLedger(b *testing.B) {
	for _, count := range []int{1_000, 10_000} {
		b.Run(fmt.Sprintf("%d entries", count), func(b *testing.B) {
			db := pgtest.NewAt(b, clock.Fixed(now))
			pgtest.AddNursery(b, db)
			fill(b, db, count)
			b.ResetTimer()
			for b.Loop() {
				require.NoError(b, db.InSnapshot(b.Context(), func(tx pgx.Tx) error {
					found, err := verify(b.Context(), tx, "test", wholeLedger(), nil)
					require.Equal(b, int64(count), found.last.sequence)
					require.Nil(b, found.entry)
					return err
				}))
			}
			b.StopTimer()
			b.ReportMetric(float64(count)*float64(b.N)/b.Elapsed().Seconds(), "entries/s")
			b.ReportMetric(float64(heldAtTheEnd(b, db, count)), "heap-B")
		})
	}
}

// fill enters as many applications of one product as are asked for.
func fill(b *testing.B, db *pgtest.Database, count int) {
	b.Helper()
	entries, err := entriesOf("test", application("a"))
	require.NoError(b, err)
	require.NoError(b, db.InTx(b.Context(), func(tx pgx.Tx) error {
		last, err := lockHead(b.Context(), tx, "test")
		require.NoError(b, err)
		for i := range count {
			e := entries[0]
			e.Application = fmt.Sprintf("nurseries/test/applications/a%d", i)
			if _, last, err = appendEntry(b.Context(), tx, last, e, now); err != nil {
				return err
			}
		}
		return nil
	}))
}

// heldAtTheEnd walks a ledger and returns how much more of the heap is reachable at
// its last entry than before its first.
func heldAtTheEnd(b *testing.B, db *pgtest.Database, count int) int64 {
	b.Helper()
	before, held := heapInUse(), int64(0)
	require.NoError(b, db.InSnapshot(b.Context(), func(tx pgx.Tx) error {
		checked := chain{nursery: "test", last: start()}
		return walk(b.Context(), tx, "test", wholeLedger(), func(r row) bool {
			require.Nil(b, checked.follow(r))
			if r.sequence == int64(count) {
				held = int64(heapInUse()) - int64(before)
			}
			return true
		})
	}))
	return held
}
