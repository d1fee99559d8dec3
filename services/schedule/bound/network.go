package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// far is past every minute of a problem.
const far = model.Minute(1 << 29)

// frame is between what minutes a job must start and end.
type frame struct {
	startLow, startHigh, endLow, endHigh model.Minute
}

// network is what the jobs that count say together: which they are, their ways,
// and between what minutes each must lie when all lags hold.
type network struct {
	problem *model.Problem
	// counts is true for a job that every plan in question places.
	counts []bool
	ways   [][]way
	frames []frame
	// lags are the indexes of lags between jobs that count, by job.
	out, in [][]int32
	// broken are jobs that have no start left, ascending.
	broken []int32
}

// newNetwork joins the jobs that count by the lags between them and narrows their
// frames until nothing moves or the work grows out of proportion; every frame on
// the way is valid.
func newNetwork(p *model.Problem, ways [][]way, counts []bool) *network {
	n := &network{problem: p, counts: counts, ways: make([][]way, len(ways)), frames: make([]frame, len(p.Jobs))}
	n.out, n.in = make([][]int32, len(p.Jobs)), make([][]int32, len(p.Jobs))
	for l, lag := range p.Lags {
		if counts[lag.From] && counts[lag.To] {
			n.out[lag.From] = append(n.out[lag.From], int32(l))
			n.in[lag.To] = append(n.in[lag.To], int32(l))
		}
	}
	for j := range p.Jobs {
		if counts[j] {
			n.ways[j] = slices.Clone(ways[j])
			n.frames[j] = frame{startLow: -far, startHigh: far, endLow: -far, endHigh: far}
			n.tighten(int32(j))
		}
	}
	n.settle()
	n.cut()
	return n
}

// settle passes the frames along the lags.
func (n *network) settle() {
	var queue []int32
	queued := make([]bool, len(n.counts))
	push := func(j int32) {
		if !queued[j] {
			queued[j] = true
			queue = append(queue, j)
		}
	}
	for j, counts := range n.counts {
		if counts {
			push(int32(j))
		}
	}
	// A cycle that cannot hold moves frames until a deadline stops them. The limit
	// keeps that from taking long where deadlines are far.
	for limit := 100*len(n.counts) + 100*len(n.problem.Lags) + 1000; len(queue) > 0 && limit > 0; limit-- {
		j := queue[0]
		queue = queue[1:]
		queued[j] = false
		for _, l := range n.out[j] {
			if lag := n.problem.Lags[l]; n.later(lag) {
				push(lag.To)
			}
		}
		for _, l := range n.in[j] {
			if lag := n.problem.Lags[l]; n.earlier(lag) {
				push(lag.From)
			}
		}
	}
}

// later moves the job that a lag leads to and says whether it moved.
func (n *network) later(lag model.Lag) bool {
	from, to := n.frames[lag.From], &n.frames[lag.To]
	low, bound := from.startLow, &to.startLow
	if lag.FromEnd {
		low = from.endLow
	}
	if lag.ToEnd {
		bound = &to.endLow
	}
	return n.move(lag.To, bound, low+lag.Least, low+lag.Least > *bound)
}

// earlier moves the job that a lag comes from and says whether it moved.
func (n *network) earlier(lag model.Lag) bool {
	from, to := &n.frames[lag.From], n.frames[lag.To]
	high, bound := to.startHigh, &from.startHigh
	if lag.ToEnd {
		high = to.endHigh
	}
	if lag.FromEnd {
		bound = &from.endHigh
	}
	return n.move(lag.From, bound, high-lag.Least, high-lag.Least < *bound)
}

func (n *network) move(j int32, bound *model.Minute, value model.Minute, tighter bool) bool {
	if !tighter || slices.Contains(n.broken, j) {
		return false
	}
	*bound = value
	n.tighten(j)
	return true
}

// tighten rounds the frame of a job to starts that one of its ways has.
func (n *network) tighten(j int32) {
	f := n.frames[j]
	t := frame{startLow: far, startHigh: -far, endLow: far, endHigh: -far}
	alive := n.ways[j][:0]
	for _, w := range n.ways[j] {
		low, ok := w.starts.next(max(f.startLow, f.endLow-w.duration))
		high, ok2 := w.starts.last(min(f.startHigh, f.endHigh-w.duration))
		if !ok || !ok2 || low > high {
			continue
		}
		alive = append(alive, w)
		t.startLow, t.startHigh = min(t.startLow, low), max(t.startHigh, high)
		t.endLow, t.endHigh = min(t.endLow, low+w.duration), max(t.endHigh, high+w.duration)
	}
	if len(alive) == 0 {
		// The ways stay as they were: what they promised alone still holds.
		i, _ := slices.BinarySearch(n.broken, j)
		n.broken = slices.Insert(n.broken, i, j)
		return
	}
	n.ways[j] = alive
	n.frames[j] = frame{
		startLow: max(f.startLow, t.startLow), startHigh: min(f.startHigh, t.startHigh),
		endLow: max(f.endLow, t.endLow), endHigh: min(f.endHigh, t.endHigh),
	}
}

// cut leaves in each way only the starts inside the frame of its job.
func (n *network) cut() {
	for j := range n.ways {
		f := n.frames[j]
		for i := range n.ways[j] {
			w := &n.ways[j][i]
			low, high := max(f.startLow, f.endLow-w.duration), min(f.startHigh, f.endHigh-w.duration)
			if inside := w.starts.and(starts{{From: low, To: high + 1}}); len(inside) > 0 {
				w.starts = inside
			}
		}
	}
}

// shortest returns the least duration of a job that counts, on any station.
func (n *network) shortest(j int32) model.Minute {
	least := n.ways[j][0].duration
	for _, w := range n.ways[j] {
		least = min(least, w.duration)
	}
	return least
}

func (n *network) longest(j int32) model.Minute {
	most := n.ways[j][0].duration
	for _, w := range n.ways[j] {
		most = max(most, w.duration)
	}
	return most
}

// tails returns for each job how long after its end the last job ends at the
// earliest, by the lags alone.
func (n *network) tails() []model.Minute {
	tails := make([]model.Minute, len(n.counts))
	for range n.counts {
		moved := false
		for _, lag := range n.problem.Lags {
			if !n.counts[lag.From] || !n.counts[lag.To] {
				continue
			}
			t := lag.Least + tails[lag.To]
			if !lag.FromEnd {
				t -= n.longest(lag.From)
			}
			if !lag.ToEnd {
				t += n.shortest(lag.To)
			}
			if t > tails[lag.From] && t < far {
				tails[lag.From] = t
				moved = true
			}
		}
		if !moved {
			break
		}
	}
	return tails
}

// component returns the jobs that lags join with job j, j among them, ascending.
func (n *network) component(j int32) []int32 {
	seen := map[int32]bool{j: true}
	joined := []int32{j}
	for i := 0; i < len(joined); i++ {
		for _, l := range n.out[joined[i]] {
			if to := n.problem.Lags[l].To; !seen[to] {
				seen[to] = true
				joined = append(joined, to)
			}
		}
		for _, l := range n.in[joined[i]] {
			if from := n.problem.Lags[l].From; !seen[from] {
				seen[from] = true
				joined = append(joined, from)
			}
		}
	}
	slices.Sort(joined)
	return joined
}
