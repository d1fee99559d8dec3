package bound

import (
	"container/heap"
	"slices"

	"velamen/services/schedule/model"
)

// piece is work that one machine does: not before head, for length minutes, and
// at least tail minutes before the end of all work.
type piece struct {
	head, length, tail model.Minute
}

// oneMachine returns the earliest end of all work when one machine does the pieces
// and may break off any of them: at each moment the piece that is there and has
// the longest tail. That is best for one machine with breaks (Jackson's rule of
// 1955, in its form with heads and breaks of Carlier, European Journal of
// Operational Research 11, 1982, 42-47; both from memory).
func oneMachine(pieces []piece) model.Minute {
	slices.SortFunc(pieces, func(a, b piece) int { return int(a.head) - int(b.head) })
	var ready byTail
	end, now := -far, -far
	for i := 0; i < len(pieces) || len(ready) > 0; {
		if len(ready) == 0 {
			now = max(now, pieces[i].head)
		}
		for ; i < len(pieces) && pieces[i].head <= now; i++ {
			heap.Push(&ready, pieces[i])
		}
		work := ready[0].length
		if i < len(pieces) {
			work = min(work, pieces[i].head-now)
		}
		now += work
		end = max(end, now+ready[0].tail)
		if ready[0].length -= work; ready[0].length == 0 {
			heap.Pop(&ready)
		}
	}
	return end
}

// byTail is a heap of pieces, the longest tail first.
type byTail []piece

func (h byTail) Len() int           { return len(h) }
func (h byTail) Less(i, j int) bool { return h[i].tail > h[j].tail }
func (h byTail) Swap(i, j int)      { h[i], h[j] = h[j], h[i] }

// Push adds a piece, for package heap.
func (h *byTail) Push(x any) { *h = append(*h, x.(piece)) }

// Pop removes the last piece, for package heap.
func (h *byTail) Pop() any {
	last := (*h)[len(*h)-1]
	*h = (*h)[:len(*h)-1]
	return last
}
