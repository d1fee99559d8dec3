package rotation

import (
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

// budget is how many more sequences a search may open. Several searches may share
// one, so that the whole answer stays within bounds.
type budget struct{ left int }

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
	// home of each product is the index in on of the limit with the fewest members
	// that counts it along with other products; -1 when there is none.
	home []int
	// own of each product are the indices in on of limits that count it alone.
	own [][]int
	// classes are products that may change places; class of each product.
	classes [][]int
	class   []int
	// pools are the products with one home.
	pools []pool
	// first strand of each limit in on.
	first []int

	dead     map[string]struct{}
	sequence []int
	weighed  int
	settled  bool
}

// pool are products that a limit counts together; home is -1 where none does.
type pool struct {
	home     int
	products []int
}

// solve looks for a sequence that keeps the limits in on, with at most so many
// applications of weight 1. The sequence is the first in the order of preference.
func (p problem) solve(on []int, most int, b *budget) ([]int, answer) {
	s := &search{
		problem: p, on: on, most: most, budget: b,
		dead: map[string]struct{}{}, settled: true,
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
	switch {
	case s.descend(strands):
		return s.sequence, found
	case s.settled:
		return nil, impossible
	default:
		return nil, unsettled
	}
}

// arrange works out what the bound and the twins need.
func (s *search) arrange() {
	s.home = make([]int, s.products)
	s.own = make([][]int, s.products)
	for product := range s.products {
		s.home[product] = -1
	}
	for i, index := range s.on {
		members := s.limits[index].members
		if len(members) == 1 {
			s.own[members[0]] = append(s.own[members[0]], i)
			continue
		}
		for _, product := range members {
			if at := s.home[product]; at < 0 || len(s.limits[s.on[at]].members) > len(members) {
				s.home[product] = i
			}
		}
	}
	s.class = make([]int, s.products)
	s.classes = nil
	for product := range s.products {
		class := slices.IndexFunc(s.classes, func(class []int) bool { return s.alike(class[0], product) })
		if class < 0 {
			class = len(s.classes)
			s.classes = append(s.classes, nil)
		}
		s.classes[class] = append(s.classes[class], product)
		s.class[product] = class
	}
	s.pool()
}

// pool gathers the products by the limit that they count against together.
func (s *search) pool() {
	for product := range s.products {
		at := slices.IndexFunc(s.pools, func(p pool) bool { return p.home == s.home[product] })
		if at < 0 || s.home[product] < 0 {
			at = len(s.pools)
			s.pools = append(s.pools, pool{home: s.home[product]})
		}
		s.pools[at].products = append(s.pools[at].products, product)
	}
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
	if s.budget.left <= 0 {
		s.settled = false
		return false
	}
	s.budget.left--
	if s.hopeless(slot, strands) {
		return false
	}
	key := s.key(slot, strands)
	if _, met := s.dead[key]; met {
		return false
	}
	settled := s.settled
	var failed []int
	next := make([]strand, len(strands))
	for _, product := range s.before(s.sequence) {
		if s.weighed+s.weight[product] > s.most || s.twinFailed(product, failed, strands) || !s.advance(strands, next, product) {
			continue
		}
		s.sequence = append(s.sequence, product)
		s.weighed += s.weight[product]
		if s.descend(next) {
			return true
		}
		s.weighed -= s.weight[product]
		s.sequence = s.sequence[:slot]
		failed = append(failed, product)
	}
	// A dead end is one only where everything below it was tried.
	if settled == s.settled {
		s.dead[key] = struct{}{}
	}
	return false
}

// advance moves every strand over a product; false when a limit is broken.
func (s *search) advance(strands, next []strand, product int) bool {
	for i, at := range strands {
		l := &s.limits[s.on[at.limit]]
		to := l.machine.step(at.state, l.letter[product])
		if to == broken {
			return false
		}
		next[i] = strand{limit: at.limit, state: to}
	}
	return true
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

// hopeless bounds how many applications the limits leave room for up to each slot
// that is to come. Each product counts against its own limits and against one that
// it shares (its home), so that no application is counted twice.
func (s *search) hopeless(slot int, strands []strand) bool {
	left := s.slots - slot
	total, light := make([]int, left), make([]int, left)
	room, sum, lightSum := make([]int, left), make([]int, left), make([]int, left)
	for _, pool := range s.pools {
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
		if pool.home >= 0 {
			s.narrow(room, pool.home, strands)
		}
		for i, most := range room {
			total[i] += min(sum[i], most)
			light[i] += min(lightSum[i], most)
		}
	}
	heavy := s.most - s.weighed
	for i := range left {
		if total[i] < i+1 || light[i]+heavy < i+1 {
			return true
		}
	}
	return false
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
