package rotation

import (
	"cmp"
	"encoding/binary"
	"slices"
)

// problem is a planner's question in the search's own terms: one product for each
// slot, so that every limit is kept.
type problem struct {
	slots    int
	products int
	limits   []limit
	// weight is 1 for a product with a group at high risk of resistance.
	weight []int
	// before says which of two products is tried first after a sequence.
	before func(sequence []int) []int
}

// answer is what a search came to.
type answer int

const (
	found answer = iota + 1
	impossible
	// unsettled: the budget ran out before either was shown.
	unsettled
)

// budget is how many more steps a search may take. A step is one number looked at,
// so that a search among many products opens fewer sequences in the same time.
// Several searches may share one, so that the whole answer stays within bounds.
type budget struct {
	left int
	// of is the budget that this one is a part of.
	of *budget
	// ended says that nobody waits for the answer any more; nil when that is not to be
	// asked. It is asked at every spending: a few hundred times in a millisecond at
	// most, and before anything that takes longer.
	ended func() bool
}

// part returns a part of what is left, for one question among several: a proof may
// take any time.
func (b *budget) part(of int) *budget { return &budget{left: b.left / of, of: b} }

// spend takes so many steps; false when not as many are left, or when the search is
// to end.
func (b *budget) spend(steps int) bool {
	if b.left < steps || (b.ended != nil && b.ended()) || (b.of != nil && !b.of.spend(steps)) {
		b.left = 0
		return false
	}
	b.left -= steps
	return true
}

// strand is one machine on its way through the slots: a limit over one past.
type strand struct {
	limit int
	state stateID
}

// search looks for the first sequence, in the order of preference, that keeps some
// of the limits. It is complete: it tries every sequence but those that a bound, a
// dead end met before, or a twin product shows to be hopeless.
type search struct {
	problem
	// on are the limits held to.
	on []int
	// most is how many applications of weight 1 there may be.
	most   int
	budget *budget
	// own of each product are the indices in on of limits that count it alone.
	own [][]int
	// classes are products that may change places; class of each product.
	classes [][]int
	class   []int
	// partitions are ways to gather the products in pools.
	partitions [][]pool
	// first strand of each limit in on.
	first []int

	// roomFirst tries what leaves most room first, not what is preferred.
	roomFirst bool
	// scratch holds the sums of a bound.
	scratch []int
	// strands is how many there are.
	strands int

	dead     map[string]struct{}
	sequence []int
	weighed  int
	settled  bool
}

// pool are products that some limits count together.
type pool struct {
	homes    []int
	products []int
}

// solve looks for a sequence that keeps the limits in on, with at most so many
// applications of weight 1. The sequence is the first in the order of preference.
func (p problem) solve(on []int, most int, b *budget) ([]int, answer) {
	return p.search(on, most, b, false)
}

func (p problem) search(on []int, most int, b *budget, roomFirst bool) ([]int, answer) {
	s := &search{
		problem: p, on: on, most: most, budget: b, roomFirst: roomFirst,
		dead: map[string]struct{}{}, settled: true,
	}
	if !b.spend(s.arranging()) {
		return nil, unsettled
	}
	s.arrange()
	var strands []strand
	for i, index := range on {
		s.first = append(s.first, len(strands))
		for _, start := range p.limits[index].starts {
			strands = append(strands, strand{limit: i, state: start})
		}
	}
	s.first = append(s.first, len(strands))
	s.strands = len(strands)
	switch {
	case s.descend(strands):
		return s.sequence, found
	case s.settled:
		return nil, impossible
	default:
		return nil, unsettled
	}
}

// arranging is what arrange costs in steps: it holds every two products to every
// limit, though most pairs differ at the first ones.
func (s *search) arranging() int { return s.products * (s.products + len(s.on)) }

// bounding is what the bound of one stand costs in steps: it fills every slot to come
// for every product and every strand.
func (s *search) bounding(slot int) int {
	return len(s.partitions) * (s.slots - slot) * (s.products + s.strands)
}

// opening is what a beginning costs in steps besides: every strand is moved over every
// product.
func (s *search) opening() int { return s.products * s.strands }

