package bound

import (
	"cmp"
	"context"
	"math/bits"
	"slices"

	"velamen/services/schedule/model"
)

// The bound by prices. Each minute of a sprayer, of people, of a pool and of a space
// gets a price, and each job takes the start that is cheapest for it alone: its
// delay and the minutes that it takes. A plan uses no more than there is, so what
// it costs is at least the sum of these cheapest starts less the value of all that
// there is. That holds for any prices that are not negative, so that rounding and
// stopping early do no harm. Good prices are found by raising those of minutes that
// are asked for too often (the Lagrangian bound on the problem in time slots; for
// one machine Dyer and Wolsey, Discrete Applied Mathematics 26, 1990, 255-270, from
// memory). Where minutes are many, those of one slot share a price.

// mostTrials and trialsPerJob are how many prices are looked up for one bound.
const (
	mostTrials   = 16_000_000
	trialsPerJob = 10_000
)

// widest is about how many slots there are at first. Few prices find their height
// soon, and those of slots half as wide begin from them.
const widest = 32

// mostRounds is how often prices are moved before slots get narrower.
const mostRounds = 200

// market is the search for good prices.
type market struct {
	// ctx ends the search early.
	ctx   context.Context
	n     *network
	width model.Minute
	// end is the first minute that is free for all, because all work could be done.
	end   model.Minute
	goods []priced
	// uses are by job and way.
	uses [][][]use
	// bends are by job and way the minutes after an edge of slots at which the cost of
	// a start can bend.
	bends [][][]model.Minute
	// closes are the closures that a job pays for, spans its starts by way between
	// which their cost is straight.
	closes [][]closing
	spans  [][]starts
	// late, waiting and hours say what counts; hours are closures and overtime.
	late, waiting, hours bool
	// skip is what a skip weight of 1 costs when jobs may stay out; 0 when they may not.
	skip int64
	// trials is how many prices were looked up, limit how many may be.
	trials, limit int
	// most is the highest price. With it nothing that is added up overflows.
	most int64
}

// delays bounds the cost of lateness, of waiting, or of both together; with hours
// together with that of closures and overtime.
func delays(ctx context.Context, n *network, late, waiting, hours bool) int64 {
	m := market{ctx: ctx, n: n, late: late, waiting: waiting, hours: hours}
	return m.run()
}

// overload bounds the skip weights of jobs that find no hours because others take
// them. The frames of n must not depend on which other jobs are placed.
func overload(ctx context.Context, n *network) int64 {
	m := market{ctx: ctx, n: n, skip: 1_000_000}
	var sum int64
	for j, counts := range n.counts {
		if counts {
			sum += n.problem.Jobs[j].SkipWeight
		}
	}
	if sum > 1<<40 {
		m.skip = 1
	}
	return (m.run() + m.skip - 1) / m.skip
}

// run finds prices and returns the best bound.
func (m *market) run() int64 {
	n := m.n
	m.limit = mostTrials + trialsPerJob*len(n.counts)
	var scale int64
	for j, counts := range n.counts {
		if counts {
			scale += m.weight(int32(j)) * int64(n.shortest(int32(j)))
		}
	}
	if scale == 0 {
		return 0
	}
	m.open()
	m.end = m.busyUntil()
	if !m.countable() {
		return 0
	}
	width := model.Minute(1)
	for m.end/width > widest {
		width *= 2
	}
	m.cut(width)
	scale = m.slope()
	best := int64(0)
	for ; m.trials < m.limit; width /= 2 {
		m.cut(width)
		rounds := mostRounds
		if width == 1 {
			rounds = m.limit
		}
		best = max(best, m.settle(scale, rounds))
		if best == 0 || width == 1 {
			break
		}
		scale = best
	}
	return best
}

// heed lets no more prices be looked up when nobody waits for the bound any more.
func (m *market) heed() {
	if m.ctx.Err() != nil {
		m.limit = 0
	}
}

// weight is what a late minute of the job costs, or what each of its minutes is
// worth when it may stay out.
func (m *market) weight(j int32) int64 {
	w := m.skip * m.n.problem.Jobs[j].SkipWeight / int64(max(1, m.n.shortest(j)))
	if m.late {
		w += m.n.problem.Jobs[j].LateWeight
	}
	if m.waiting {
		w += m.n.problem.Jobs[j].WaitWeight
	}
	return w
}

// settle raises and lowers prices and returns the best bound on the way. Each step
// aims at a value a little above the best so far; when it does not get better for a
// while the aim comes down (a step rule of Polyak with a moving aim, from memory).
func (m *market) settle(scale int64, rounds int) int64 {
	const patience = 20
	best, aim, dull := int64(0), scale, 0
	kept := make([][]int64, len(m.goods))
	for g := range m.goods {
		kept[g] = slices.Clone(m.goods[g].price)
	}
	for round := 0; round < rounds && m.trials < m.limit && aim > max(1000, best/2000, scale/500); round++ {
		value := m.ask()
		if value > best || round == 0 {
			best, dull = max(best, value), 0
			for g := range m.goods {
				copy(kept[g], m.goods[g].price)
			}
		} else if dull++; dull == patience {
			dull, aim = 0, aim*2/3
		}
		if !m.step(best + aim - value) {
			break
		}
	}
	for g := range m.goods {
		copy(m.goods[g].price, kept[g])
	}
	return best
}

