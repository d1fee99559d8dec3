package tracing

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"
)

// BenchmarkTrace traces twenty infected lots in a large nursery: 5,000 lots on 500
// benches, a quarter of them moved in the window, and 2,000 handlings of 20 lots.
func BenchmarkTrace(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	var facts Facts
	for i := range 500 {
		facts.Benches = append(facts.Benches, Bench{
			ID: at(fmt.Sprintf("h%d", i/25), fmt.Sprintf("b%d", i%25)), WaterLine: fmt.Sprintf("w%d", i/5), Place: rect(float64(20*(i/25)), float64(3*(i%25)), 10, 2),
		})
	}
	for i := range 5000 {
		lot, bench := fmt.Sprintf("l%d", i), facts.Benches[r.IntN(500)].ID
		until := forever
		if i%4 == 0 {
			until = day(5, r.IntN(24))
			facts.Stays = append(facts.Stays, Stay{Lot: lot, Bench: facts.Benches[r.IntN(500)].ID, From: until, Until: forever})
		}
		facts.Stays = append(facts.Stays, Stay{Lot: lot, Bench: bench, From: day(1, 0).AddDate(0, -1, 0), Until: until})
	}
	for i := range 2000 {
		start := day(1+i%9, 6+i%10)
		h := Handling{ID: fmt.Sprint(i), Worker: fmt.Sprintf("w%d", i%20), ToolSet: fmt.Sprintf("t%d", i%40), Start: start, End: start.Add(time.Hour)}
		for range 20 {
			h.Lots = append(h.Lots, fmt.Sprintf("l%d", r.IntN(5000)))
		}
		facts.Handlings = append(facts.Handlings, h)
	}
	q := asked()
	q.Infected = nil
	for i := range 20 {
		q.Infected = append(q.Infected, fmt.Sprintf("l%d", i))
	}
	for b.Loop() {
		if len(Trace(facts, q, Shipped())) == 0 {
			b.Fatal("nobody was exposed")
		}
	}
}