// arrange works out what the bound and the twins need.
func (s *search) arrange() {
	s.own = make([][]int, s.products)
	for i, index := range s.on {
		if members := s.limits[index].members; len(members) == 1 {
			s.own[members[0]] = append(s.own[members[0]], i)
		}
	}
	s.class = make([]int, s.products)
	for product := range s.products {
		class := slices.IndexFunc(s.classes, func(class []int) bool { return s.alike(class[0], product) })
		if class < 0 {
			class = len(s.classes)
			s.classes = append(s.classes, nil)
		}
		s.classes[class] = append(s.classes[class], product)
		s.class[product] = class
	}
	// A product of several groups counts in one pool only. Which one bounds best
	// depends on the rest, so both the smallest and the tightest are tried.
	fewest := s.partition(func(l limit) int { return len(l.members) })
	tightest := s.partition(func(l limit) int { return l.roomAtStart() })
	s.partitions = [][]pool{fewest}
	if !slices.EqualFunc(fewest, tightest, func(a, b pool) bool { return slices.Equal(a.products, b.products) }) {
		s.partitions = append(s.partitions, tightest)
	}
}

// partition gathers the products by the limit that they count against together with
// others: that of the least size.
func (s *search) partition(size func(limit) int) []pool {
	var pools []pool
	for product := range s.products {
		home := -1
		for i, index := range s.on {
			l := s.limits[index]
			if len(l.members) < 2 || !slices.Contains(l.members, product) {
				continue
			}
			if home < 0 || size(l) < size(s.limits[s.on[home]]) {
				home = i
			}
		}
		at := slices.IndexFunc(pools, func(p pool) bool { return home >= 0 && slices.Contains(p.homes, home) })
		if at < 0 {
			at = len(pools)
			pools = append(pools, pool{homes: s.neighbours(home)})
		}
		pools[at].products = append(pools[at].products, product)
	}
	return pools
}

// neighbours returns the limits that count the same products as one of them.
func (s *search) neighbours(home int) []int {
	if home < 0 {
		return nil
	}
	var same []int
	for i, index := range s.on {
		if slices.Equal(s.limits[index].members, s.limits[s.on[home]].members) {
			same = append(same, i)
		}
	}
	return same
}

// alike reports whether two products may change places in every sequence: they
// weigh the same, are the same to every limit that is not theirs alone, and have
// limits of their own that run on the same machines.
func (s *search) alike(a, b int) bool {
	if s.weight[a] != s.weight[b] || len(s.own[a]) != len(s.own[b]) {
		return false
	}
	for i, index := range s.on {
		theirs := slices.Contains(s.own[a], i) || slices.Contains(s.own[b], i)
		if l := s.limits[index]; !theirs && l.letter[a] != l.letter[b] {
			return false
		}
	}
	for i := range s.own[a] {
		x, y := s.limits[s.on[s.own[a][i]]], s.limits[s.on[s.own[b][i]]]
		if x.machine != y.machine {
			return false
		}
		for product := range s.products {
			swapped := product
			switch product {
			case a:
				swapped = b
			case b:
				swapped = a
			}
			if x.letter[product] != y.letter[swapped] {
				return false
			}
		}
	}
	return true
}

// descend fills the next slot and those after it.
func (s *search) descend(strands []strand) bool {
	slot := len(s.sequence)
	if slot == s.slots {
		return true
	}
	if !s.budget.spend(s.opening() + s.bounding(slot)) {
		s.settled = false
		return false
	}
	if s.slack(slot, s.weighed, strands) < 0 {
		return false
	}
	key := s.key(slot, strands)
	if _, met := s.dead[key]; met {
		return false
	}
	settled := s.settled
	var failed []int
	for _, next := range s.children(slot, strands) {
		if s.twinFailed(next.product, failed, strands) {
			continue
		}
		s.sequence = append(s.sequence, next.product)
		s.weighed += s.weight[next.product]
		if s.descend(next.strands) {
			return true
		}
		s.weighed -= s.weight[next.product]
		s.sequence = s.sequence[:slot]
		failed = append(failed, next.product)
	}
	// A dead end is one only where everything below it was tried.
	if settled == s.settled {
		s.dead[key] = struct{}{}
	}
	return false
}

// child is a product that may come next.
type child struct {
	product int
	strands []strand
	slack   int
}

// children returns the products that may come next, in the order in which they are
// tried: that of preference, or where a sequence is hard to find those first that
// leave most room for the rest.
func (s *search) children(slot int, strands []strand) []child {
	var children []child
	for _, product := range s.before(s.sequence) {
		weighed := s.weighed + s.weight[product]
		if weighed > s.most {
			continue
		}
		next, ok := s.advance(strands, product)
		if !ok {
			continue
		}
		one := child{product: product, strands: next}
		if s.roomFirst {
			if !s.budget.spend(s.bounding(slot + 1)) {
				s.settled = false
				return nil
			}
			if one.slack = s.slack(slot+1, weighed, next); one.slack < 0 {
				continue
			}
		}
		children = append(children, one)
	}
	if s.roomFirst {
		slices.SortStableFunc(children, func(a, b child) int { return cmp.Compare(b.slack, a.slack) })
	}
	return children
}

