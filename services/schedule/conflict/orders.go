package conflict

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// mates are the jobs of a node that use the same sprayer, or have the same person.
func (s *searcher) mates(n *node, job int, same func(a, b option) bool) []int {
	var mates []int
	mine := s.options[job][n.option[job]]
	for i, k := range n.option {
		if i != job && k != undecided && same(mine, s.options[i][k]) {
			mates = append(mates, i)
		}
	}
	return mates
}

// settled tells whether every job has an option and stands before or after the job
// where they are mates.
func (s *searcher) settled(n *node, job int, mates []int) bool {
	for _, mate := range mates {
		if !n.first[mate][job] && !n.first[job][mate] {
			return false
		}
	}
	return !slices.Contains(n.option, undecided)
}

// prep is how long before its start a job takes its sprayer: exact when its order is
// settled, else the least.
func (s *searcher) prep(n *node, job int) model.Minute {
	o := s.options[job][n.option[job]]
	mix := s.q.p.Jobs[job].Mix
	if mix == model.None || o.station == model.None {
		return 0
	}
	station := &s.q.p.Stations[o.station]
	if station.Rinses == model.None {
		return s.q.leastPrep(int32(job), o)
	}
	mates := s.mixMates(n, job)
	if !s.settled(n, job, mates) {
		return s.q.leastPrep(int32(job), o)
	}
	holds := station.Holds
	if before := s.lastBefore(n, job, mates); before >= 0 {
		holds = s.q.p.Jobs[before].Mix
	}
	prep := s.q.p.Rinses[station.Rinses][holds+1][mix].Minutes
	if o.fresh {
		prep += station.MixMinutes
	}
	return s.q.easiest(o.station, mix, prep)
}

// mixMates are the mates on the sprayer that put a mix into it.
func (s *searcher) mixMates(n *node, job int) []int {
	mates := s.mates(n, job, s.sameSprayer)
	return slices.DeleteFunc(mates, func(i int) bool { return s.q.p.Jobs[i].Mix == model.None })
}

// lastBefore is the mate that comes right before a job in the decided order; -1 when
// none does.
func (s *searcher) lastBefore(n *node, job int, mates []int) int {
	last := -1
	for _, mate := range mates {
		if n.first[mate][job] && (last < 0 || n.first[last][mate]) {
			last = mate
		}
	}
	return last
}

// travel is the way from one job to the next of a person, once it is settled that one
// is the next.
func (s *searcher) travel(n *node, before, job int) model.Minute {
	p := s.q.p
	from, to := p.Jobs[before].Site, p.Jobs[job].Site
	if len(p.Travel) == 0 || from == model.None || to == model.None {
		return 0
	}
	mates := s.mates(n, job, s.samePerson)
	if !s.settled(n, job, mates) || s.lastBefore(n, job, mates) != before {
		return 0
	}
	return p.Travel[from][to]
}

// stillFresh is the earliest start of a job that begins a load so that those that join
// it end within the life of the mix (R12), once their order is settled.
func (s *searcher) stillFresh(n *node, job int) model.Minute {
	if n.option[job] == undecided || !s.options[job][n.option[job]].fresh {
		return 0
	}
	mates := s.mixMates(n, job)
	var from model.Minute
	for _, mate := range mates {
		if n.first[job][mate] && !s.options[mate][n.option[mate]].fresh && s.opener(n, mate) == job {
			end := n.start[mate] + s.duration(n, mate, false)
			from = max(from, end-s.q.p.Mixes[s.q.p.Jobs[job].Mix].Life)
		}
	}
	return from
}

// opener is the job that began the load which a job joins; -1 when the order is not
// settled, or when there is no such load.
func (s *searcher) opener(n *node, job int) int {
	for {
		mates := s.mixMates(n, job)
		if !s.settled(n, job, mates) {
			return -1
		}
		before := s.lastBefore(n, job, mates)
		if before < 0 || s.q.p.Jobs[before].Mix != s.q.p.Jobs[job].Mix {
			return -1
		}
		if s.options[before][n.option[before]].fresh {
			return before
		}
		job = before
	}
}

// clash finds jobs that get in each other's way at their earliest starts, and returns
// the nodes of which one must hold in any plan.
func (s *searcher) clash(n *node) (children []*node, clash bool) {
	for i := range n.option {
		for j := range i {
			if n.option[i] != undecided && n.option[j] != undecided && !n.first[i][j] && !n.first[j][i] && s.collide(n, i, j) {
				return s.either(n, i, j), true
			}
		}
	}
	if running := s.crowd(n); running != nil {
		for _, i := range running {
			for _, j := range running {
				if i != j && !n.first[i][j] {
					if child := n.order(i, j); child != nil {
						children = append(children, child)
					}
				}
			}
		}
		return children, true
	}
	return s.worn(n)
}

// collide tells whether two jobs take the same sprayer, person or space at once.
func (s *searcher) collide(n *node, i, j int) bool {
	a, b := s.options[i][n.option[i]], s.options[j][n.option[j]]
	endA, endB := n.start[i]+a.duration, n.start[j]+b.duration
	if (s.sameSprayer(a, b) || s.samePerson(a, b)) && meet(n.start[i]-s.prep(n, i), endA, n.start[j]-s.prep(n, j), endB) {
		return true
	}
	return s.inOneSpace(n, i, j, endA, endB)
}

func (s *searcher) inOneSpace(n *node, i, j int, endA, endB model.Minute) bool {
	for _, x := range s.q.p.Jobs[i].Occupies {
		for _, y := range s.q.p.Jobs[j].Occupies {
			shares := x.Closure != model.None && x.Closure == y.Closure
			if x.Space == y.Space && (x.Exclusive || y.Exclusive) && !shares &&
				meet(n.start[i], endA+x.Tail, n.start[j], endB+y.Tail) {
				return true
			}
		}
	}
	return false
}

