package bound

import (
	"slices"

	"velamen/services/schedule/model"
)

// priced is something that is sold by the minute.
type priced struct {
	supply supply
	// dear is the part of the supply whose minutes cost dearBy in themselves, as
	// overtime does.
	dear   supply
	dearBy int64
	// there is how much there is in each slot, price what a minute of it costs,
	// sum the price of all minutes before each slot. dearer is how much of dear there is
	// besides.
	there, price, sum, dearer []int64
	// asked is how much the cheapest starts take in each slot, excess by how much that
	// is too much, which moves the price.
	asked, excess []int64
}

// use is how much of something a way takes, from pre minutes before its start to
// post minutes after its end.
type use struct {
	of        int32
	pre, post model.Minute
	amount    int64
}

// closing is what a closure costs that a job makes: its working minutes to the end
// of the tail, by weight.
type closing struct {
	working working
	tail    model.Minute
	weight  int64
}

// open lists what is for sale and what each way takes of it.
func (m *market) open() {
	m.uses = make([][][]use, len(m.n.counts))
	m.closes = make([][]closing, len(m.n.counts))
	for j, ways := range m.n.ways {
		m.uses[j] = make([][]use, len(ways))
	}
	m.sellStations()
	m.sellPeople()
	m.sellPools()
	m.sellSpaces()
	m.spans = make([][]starts, len(m.n.ways))
	for j, ways := range m.n.ways {
		for i := range ways {
			m.spans[j] = append(m.spans[j], m.split(int32(j), i))
		}
	}
}

// add puts something up for sale and returns its index.
func (m *market) add(s supply) int32 {
	m.goods = append(m.goods, priced{supply: s})
	return int32(len(m.goods) - 1)
}

// cut changes the width of the slots and keeps the prices of their minutes.
func (m *market) cut(width model.Minute) {
	slots := int((m.end + width - 1) / width)
	for i := range m.goods {
		old := m.goods[i]
		g := priced{
			supply: old.supply, dear: old.dear, dearBy: old.dearBy,
			there: make([]int64, slots), price: make([]int64, slots), sum: make([]int64, slots+1),
			dearer: make([]int64, slots), asked: make([]int64, slots), excess: make([]int64, slots),
		}
		for slot := range g.there {
			from := model.Minute(slot) * width
			g.dearer[slot] = g.dear.before(from+width) - g.dear.before(from)
			g.there[slot] = g.supply.before(from+width) - g.supply.before(from) - g.dearer[slot]
			if len(old.price) > 0 {
				g.price[slot] = old.price[from/m.width]
			}
		}
		m.goods[i] = g
	}
	m.width = width
	m.bends = make([][][]model.Minute, len(m.uses))
	for j, ways := range m.uses {
		for i, uses := range ways {
			m.bends[j] = append(m.bends[j], m.phases(&m.n.ways[j][i], uses))
		}
	}
}

func (m *market) sellStations() {
	of := make([]int32, len(m.n.problem.Stations))
	for s := range m.n.problem.Stations {
		of[s] = m.add(m.n.stationSupply([]int32{int32(s)}))
	}
	for j, ways := range m.n.ways {
		for i, w := range ways {
			if w.station != model.None {
				m.uses[j][i] = append(m.uses[j][i], use{of: of[w.station], pre: w.prep, amount: 1})
			}
		}
	}
}

// sellPeople sells the time of each of the first sets of people that jobs choose
// from, and of all people together.
func (m *market) sellPeople() {
	c := choices{}
	for j, counts := range m.n.counts {
		if job := &m.n.problem.Jobs[j]; counts && job.Manned {
			c.add(mayDo(job), piece{})
		}
	}
	if len(c.sets) == 0 {
		return
	}
	everybody := len(c.all())
	for _, set := range c.tried(8) {
		of := m.add(m.n.peopleSupply(set))
		if m.hours && len(set) == everybody {
			// All people together: here overtime counts, and only here.
			m.goods[of].dear, m.goods[of].dearBy = m.n.overtimeSupply(set), m.n.problem.Weights.Overtime
		}
		for j, counts := range m.n.counts {
			job := &m.n.problem.Jobs[j]
			if !counts || !job.Manned || !subset(mayDo(job), set) {
				continue
			}
			for i, w := range m.n.ways[j] {
				m.uses[j][i] = append(m.uses[j][i], use{of: of, pre: w.prep, amount: 1})
			}
		}
	}
}