// slope gives each good in turn, the busiest first, prices that are even and then
// fall to nothing where all its work could be done, as high as it makes the bound
// best. From no prices at all no single step leads up: all minutes before a busy
// time must cost something first.
func (m *market) slope() int64 {
	best := m.ask()
	costs := make([]int64, len(m.n.counts))
	for j, counts := range m.n.counts {
		if counts {
			costs[j], _, _ = m.cheapest(int32(j))
		}
	}
	demands := m.demands()
	order := make([]int, len(m.goods))
	for g := range order {
		order[g] = g
	}
	load := func(g int) int64 { return demands[g].work * 1000 / max(1, m.goods[g].supply.before(m.end)) }
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(load(b), load(a)) })
	for _, g := range order {
		if len(demands[g].jobs) > 1 && m.trials < m.limit/4 {
			best += m.slopeOne(g, &demands[g], costs)
		}
	}
	return best
}

// slopeOne sets the best sloping prices of one good and returns what they add to
// the bound. Only the costs of the jobs that use it change.
func (m *market) slopeOne(g int, d *demand, costs []int64) int64 {
	price := m.goods[g].price
	kept := slices.Clone(price)
	best := int64(0)
	try := func(halved int, flat int64) {
		if m.heed(); m.trials > m.limit/4 {
			return
		}
		m.fall(g, d.most>>halved, d, d.work*flat/8)
		more := m.stock(g)
		for _, j := range d.jobs {
			cost, _, _ := m.cheapest(j)
			more += cost - costs[j]
		}
		if more > best {
			best = more
			copy(kept, price)
		}
	}
	for halved := range 12 {
		for _, flat := range []int64{0, 3, 5, 6, 7} {
			try(halved, flat)
		}
	}
	copy(price, kept)
	m.stock(g)
	for _, j := range d.jobs {
		costs[j], _, _ = m.cheapest(j)
	}
	return best
}

// demand is what jobs want of one good: which they are, from when at the earliest,
// how much in all, and what a minute costs that delays them all.
type demand struct {
	jobs []int32
	from model.Minute
	work int64
	most int64
}

// demands counts each job by its first way.
func (m *market) demands() []demand {
	demands := make([]demand, len(m.goods))
	for g := range demands {
		demands[g].from = far
	}
	for j, ways := range m.uses {
		if !m.n.counts[j] {
			continue
		}
		for i, uses := range ways {
			for _, u := range uses {
				d := &demands[u.of]
				if last := len(d.jobs) - 1; last < 0 || d.jobs[last] != int32(j) {
					d.jobs = append(d.jobs, int32(j))
				}
				d.from = min(d.from, m.n.frames[j].startLow-u.pre)
				if i == 0 {
					d.work += u.amount * int64(u.pre+m.n.ways[j][0].duration+u.post)
					d.most += m.weight(int32(j))
				}
			}
		}
	}
	return demands
}

// fall sets the prices of a good: nothing before the first job can take it, then
// top while there is less than flat, then falling evenly to nothing where there is
// as much as its work.
func (m *market) fall(g int, top int64, d *demand, flat int64) {
	good := &m.goods[g]
	before := good.supply.before(d.from)
	for i := range good.price {
		at := model.Minute(i) * m.width
		good.price[i] = 0
		if at+m.width > d.from && d.work > flat {
			there := max(0, good.supply.before(at)-before)
			good.price[i] = m.share(top, min(d.work-flat, max(0, d.work-there)), d.work-flat)
		}
	}
}

// stock adds up the prices of a good and returns what all of it is worth, below 0.
func (m *market) stock(g int) int64 {
	good := &m.goods[g]
	m.trials += len(good.price)
	var value int64
	for i, price := range good.price {
		good.sum[i+1] = good.sum[i] + price*int64(m.width)
		value -= price*good.there[i] + max(0, price-good.dearBy)*good.dearer[i]
	}
	return value
}

// ask lets each job take its cheapest start and returns the bound of these prices.
func (m *market) ask() int64 {
	var value int64
	m.heed()
	for g := range m.goods {
		value += m.stock(g)
		clear(m.goods[g].asked)
	}
	for j, counts := range m.n.counts {
		if !counts {
			continue
		}
		cost, way, start := m.cheapest(int32(j))
		value += cost
		if way == model.None {
			continue
		}
		for _, u := range m.uses[j][way] {
			m.take(u, start, start+m.n.ways[j][way].duration)
		}
	}
	return value
}

// take counts what a job asks for.
func (m *market) take(u use, start, end model.Minute) {
	asked := m.goods[u.of].asked
	for from, to := start-u.pre, min(end+u.post, m.end); from < to; {
		slot := from / m.width
		next := min(to, (slot+1)*m.width)
		asked[slot] += u.amount * int64(next-from)
		from = next
	}
}