// advance moves every strand over a product; false when a limit is broken.
func (s *search) advance(strands []strand, product int) ([]strand, bool) {
	// Most products break a limit, so that is looked for before anything is kept.
	for _, at := range strands {
		l := &s.limits[s.on[at.limit]]
		if l.machine.step(at.state, l.letter[product]) == broken {
			return nil, false
		}
	}
	next := make([]strand, len(strands))
	for i, at := range strands {
		l := &s.limits[s.on[at.limit]]
		next[i] = strand{limit: at.limit, state: l.machine.step(at.state, l.letter[product])}
	}
	return next, true
}

// twinFailed reports whether a product that stands exactly where this one does was
// tried here already: then this one leads nowhere either.
func (s *search) twinFailed(product int, failed []int, strands []strand) bool {
	return slices.ContainsFunc(failed, func(other int) bool {
		return s.class[other] == s.class[product] && s.sameStand(other, product, strands)
	})
}

func (s *search) sameStand(a, b int, strands []strand) bool {
	for i := range s.own[a] {
		x, y := s.own[a][i], s.own[b][i]
		if !slices.EqualFunc(strands[s.first[x]:s.first[x+1]], strands[s.first[y]:s.first[y+1]],
			func(p, q strand) bool { return p.state == q.state }) {
			return false
		}
	}
	return true
}

// slack bounds how many more applications the limits leave room for than are to
// come, up to the slot where it is least; below zero nothing that follows can keep
// them. Each product counts against its own limits and in one pool, so that no
// application is counted twice.
func (s *search) slack(slot, weighed int, strands []strand) int {
	least := s.slots
	for _, pools := range s.partitions {
		least = min(least, s.slackIn(pools, slot, weighed, strands))
		if least < 0 {
			break
		}
	}
	return least
}

func (s *search) slackIn(pools []pool, slot, weighed int, strands []strand) int {
	left := s.slots - slot
	if s.scratch == nil {
		s.scratch = make([]int, 5*s.slots)
	}
	total, light := s.scratch[:left], s.scratch[s.slots:][:left]
	room, sum, lightSum := s.scratch[2*s.slots:][:left], s.scratch[3*s.slots:][:left], s.scratch[4*s.slots:][:left]
	clear(total)
	clear(light)
	for _, pool := range pools {
		clear(sum)
		clear(lightSum)
		for _, product := range pool.products {
			fill(room)
			for _, index := range s.own[product] {
				s.narrow(room, index, strands)
			}
			for i, most := range room {
				sum[i] += most
				lightSum[i] += most * (1 - s.weight[product])
			}
		}
		fill(room)
		for _, home := range pool.homes {
			s.narrow(room, home, strands)
		}
		for i, most := range room {
			total[i] += min(sum[i], most)
			light[i] += min(lightSum[i], most)
		}
	}
	least := s.slots
	for i := range left {
		least = min(least, total[i]-(i+1), light[i]+s.most-weighed-(i+1))
	}
	return least
}

// fill gives every slot room for itself and all before it.
func fill(room []int) {
	for i := range room {
		room[i] = i + 1
	}
}

func (s *search) narrow(room []int, index int, strands []strand) {
	machine := s.limits[s.on[index]].machine
	for _, at := range strands[s.first[index]:s.first[index+1]] {
		for i, most := range machine.room(at.state) {
			room[i] = min(room[i], most)
		}
	}
}

// key is what of the past matters to the slots to come. Twins that have changed
// places give the same key. Every part has the same length at one slot, so that no
// two different stands are written alike.
func (s *search) key(slot int, strands []strand) string {
	key := binary.LittleEndian.AppendUint32(nil, uint32(slot))
	// No more applications of weight 1 can follow than there are slots.
	key = binary.LittleEndian.AppendUint32(key, uint32(min(s.most-s.weighed, s.slots-slot)))
	written := make([]bool, len(s.on))
	for _, class := range s.classes {
		stands := make([]string, len(class))
		for i, product := range class {
			var text []byte
			for _, index := range s.own[product] {
				text = s.appendStand(text, index, strands)
				written[index] = true
			}
			stands[i] = string(text)
		}
		slices.Sort(stands)
		for _, stand := range stands {
			key = append(key, stand...)
		}
	}
	for i := range s.on {
		if !written[i] {
			key = s.appendStand(key, i, strands)
		}
	}
	return string(key)
}

// appendStand writes where the strands of a limit stand.
func (s *search) appendStand(text []byte, index int, strands []strand) []byte {
	machine := s.limits[s.on[index]].machine
	for _, at := range strands[s.first[index]:s.first[index+1]] {
		text = binary.LittleEndian.AppendUint32(text, uint32(machine.stand(at.state)))
	}
	return text
}