func (m *market) sellPools() {
	of := make([]int32, len(m.n.problem.Pools))
	for p := range of {
		of[p] = m.add(steady(int64(m.n.problem.Pools[p].Capacity)))
	}
	for j := range m.n.ways {
		for i := range m.n.ways[j] {
			for _, d := range m.n.problem.Jobs[j].Demands {
				m.uses[j][i] = append(m.uses[j][i], use{of: of[d.Pool], amount: int64(d.Amount)})
			}
		}
	}
}

// sellSpaces sells the time of spaces to exclusive work, to the end of its tail. Of
// the jobs that share a closure only the first pays, because the others may close
// the space in the same minutes.
func (m *market) sellSpaces() {
	type group struct{ space, closure int32 }
	of := make([]int32, len(m.n.problem.Spaces))
	for s := range of {
		of[s] = model.None
	}
	paid := map[group]bool{}
	for j := range m.n.ways {
		for _, o := range m.n.problem.Jobs[j].Occupies {
			if g := (group{o.Space, o.Closure}); !o.Exclusive || len(m.n.ways[j]) == 0 || paid[g] {
				continue
			} else if o.Closure != model.None {
				paid[g] = true
			}
			if of[o.Space] == model.None {
				of[o.Space] = m.add(steady(1))
			}
			for i := range m.n.ways[j] {
				m.uses[j][i] = append(m.uses[j][i], use{of: of[o.Space], post: o.Tail, amount: 1})
			}
			if space := &m.n.problem.Spaces[o.Space]; m.hours && space.ClosedWeight > 0 {
				m.closes[j] = append(m.closes[j], closing{newWorking(space.Working), o.Tail, space.ClosedWeight})
			}
		}
	}
}

// work is how much the jobs take of each good, by their first ways.
func (m *market) work() []int64 {
	work := make([]int64, len(m.goods))
	for j, ways := range m.uses {
		if m.n.counts[j] {
			for _, u := range ways[0] {
				work[u.of] += u.amount * int64(u.pre+m.n.ways[j][0].duration+u.post)
			}
		}
	}
	return work
}

// busyUntil returns the minute until which the goods are short: when the last job
// could begin at its earliest and still all work be done after it.
func (m *market) busyUntil() model.Minute {
	latest := model.Minute(0)
	for j, counts := range m.n.counts {
		if counts {
			latest = max(latest, m.n.frames[j].startLow)
		}
	}
	end := model.Minute(1)
	for g, work := range m.work() {
		s := &m.goods[g].supply
		if at, ok := s.enough(s.before(latest) + work); ok {
			end = max(end, at)
		} else {
			end = m.n.problem.Horizon
		}
	}
	return min(end, m.n.problem.Horizon)
}

// countable sets the highest price, and says whether the squares of what is asked
// and there can be added up.
func (m *market) countable() bool {
	const limit = 1 << 31
	var sum int64
	for g := range m.goods {
		if sum += m.goods[g].supply.before(2 * m.end); sum >= limit {
			return false
		}
	}
	for j, ways := range m.uses {
		for i, uses := range ways {
			for _, u := range uses {
				if sum += u.amount * int64(u.pre+m.n.ways[j][i].duration+u.post); sum >= limit {
					return false
				}
			}
		}
	}
	m.most = (1 << 60) / (sum + 1)
	return true
}

// split cuts the starts of a way where the cost of its closures bends.
func (m *market) split(j int32, i int) starts {
	w := &m.n.ways[j][i]
	var cuts []model.Minute
	for _, c := range m.closes[j] {
		for _, edge := range c.working.edges {
			cuts = append(cuts, edge, edge-w.duration-c.tail)
		}
	}
	slices.Sort(cuts)
	var out starts
	for _, span := range w.starts {
		for _, at := range cuts {
			if span.From < at && at < span.To {
				out = append(out, model.Span{From: span.From, To: at})
				span.From = at
			}
		}
		out = append(out, span)
	}
	return out
}