// step moves the prices toward what was asked too often or too seldom, by gap over
// the square of the direction. It returns false when nothing is asked too often.
func (m *market) step(gap int64) bool {
	var square int64
	for g := range m.goods {
		good := &m.goods[g]
		for i, price := range good.price {
			excess := good.asked[i] - good.there[i]
			if price > good.dearBy {
				excess -= good.dearer[i]
			} else if price == good.dearBy {
				// Here any part of the dear minutes may be taken.
				excess = min(max(excess-good.dearer[i], 0), excess)
			}
			if price == 0 {
				excess = max(excess, 0)
			}
			good.excess[i] = excess
			square += excess * excess
		}
	}
	if square == 0 {
		return false
	}
	for g := range m.goods {
		good := &m.goods[g]
		for i, excess := range good.excess {
			if excess != 0 {
				good.price[i] = min(m.most, max(0, good.price[i]+m.share(gap, excess, square)))
			}
		}
	}
	return true
}

// share returns a * b / c, toward 0, for a of 0 or more and c above 0; at most the
// highest price.
func (m *market) share(a, b, c int64) int64 {
	value := m.most
	high, low := bits.Mul64(uint64(a), uint64(max(b, -b)))
	if high < uint64(c) {
		if q, _ := bits.Div64(high, low, uint64(c)); q < uint64(m.most) {
			value = int64(q)
		}
	}
	if b < 0 {
		return -value
	}
	return value
}

// cheapest returns the least cost of a job at these prices, and a way and a start
// that has it; no way when staying out costs less. Between two edges of slots the cost is straight, so that only edges
// are tried, the ends of each span of starts, and the start that ends when the job
// is due.
func (m *market) cheapest(j int32) (cost int64, way int, start model.Minute) {
	cost, way = int64(1)<<62, model.None
	if m.skip > 0 {
		cost = m.skip * m.n.problem.Jobs[j].SkipWeight
	}
	for i := range m.n.ways[j] {
		phases := m.bends[j][i]
		for _, span := range m.spans[j][i] {
			if !m.scan(j, i, span, phases, &cost, &way, &start) {
				break
			}
		}
	}
	return cost, way, start
}

// scan tries the starts of one span. It returns false when the delay alone costs as
// much as the best start, because a later one only costs more.
func (m *market) scan(j int32, i int, span model.Span, phases []model.Minute, cost *int64, way *int, start *model.Minute) bool {
	w := &m.n.ways[j][i]
	kink := m.n.problem.Jobs[j].Due - w.duration
	for s := span.From; ; {
		m.trials += 1 + len(m.uses[j][i]) + len(m.closes[j])
		price := m.delay(j, s, w.duration)
		if price > *cost {
			return false
		}
		for _, u := range m.uses[j][i] {
			price += u.amount * (m.until(u.of, s+w.duration+u.post) - m.until(u.of, s-u.pre))
		}
		for c := range m.closes[j] {
			price += m.closes[j][c].cost(s, s+w.duration)
		}
		if price <= *cost {
			*cost, *way, *start = price, i, s
		}
		if s == span.To-1 {
			return true
		}
		next := following(s, m.width, phases)
		if s < kink && kink < next {
			next = kink
		}
		s = min(next, span.To-1)
	}
}

// cost is what a closure by work from start to end costs.
func (c *closing) cost(start, end model.Minute) int64 {
	return c.weight * (c.working.until(end+c.tail) - c.working.until(start))
}

// delay is what lateness and waiting cost at a start.
func (m *market) delay(j int32, start, duration model.Minute) int64 {
	job := &m.n.problem.Jobs[j]
	var cost int64
	if m.late {
		cost += job.LateWeight * int64(max(0, start+duration-job.Due))
	}
	if m.waiting {
		cost += job.WaitWeight * int64(max(0, start-job.Release))
	}
	return cost
}

// until is the price of one of something in all minutes before t.
func (m *market) until(g int32, t model.Minute) int64 {
	good := &m.goods[g]
	slot := t / m.width
	if int(slot) >= len(good.price) {
		return good.sum[len(good.price)]
	}
	return good.sum[slot] + good.price[slot]*int64(t-slot*m.width)
}

// phases are the minutes after an edge of slots at which a start makes a use begin
// or end at an edge, ascending.
func (m *market) phases(w *way, uses []use) []model.Minute {
	phases := make([]model.Minute, 0, 8)
	for _, u := range uses {
		phases = append(phases, u.pre%m.width, (m.width-(w.duration+u.post)%m.width)%m.width)
	}
	slices.Sort(phases)
	return slices.Compact(phases)
}

// following returns the first minute after s that has one of the phases.
func following(s, width model.Minute, phases []model.Minute) model.Minute {
	if len(phases) == 0 {
		return far
	}
	base := s - s%width
	for _, phase := range phases {
		if base+phase > s {
			return base + phase
		}
	}
	return base + width + phases[0]
}