// crowd returns jobs that run at one moment and ask for more than a pool holds, none
// of which could be left out; nil when there are none.
func (s *searcher) crowd(n *node) []int {
	for pool := range s.q.p.Pools {
		for i := range n.option {
			if asks(&s.q.p.Jobs[i], int32(pool)) == 0 {
				continue
			}
			running, asked := s.running(n, int32(pool), n.start[i])
			if asked <= int64(s.q.p.Pools[pool].Capacity) {
				continue
			}
			return s.fewestRunning(running, int32(pool), asked)
		}
	}
	return nil
}

func asks(job *model.Job, pool int32) int64 {
	for _, d := range job.Demands {
		if d.Pool == pool {
			return int64(d.Amount)
		}
	}
	return 0
}

func (s *searcher) running(n *node, pool int32, at model.Minute) (running []int, asked int64) {
	for i, k := range n.option {
		if amount := asks(&s.q.p.Jobs[i], pool); amount > 0 && k != undecided &&
			n.start[i] <= at && at < n.start[i]+s.options[i][k].duration {
			running = append(running, i)
			asked += amount
		}
	}
	return running, asked
}

func (s *searcher) fewestRunning(running []int, pool int32, asked int64) []int {
	return slices.DeleteFunc(running, func(i int) bool {
		amount := asks(&s.q.p.Jobs[i], pool)
		if asked-amount > int64(s.q.p.Pools[pool].Capacity) {
			asked -= amount
			return true
		}
		return false
	})
}

// worn finds a person who would be in protective equipment or heat for too long on one
// day. In any plan one of the jobs of that day is later: its share of what is too much
// is then no longer on this day.
func (s *searcher) worn(n *node) (children []*node, clash bool) {
	for person := range s.q.p.People {
		limit := s.q.p.People[person].MaxProtected
		if limit == 0 {
			continue
		}
		for day := range s.q.p.Days {
			jobs, minutes := s.strained(n, int32(person), day)
			if day == 0 {
				minutes += s.q.p.People[person].Worn
			}
			if len(jobs) == 0 || minutes <= limit {
				continue
			}
			count := model.Minute(len(jobs))
			share := (minutes - limit + count - 1) / count
			for _, job := range jobs {
				if floor, later := s.relieved(n, job, day, share); later {
					child := n.clone()
					child.floor[job] = floor
					children = append(children, child)
				}
			}
			return children, true
		}
	}
	return nil, false
}

// strained are the jobs of a person that begin on a day and are in protective equipment
// or heat, and for how long together.
func (s *searcher) strained(n *node, person int32, day int) (jobs []int, minutes model.Minute) {
	for i, k := range n.option {
		if k == undecided || s.options[i][k].person != person {
			continue
		}
		last := day+1 == len(s.q.p.Days)
		if (day > 0 && n.start[i] < s.q.p.Days[day]) || (!last && n.start[i] >= s.q.p.Days[day+1]) {
			continue
		}
		if own := s.q.p.Jobs[i].Strained(n.start[i], n.start[i]+s.options[i][k].duration); own > 0 {
			jobs = append(jobs, i)
			minutes += own
		}
	}
	return jobs, minutes
}

// relieved is the first start of a job after the one that it has at which it is so many
// minutes less in heat, or the next day; false when there is none.
func (s *searcher) relieved(n *node, job, day int, share model.Minute) (start model.Minute, later bool) {
	own, d := &s.q.p.Jobs[job], s.options[job][n.option[job]].duration
	start, end := n.start[job], s.q.p.Horizon
	next := day+1 < len(s.q.p.Days)
	if next {
		end = s.q.p.Days[day+1]
	}
	allowed := own.Strained(start, start+d) - share
	if own.Protected || allowed < 0 {
		return end, next
	}
	for start < end {
		over := own.Strained(start, start+d) - allowed
		if over <= 0 {
			return start, true
		}
		// A minute later a job is at most a minute less in heat.
		start += over
	}
	return end, next
}

// holds tells whether the earliest starts of a node without clashes are a plan. They
// are when the order in which they stand is decided wherever something follows from
// it: how long a rinse takes, how far the way is, and which load a job joins.
func (s *searcher) holds(n *node) bool {
	order := make([]int, len(n.start))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(n.start[a], n.start[b]) })
	full := n.clone()
	for a := range order {
		for _, later := range order[a+1:] {
			if s.areMates(n, order[a], later) {
				full.first[order[a]][later] = true
			}
		}
	}
	for i := range full.option {
		o := s.options[i][full.option[i]]
		if !o.fresh && o.station != model.None && s.q.p.Jobs[i].Mix != model.None && s.opener(full, i) < 0 {
			return false
		}
	}
	starts := slices.Clone(n.start)
	return s.propagate(full) && slices.Equal(starts, full.start)
}

// areMates tells whether anything can follow from the order of two jobs: they have one
// person or one sprayer.
func (s *searcher) areMates(n *node, i, j int) bool {
	a, b := s.options[i][n.option[i]], s.options[j][n.option[j]]
	return s.samePerson(a, b) || s.sameSprayer(a, b)
}

// undecidedPair decides the order of two mates; it returns nothing when all orders are
// decided, so that this node has no plan.
func (s *searcher) undecidedPair(n *node) []*node {
	for i := range n.option {
		for j := range i {
			if n.first[i][j] || n.first[j][i] || !s.areMates(n, i, j) {
				continue
			}
			return s.either(n, i, j)
		}
	}
	return nil
}
