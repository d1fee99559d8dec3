package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// working measures working time in a space.
type working struct {
	// edges are the first and past-last minutes of the spans in turn, ascending.
	edges []model.Minute
	// before is the working time before each edge, minutes.
	before []int64
}

func newWorking(spans []model.Span) working {
	var w working
	var sum int64
	for _, s := range starts(slices.Clone(spans)).tidy() {
		w.edges = append(w.edges, s.From, s.To)
		w.before = append(w.before, sum, sum+int64(s.To-s.From))
		sum += int64(s.To - s.From)
	}
	return w
}

// until returns the working minutes before t.
func (w *working) until(t model.Minute) int64 {
	i, found := slices.BinarySearch(w.edges, t)
	switch {
	case i == len(w.edges):
		if i == 0 {
			return 0
		}
		return w.before[i-1]
	case found || i%2 == 0:
		return w.before[i]
	}
	return w.before[i-1] + int64(t-w.edges[i-1])
}

// least returns the fewest working minutes that length minutes cover when they
// begin at one of the starts. The count bends only where an end of the span meets
// an edge, so that only those starts are tried.
func (w *working) least(at starts, length model.Minute) int64 {
	best := int64(far)
	try := func(s model.Minute) { best = min(best, w.until(s+length)-w.until(s)) }
	for _, span := range at {
		try(span.From)
		try(span.To - 1)
		for _, offset := range []model.Minute{0, length} {
			i, _ := slices.BinarySearch(w.edges, span.From+offset)
			for ; i < len(w.edges) && w.edges[i]-offset < span.To; i++ {
				try(w.edges[i] - offset)
			}
		}
		if best == 0 {
			break
		}
	}
	return best
}

// closures sums, space by space, the working time that exclusive work must close.
// Closures of different names keep apart, so their times add. Of those that share
// one, the longest counts.
func closures(n *network) int64 {
	type group struct{ space, closure int32 }
	longest := map[group]int64{}
	measures := make([]*working, len(n.problem.Spaces))
	var sum int64
	for j, counts := range n.counts {
		if !counts {
			continue
		}
		for _, o := range n.problem.Jobs[j].Occupies {
			space := &n.problem.Spaces[o.Space]
			if !o.Exclusive || space.ClosedWeight == 0 {
				continue
			}
			if measures[o.Space] == nil {
				w := newWorking(space.Working)
				measures[o.Space] = &w
			}
			cost := n.leastClosed(int32(j), measures[o.Space], o.Tail) * space.ClosedWeight
			if o.Closure == model.None {
				sum += cost
				continue
			}
			g := group{o.Space, o.Closure}
			sum += max(0, cost-longest[g])
			longest[g] = max(longest[g], cost)
		}
	}
	return sum
}

// leastClosed is the least working time that a job closes a space, minutes.
func (n *network) leastClosed(j int32, w *working, tail model.Minute) int64 {
	least := int64(far)
	for _, one := range n.ways[j] {
		least = min(least, w.least(one.starts, one.duration+tail))
	}
	return least
}
