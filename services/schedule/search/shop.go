package search

import (
	"context"
	"math/rand/v2"
	"slices"

	"velamen/services/schedule/model"
)

// shop searches the orders of jobs on their stations for the one that ends first, in
// problems in which nothing else counts: a tabu search that moves jobs within the
// blocks of a longest path to the block's ends and back (after Balas and
// Vazacopoulos 1998, and for the lengths of the tabu list Zhang and others 2007, both
// from memory).
type shop struct {
	t        *tables
	rng      *rand.Rand
	flexible bool
	release  []minute
	// before and after are the intervals from ends to starts.
	before, after [][]link
	// d is how long each job takes in the way that it has, station where.
	d            []minute
	way, station []int32
	// lists are the jobs of each station in order, where ways can be chosen.
	lists [][]int32
	// moved is until when a job may not go back to a station.
	moved []int32
	// prev and next are its neighbours on the station, or None.
	prev, next []int32
	// head is the earliest start, tail the longest path from the start to the end of all.
	head, tail []minute
	// order is one in which each job comes after those before it.
	order    []int32
	waits    []int32
	span     minute
	tabu     []int32
	now      int32
	length   int32
	block    []int32
	moves    []shift
	segment  []int32
	heads    []minute
	bestSpan minute
	bestSeq  []int32
	bestWay  []int32
	stall    int
}

// link is a job at the other end of an interval.
type link struct {
	job   int32
	least minute
}

// shift moves a job right after another, or right before it; with a way it moves it to
// that, between two jobs.
type shift struct {
	job, to  int32
	after    bool
	way      int32
	from, on int32
	span     minute
}

// mostShop is how many jobs a shop may have: the tabu list has a place for each pair.
const mostShop = 400

// isShop tells whether only the end of all jobs counts and only stations and least
// intervals from end to start keep jobs apart.
func (t *tables) isShop() bool {
	p := t.p
	if p.Weights.Finish == 0 || len(t.jobs) > mostShop || t.pinned > 0 {
		return false
	}
	for _, lag := range p.Lags {
		if !lag.FromEnd || lag.ToEnd || lag.Least < 0 {
			return false
		}
	}
	for i := range t.jobs {
		if !t.jobs[i].inShop(p.Horizon) {
			return false
		}
	}
	return true
}

func (own *task) inShop(horizon minute) bool {
	job := own.job
	if job.Manned || len(own.demands) > 0 || len(job.Occupies) > 0 || job.Told != nil || job.LateWeight > 0 || job.WaitWeight > 0 {
		return false
	}
	for i := range own.ways {
		o := &own.ways[i]
		if o.mixes || o.duration == 0 || len(o.starts) != 1 || o.starts[0].To != horizon-o.duration || o.starts[0].From != max(job.Release, 0) {
			return false
		}
	}
	return len(own.ways) > 0
}

func newShop(t *tables, rng *rand.Rand) *shop {
	n := len(t.jobs)
	h := &shop{
		t: t, rng: rng, way: make([]int32, n), bestWay: make([]int32, n), lists: make([][]int32, len(t.p.Stations)),
		moved:   make([]int32, n*len(t.p.Stations)),
		release: make([]minute, n), before: make([][]link, n), after: make([][]link, n),
		d: make([]minute, n), station: make([]int32, n), prev: make([]int32, n), next: make([]int32, n),
		head: make([]minute, n), tail: make([]minute, n), waits: make([]int32, n), tabu: make([]int32, n*n),
		bestSeq: make([]int32, n),
	}
	for i := range t.jobs {
		h.release[i] = max(t.jobs[i].job.Release, 0)
		h.flexible = h.flexible || len(t.jobs[i].ways) > 1
	}
	for _, lag := range t.p.Lags {
		h.before[lag.To] = append(h.before[lag.To], link{job: lag.From, least: lag.Least})
		h.after[lag.From] = append(h.after[lag.From], link{job: lag.To, least: lag.Least})
	}
	per := n / max(len(t.p.Stations), 1)
	h.length = 10 + int32(per)/max(int32(len(t.p.Stations)), 1)
	return h
}

// take begins from the plan of a state that places all jobs.
func (h *shop) take(s *state) {
	for j := range s.at {
		h.choose(int32(j), s.at[j].way)
		h.prev[j], h.next[j] = model.None, model.None
	}
	for _, list := range s.onStation {
		for i := 1; i < len(list); i++ {
			h.prev[list[i]], h.next[list[i-1]] = list[i-1], list[i]
		}
	}
	clear(h.tabu)
	clear(h.moved)
	h.now, h.stall = 0, 0
	h.measure()
	h.remember()
}

