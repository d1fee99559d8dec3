package exact

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// settle draws all conclusions from the goal and the choices so far. It returns
// false when no plan is left.
func (s *search) settle() bool {
	for s.moved = true; s.moved; {
		s.moved = false
		if !s.afford() || !s.order() {
			return false
		}
	}
	for _, m := range s.machines {
		if !s.fitsMachine(m) {
			return false
		}
	}
	for pool, demands := range s.pools {
		if !s.fitsPool(demands, int64(s.p.Pools[pool].Capacity)) {
			return false
		}
	}
	return true
}

// cost is what a plan with these starts costs, or what every later one costs at
// least.
func (s *search) cost(starts []model.Minute) int64 {
	var sum int64
	var end model.Minute
	for j, start := range starts {
		sum += s.delay(int32(j), start)
		end = max(end, start+s.length[j])
	}
	return sum + int64(end)*s.p.Weights.Finish
}

func (s *search) delay(j int32, start model.Minute) int64 {
	job := &s.p.Jobs[j]
	return job.LateWeight*int64(max(0, start+s.length[j]-job.Due)) + job.WaitWeight*int64(max(0, start-job.Release))
}

// afford lowers the latest starts to what the goal can pay for when all other jobs
// start at their earliest.
func (s *search) afford() bool {
	spent := s.cost(s.early)
	if spent > s.goal {
		return false
	}
	if s.goal == unlimited {
		return true
	}
	var end model.Minute
	for j, start := range s.early {
		end = max(end, start+s.length[j])
	}
	spare := s.goal - spent
	for j := range int32(len(s.early)) {
		latest := s.payable(j, spare)
		if finish := s.p.Weights.Finish; finish > 0 {
			latest = min(latest, int64(end)+spare/finish-int64(s.length[j]))
		}
		if latest < int64(s.late[j]) && !s.lower(j, model.Minute(latest)) {
			s.queue = s.queue[:0]
			return false
		}
	}
	return s.backward()
}

// payable returns the latest start whose delay costs at most spare more than the
// earliest.
func (s *search) payable(j int32, spare int64) int64 {
	job := &s.p.Jobs[j]
	at := int64(s.early[j])
	// Up to the due time only waiting costs.
	free := max(0, int64(job.Due-s.length[j])-at)
	if job.WaitWeight > 0 {
		if spare/job.WaitWeight < free {
			return at + spare/job.WaitWeight
		}
		spare -= free * job.WaitWeight
	}
	if rate := job.WaitWeight + job.LateWeight; rate > 0 {
		return at + free + spare/rate
	}
	return int64(s.late[j])
}

// order orders the pairs that can only go one way.
func (s *search) order() bool {
	for i, q := range s.pairs {
		if s.ordered[i] {
			continue
		}
		first := s.early[q.a]+q.ab <= s.late[q.b]
		second := s.early[q.b]+q.ba <= s.late[q.a]
		switch {
		case !first && !second:
			return false
		case first && second:
			s.ordered[i] = s.late[q.a]+q.ab <= s.early[q.b] || s.late[q.b]+q.ba <= s.early[q.a]
			continue
		case first && !s.add(q.a, q.b, q.ab), second && !s.add(q.b, q.a, q.ba):
			return false
		}
		s.ordered[i] = true
	}
	return true
}

// fitsMachine says whether the work of a machine fits between its earliest starts
// and latest ends when any of it may be broken off: always the one that must end
// first.
func (s *search) fitsMachine(m []member) bool {
	left := make([]model.Minute, len(m))
	now := s.early[m[0].job]
	for i, one := range m {
		left[i] = one.length
		now = min(now, s.early[one.job])
	}
	for {
		// One step runs the most urgent job that is there until it is done or the next
		// job comes.
		urgent, next := -1, model.Minute(-1)
		for i, one := range m {
			switch head := s.early[one.job]; {
			case left[i] == 0:
			case head > now:
				if next < 0 || head < next {
					next = head
				}
			case urgent < 0 || s.late[one.job]+one.length < s.late[m[urgent].job]+m[urgent].length:
				urgent = i
			}
		}
		switch {
		case urgent < 0 && next < 0:
			return true
		case urgent < 0:
			now = next
			continue
		}
		run := left[urgent]
		if next >= 0 {
			run = min(run, next-now)
		}
		now += run
		left[urgent] -= run
		if left[urgent] == 0 && now > s.late[m[urgent].job]+m[urgent].length {
			return false
		}
	}
}

// fitsPool says whether between any earliest start and any latest end the pool has
// enough for the jobs that must lie between.
func (s *search) fitsPool(demands []demand, capacity int64) bool {
	byEnd := slices.Clone(demands)
	end := func(d demand) model.Minute { return s.late[d.job] + s.length[d.job] }
	slices.SortStableFunc(byEnd, func(a, b demand) int { return cmp.Compare(end(a), end(b)) })
	for _, from := range demands {
		head := s.early[from.job]
		var work int64
		for _, d := range byEnd {
			if s.early[d.job] < head {
				continue
			}
			work += d.amount * int64(s.length[d.job])
			if work > capacity*int64(end(d)-head) {
				return false
			}
		}
	}
	return true
}
