package exact

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// look searches all plans that cost no more than the goal and keeps the best.
func (s *search) look() {
	s.stopped, s.done = false, false
	m := s.mark()
	s.descend()
	s.back(m)
}

// descend searches what the choices so far leave.
func (s *search) descend() {
	if s.nodes >= s.limit || s.ctx.Err() != nil {
		s.stopped = true
		return
	}
	s.nodes++
	if !s.settle() {
		return
	}
	if q := s.contested(); q >= 0 {
		s.splitPair(q)
		return
	}
	if crowd := s.crowd(); crowd != nil {
		s.splitCrowd(crowd)
		return
	}
	s.best, s.worth = slices.Clone(s.early), s.cost(s.early)
	s.goal = s.worth - s.unit
	s.done = s.any
}

// try goes on with one more lag.
func (s *search) try(from, to int32, least model.Minute) {
	if s.stopped || s.done {
		return
	}
	m := s.mark()
	if s.add(from, to, least) {
		s.descend()
	}
	s.back(m)
}

// contested returns the pair that overlaps when all start at their earliest and has
// the least room in one of its orders; none is -1.
func (s *search) contested() int {
	best, room, both := -1, model.Minute(0), model.Minute(0)
	for i, q := range s.pairs {
		if s.ordered[i] || s.early[q.a]+q.ab <= s.early[q.b] || s.early[q.b]+q.ba <= s.early[q.a] {
			continue
		}
		first, second := s.room(q)
		if least, sum := min(first, second), first+second; best < 0 || least < room || least == room && sum < both {
			best, room, both = i, least, sum
		}
	}
	return best
}

// room is how far each order of a pair can move.
func (s *search) room(q pair) (first, second model.Minute) {
	return s.late[q.b] - s.early[q.a] - q.ab, s.late[q.a] - s.early[q.b] - q.ba
}

// splitPair tries both orders of a pair, that with more room first.
func (s *search) splitPair(i int) {
	q := s.pairs[i]
	first, second := s.room(q)
	s.ordered[i] = true
	if first >= second {
		s.try(q.a, q.b, q.ab)
		s.try(q.b, q.a, q.ba)
		return
	}
	s.try(q.b, q.a, q.ba)
	s.try(q.a, q.b, q.ab)
}

// crowd returns jobs that at the first moment with too many, when all start at
// their earliest, together ask for more than a pool has, and of which none can be
// spared; nil when no moment has too many.
func (s *search) crowd() []demand {
	var found []demand
	var at model.Minute
	for pool, demands := range s.pools {
		capacity := int64(s.p.Pools[pool].Capacity)
		for _, from := range demands {
			now := s.early[from.job]
			if found != nil && now >= at {
				continue
			}
			var running []demand
			var sum int64
			for _, d := range demands {
				if s.early[d.job] <= now && now < s.early[d.job]+s.length[d.job] {
					running = append(running, d)
					sum += d.amount
				}
			}
			if sum > capacity {
				found, at = spare(running, sum-capacity), now
			}
		}
	}
	return found
}

// spare leaves out jobs, the smallest first, as long as the rest is too much by at
// least one.
func spare(running []demand, over int64) []demand {
	slices.SortStableFunc(running, func(a, b demand) int { return cmp.Compare(a.amount, b.amount) })
	return slices.DeleteFunc(running, func(d demand) bool {
		if d.amount >= over {
			return false
		}
		over -= d.amount
		return true
	})
}

// splitCrowd tries each way in which one job of a crowd ends before another begins.
// What was tried is forbidden to the ways after it, so that no plan is met twice.
func (s *search) splitCrowd(crowd []demand) {
	type order struct {
		first, second int32
		push          model.Minute
	}
	var orders []order
	for _, a := range crowd {
		for _, b := range crowd {
			if a.job == b.job {
				continue
			}
			end := s.early[a.job] + s.length[a.job]
			if end <= s.late[b.job] {
				orders = append(orders, order{a.job, b.job, end - s.early[b.job]})
			}
		}
	}
	slices.SortStableFunc(orders, func(a, b order) int { return cmp.Compare(a.push, b.push) })
	for _, o := range orders {
		s.try(o.first, o.second, s.length[o.first])
		if s.stopped || s.done || !s.add(o.second, o.first, 1-s.length[o.first]) {
			return
		}
	}
}