// choose gives a job one of its ways.
func (h *shop) choose(j, way int32) {
	o := &h.t.jobs[j].ways[way]
	h.way[j], h.d[j], h.station[j] = way, o.duration, o.station
}

// remember keeps the orders as the best.
func (h *shop) remember() {
	h.bestSpan, h.stall = h.span, 0
	copy(h.bestSeq, h.prev)
	copy(h.bestWay, h.way)
}

// measure finds heads and tails anew; false when the orders go in a circle.
func (h *shop) measure() bool {
	h.order = h.order[:0]
	for j := range h.d {
		h.waits[j] = int32(len(h.before[j]))
		if h.prev[j] != model.None {
			h.waits[j]++
		}
		h.head[j] = h.release[j]
		if h.waits[j] == 0 {
			h.order = append(h.order, int32(j))
		}
	}
	for i := 0; i < len(h.order); i++ {
		j := h.order[i]
		end := h.head[j] + h.d[j]
		for _, l := range h.after[j] {
			h.reach(l.job, end+l.least)
		}
		if next := h.next[j]; next != model.None {
			h.reach(next, end)
		}
	}
	if len(h.order) < len(h.d) {
		return false
	}
	if h.flexible {
		h.line()
	}
	h.span = 0
	for i := len(h.order) - 1; i >= 0; i-- {
		j := h.order[i]
		tail := minute(0)
		for _, l := range h.after[j] {
			tail = max(tail, h.tail[l.job]+l.least)
		}
		if next := h.next[j]; next != model.None {
			tail = max(tail, h.tail[next])
		}
		h.tail[j] = tail + h.d[j]
		h.span = max(h.span, h.head[j]+h.tail[j])
	}
	return true
}

// line lists the jobs of each station.
func (h *shop) line() {
	for i := range h.lists {
		h.lists[i] = h.lists[i][:0]
	}
	for _, j := range h.order {
		if station := h.station[j]; station != model.None {
			h.lists[station] = append(h.lists[station], j)
		}
	}
}

func (h *shop) reach(j int32, m minute) {
	h.head[j] = max(h.head[j], m)
	if h.waits[j]--; h.waits[j] == 0 {
		h.order = append(h.order, j)
	}
}

// mostStall is after how many moves without a better order the best one is shaken.
const mostStall = 4_000

// move makes the best move that is not tabu.
func (h *shop) move() {
	h.now++
	if h.stall++; h.stall > mostStall {
		h.shake()
	}
	h.propose()
	if len(h.moves) == 0 {
		h.shake()
		return
	}
	chosen, equal := -1, 0
	for i := range h.moves {
		m := &h.moves[i]
		if h.forbidden(m) && m.span >= h.bestSpan {
			continue
		}
		switch {
		case chosen < 0 || m.span < h.moves[chosen].span:
			chosen, equal = i, 1
		case m.span == h.moves[chosen].span:
			if equal++; h.rng.IntN(equal) == 0 {
				chosen = i
			}
		}
	}
	if chosen < 0 {
		chosen = h.rng.IntN(len(h.moves))
	}
	h.make(h.moves[chosen])
}

// make makes a move, and takes it back when it leads in a circle.
func (h *shop) make(m shift) {
	prev, next, way := h.prev[m.job], h.next[m.job], h.way[m.job]
	h.forbid(m)
	h.unlink(m.job)
	switch {
	case m.way != model.None:
		h.choose(m.job, m.way)
		h.link(m.job, m.from, m.on)
	case m.after:
		h.link(m.job, m.to, h.next[m.to])
	default:
		h.link(m.job, h.prev[m.to], m.to)
	}
	if !h.measure() {
		h.unlink(m.job)
		h.choose(m.job, way)
		h.link(m.job, prev, next)
		h.measure()
		return
	}
	if h.span < h.bestSpan {
		h.remember()
	}
}

func (h *shop) unlink(j int32) {
	prev, next := h.prev[j], h.next[j]
	if prev != model.None {
		h.next[prev] = next
	}
	if next != model.None {
		h.prev[next] = prev
	}
}

// link puts a job between two on its station.
func (h *shop) link(j, prev, next int32) {
	h.prev[j], h.next[j] = prev, next
	if prev != model.None {
		h.next[prev] = j
	}
	if next != model.None {
		h.prev[next] = j
	}
}

// forbidden tells whether a move puts back an order that was given up lately.
func (h *shop) forbidden(m *shift) bool {
	if m.way != model.None {
		return h.moved[int(m.job)*len(h.lists)+int(h.t.jobs[m.job].ways[m.way].station)] > h.now
	}
	n := int32(len(h.d))
	for x := m.to; x != m.job; {
		if m.after {
			if h.tabu[x*n+m.job] > h.now {
				return true
			}
			x = h.prev[x]
		} else {
			if h.tabu[m.job*n+x] > h.now {
				return true
			}
			x = h.next[x]
		}
	}
	return false
}

// forbid remembers the order that a move gives up.
func (h *shop) forbid(m shift) {
	n := int32(len(h.d))
	until := h.now + h.length + h.rng.Int32N(h.length/2+1)
	if m.way != model.None {
		h.moved[int(m.job)*len(h.lists)+int(h.station[m.job])] = until
		return
	}
	for x := m.to; x != m.job; {
		if m.after {
			h.tabu[m.job*n+x] = until
			x = h.prev[x]
		} else {
			h.tabu[x*n+m.job] = until
			x = h.next[x]
		}
	}
}

// propose lists the moves within the blocks of a longest path, chosen at random.
func (h *shop) propose() {
	h.moves = h.moves[:0]
	j := h.entry()
	for j != model.None {
		h.block = append(h.block[:0], j)
		for {
			next := h.next[j]
			if next == model.None || h.head[next] != h.head[j]+h.d[j] || h.head[next]+h.tail[next] != h.span {
				break
			}
			j = next
			h.block = append(h.block, j)
		}
		h.within()
		if h.flexible {
			for _, x := range h.block {
				h.elsewhere(x)
			}
		}
		j = h.onward(j)
	}
}

// elsewhere lists the moves of one job to other stations: after the jobs there that end
// before it can start and have long tails, before those that are the other way round
// (after Mastrolilli and Gambardella 2000, from memory).
func (h *shop) elsewhere(j int32) {
	ways := h.t.jobs[j].ways
	if len(ways) == 1 {
		return
	}
	ready, rest := h.release[j], minute(0)
	for _, l := range h.before[j] {
		ready = max(ready, h.head[l.job]+h.d[l.job]+l.least)
	}
	for _, l := range h.after[j] {
		rest = max(rest, h.tail[l.job]+l.least)
	}
	for w := range ways {
		if ways[w].station == h.station[j] {
			continue
		}
		list := h.lists[ways[w].station]
		from, to := 0, len(list)
		for i, x := range list {
			late, long := h.head[x]+h.d[x] > ready, h.tail[x] > rest
			if long && !late {
				from = i + 1
			}
			if late && !long && to == len(list) {
				to = i
			}
		}
		for i := from; i <= to; i++ {
			m := shift{job: j, way: int32(w), from: model.None, on: model.None}
			head, tail := ready, rest
			if i > 0 {
				m.from = list[i-1]
				head = max(head, h.head[m.from]+h.d[m.from])
			}
			if i < len(list) {
				m.on = list[i]
				tail = max(tail, h.tail[m.on])
			}
			m.span = head + ways[w].duration + tail
			h.moves = append(h.moves, m)
		}
	}
}

// entry is a job that a longest path begins with.
func (h *shop) entry() int32 {
	found, equal := int32(model.None), 0
	for j := range h.d {
		if h.head[j] == h.release[j] && h.head[j]+h.tail[j] == h.span && !h.pushed(int32(j)) {
			if equal++; h.rng.IntN(equal) == 0 {
				found = int32(j)
			}
		}
	}
	return found
}

// pushed tells whether a job starts when one on a longest path before it ends.
func (h *shop) pushed(j int32) bool {
	if p := h.prev[j]; p != model.None && h.head[p]+h.d[p] == h.head[j] {
		return true
	}
	for _, l := range h.before[j] {
		if h.head[l.job]+h.d[l.job]+l.least == h.head[j] {
			return true
		}
	}
	return false
}

// onward is the job after an interval on a longest path.
func (h *shop) onward(j int32) int32 {
	for _, l := range h.after[j] {
		if h.head[l.job] == h.head[j]+h.d[j]+l.least && h.head[l.job]+h.tail[l.job] == h.span {
			return l.job
		}
	}
	return model.None
}

// within lists the moves in one block: each job to its ends, and its ends inside.
func (h *shop) within() {
	last := len(h.block) - 1
	if last < 1 {
		return
	}
	for i := range last {
		h.consider(h.block[i], h.block[last], true)
		h.consider(h.block[i+1], h.block[0], false)
	}
	for i := 1; i < last; i++ {
		h.consider(h.block[0], h.block[i], true)
		h.consider(h.block[last], h.block[i], false)
	}
}

func (h *shop) consider(j, to int32, after bool) {
	if after {
		for _, l := range h.after[j] {
			if h.tail[to] < h.tail[l.job] {
				return
			}
		}
	} else {
		for _, l := range h.before[j] {
			if h.head[to]+h.d[to] < h.head[l.job]+h.d[l.job] {
				return
			}
		}
	}
	h.moves = append(h.moves, shift{job: j, to: to, after: after, way: model.None, span: h.estimate(j, to, after)})
}

// estimate is about how long the longest path through the moved jobs becomes.
func (h *shop) estimate(j, to int32, after bool) minute {
	seg := h.segment[:0]
	first, last := j, to
	if after {
		for x := h.next[j]; ; x = h.next[x] {
			seg = append(seg, x)
			if x == to {
				break
			}
		}
		seg = append(seg, j)
	} else {
		first, last = to, j
		seg = append(seg, j)
		for x := to; x != j; x = h.next[x] {
			seg = append(seg, x)
		}
	}
	h.segment = seg
	end := minute(0)
	if p := h.prev[first]; p != model.None {
		end = h.head[p] + h.d[p]
	}
	h.heads = h.heads[:0]
	for _, x := range seg {
		head := max(end, h.release[x])
		for _, l := range h.before[x] {
			head = max(head, h.head[l.job]+h.d[l.job]+l.least)
		}
		h.heads = append(h.heads, head)
		end = head + h.d[x]
	}
	tail := minute(0)
	if n := h.next[last]; n != model.None {
		tail = h.tail[n]
	}
	longest := minute(0)
	for i := len(seg) - 1; i >= 0; i-- {
		x := seg[i]
		for _, l := range h.after[x] {
			tail = max(tail, h.tail[l.job]+l.least)
		}
		tail += h.d[x]
		longest = max(longest, h.heads[i]+tail)
	}
	return longest
}

// shake goes back to the best order and makes some moves at random.
func (h *shop) shake() {
	h.stall = 0
	h.back()
	for range 5 + h.rng.IntN(15) {
		h.propose()
		if len(h.moves) == 0 {
			return
		}
		m := h.moves[h.rng.IntN(len(h.moves))]
		h.make(m)
	}
	h.stall = 0
}

// back takes the best order.
func (h *shop) back() {
	copy(h.prev, h.bestSeq)
	for j := range h.next {
		h.next[j] = model.None
	}
	for j, p := range h.prev {
		h.choose(int32(j), h.bestWay[j])
		if p != model.None {
			h.next[p] = int32(j)
		}
	}
	h.measure()
}

// round is how many moves one round makes: the less the more jobs there are, and the
// more there is to choose from.
func (h *shop) round() int {
	moves := 1_200_000 / (len(h.d) + 20)
	if h.flexible {
		moves /= 5
	}
	return moves
}

// sortOrders lets the shop search for a while and takes over what it finds; false when
// it was cut off.
func (k *islander) sortOrders(ctx context.Context) bool {
	h := k.shop
	if !k.sorted {
		k.s.fill(k.best)
		h.take(k.s)
		k.sorted = true
	}
	was := h.bestSpan
	for left := h.round(); left > 0; left -= 250 {
		if ctx.Err() != nil {
			return false
		}
		for range min(left, 250) {
			h.move()
		}
	}
	if h.bestSpan < was {
		k.adoptOrders()
	}
	return true
}

// adoptOrders makes a plan of the best orders of the shop, which goes on from where it
// was.
func (k *islander) adoptOrders() {
	h := k.shop
	prev, next, way := slices.Clone(h.prev), slices.Clone(h.next), slices.Clone(h.way)
	h.back()
	at := slices.Clone(k.s.at)
	k.s.clear()
	for _, j := range h.order {
		at[j].start, at[j].way = h.head[j], h.way[j]
		if at[j].placed {
			k.b.stands(j, &at[j])
		}
	}
	copy(h.prev, prev)
	copy(h.next, next)
	for j := range way {
		h.choose(int32(j), way[j])
	}
	h.measure()
	if k.s.skipped > 0 {
		k.s.fill(k.best)
	}
	k.settle()
}
