package search

import (
	"cmp"
	"context"
	"math/rand/v2"
	"slices"

	"velamen/services/schedule/model"
)

// effort is how many places are looked at in one round on one island. It is a number
// and not a time, so that a round is the same on any computer.
const effort = 30_000

// perFew is what each job adds where there are few.
const perFew = 1_000

// shared is the same where the islands work on one plan, and perJob what each job adds:
// they have to agree before each has changed too much.
const (
	shared = 8_000
	perJob = 10
)

// islander improves one plan with random numbers of its own.
type islander struct {
	s     *state
	b     *builder
	rng   *rand.Rand
	now   cost
	best  []spot
	least cost
	// score is that of the best plan.
	score model.Score
	// history are the costs some steps ago: a step that is no worse than one of them is
	// kept (late acceptance, after Burke and Bykov 2017, from memory).
	history []cost
	steps   int
	stall   int
	most    int
	// blink is out of about how many places one is overlooked.
	blink int
	// first is the job that goes back before the others, or None.
	first   int32
	touched []int32
	scratch []int32
	seen    []bool
	groups  *joined
	// shop searches orders where only they count; else nil. sorted is true while it goes on
	// from where it was, flexible when ways have to be chosen as well.
	shop             *shop
	sorted, flexible bool
	rounds           int
}

const (
	// longMemory is how many steps back late acceptance looks, and shortMemory where
	// there are so many jobs that going down takes all the time.
	longMemory, shortMemory = 60, 20
	// patience is after how many steps without a better plan the best one is taken again.
	patience = 2000
	// mostTaken is how many jobs a step takes out of a plan of few jobs, and fewTaken of
	// one of many.
	mostTaken, fewTaken = 12, 6
)

func newIslander(t *tables, seed, stream uint64) *islander {
	rng := rand.New(rand.NewPCG(seed, stream))
	s := newState(t)
	k := &islander{s: s, b: newBuilder(s, rng), rng: rng, first: model.None, seen: make([]bool, len(t.p.Stations)), groups: newJoined(len(t.jobs))}
	if t.isShop() {
		k.shop = newShop(t, rng)
		k.flexible = slices.ContainsFunc(t.jobs, func(own task) bool { return len(own.ways) > 1 })
	}
	n := len(t.jobs)
	k.most = max(min(n, 6), min(mostTaken, n/4))
	k.history = make([]cost, longMemory)
	if n > someJobs && k.shop == nil {
		k.most = fewTaken
		k.history = make([]cost, shortMemory)
	}
	k.blink = min(4+n/2, 24)
	k.best = slices.Clone(s.at)
	k.least, k.score = s.cost(), s.score()
	return k
}

// settle makes what the state holds the plan to go on from.
func (k *islander) settle() {
	k.now = k.s.cost()
	for i := range k.history {
		k.history[i] = k.now
	}
	k.stall = 0
	k.keep()
}

// keep remembers the state when it is the best so far.
func (k *islander) keep() {
	if c := k.s.cost(); c.compare(k.least) < 0 {
		k.least, k.score = c, k.s.score()
		copy(k.best, k.s.at)
		k.stall = 0
	}
}

// restart takes a plan again.
func (k *islander) restart(at []spot) {
	k.s.fill(at)
	k.settle()
	k.sorted = false
}

// fill takes over where all jobs stand.
func (s *state) fill(at []spot) {
	list := make([]int32, 0, len(at))
	for i := range at {
		if at[i].placed {
			list = append(list, int32(i))
		}
	}
	order(list, at)
	s.clear()
	for _, j := range list {
		s.put(j, at[j])
	}
}

// order sorts jobs by their starts.
func order(jobs []int32, at []spot) {
	slices.SortFunc(jobs, func(a, b int32) int { return cmp.Or(cmp.Compare(at[a].start, at[b].start), cmp.Compare(a, b)) })
}

// work is the effort of one round for so many jobs.
func work(jobs int) int {
	if jobs > someJobs {
		return shared + perJob*jobs
	}
	return min(effort, perFew*(jobs+1))
}

// round does a fixed amount of work; false when it was cut off.
func (k *islander) round(ctx context.Context) bool {
	k.rounds++
	if k.shop != nil && k.s.skipped == 0 && (!k.flexible || k.rounds%4 != 0) {
		return k.sortOrders(ctx)
	}
	was := k.least
	for k.s.looks = 0; k.s.looks < work(len(k.s.at)); k.step() {
		if ctx.Err() != nil {
			return false
		}
	}
	k.sorted = k.sorted && k.least.compare(was) == 0
	return true
}

// step ruins a part of the plan, builds it anew, and keeps it or goes back.
func (k *islander) step() {
	k.s.looks++
	k.s.record()
	k.ruin()
	k.refill()
	k.b.restore()
	k.repour()
	c := k.s.cost()
	past := &k.history[k.steps%len(k.history)]
	if c.compare(k.now) <= 0 || c.compare(*past) <= 0 {
		k.now = c
		k.s.logging = false
		k.groups.add(k.s.log)
		k.keep()
	} else {
		k.s.back()
	}
	*past = k.now
	k.steps++
	if k.stall++; k.stall > patience && (k.shop != nil || len(k.s.at) <= someJobs) {
		k.restart(k.best)
		k.relax()
	}
}

// relax lets the plan get a little dearer for a while, so that it does not end where it
// did before.
func (k *islander) relax() {
	for i := range k.history {
		k.history[i].total += k.now.total / 100
	}
}

// mostLeftOut is how many jobs that fit nowhere are tried again in one step.
const mostLeftOut = 2

// refill puts what was taken out, and some of what was left out before, into the bag
// in an order chosen at random.
func (k *islander) refill() {
	b := k.b
	b.bag = b.bag[:0]
	for i := range k.s.log {
		if j := k.s.log[i].job; !k.s.at[j].placed && !b.pending[j] {
			b.pending[j] = true
			b.bag = append(b.bag, j)
		}
	}
	for range min(mostLeftOut, len(k.s.out)-len(b.bag)) {
		if j := k.s.out[k.rng.IntN(len(k.s.out))]; !b.pending[j] && len(k.s.t.jobs[j].ways) > 0 {
			b.pending[j] = true
			b.bag = append(b.bag, j)
		}
	}
	rule := k.rng.IntN(6)
	for _, j := range b.bag {
		b.keys[j] = k.key(j, rule)
	}
	if k.first != model.None {
		b.keys[k.first] = -1 << 62
		k.first = model.None
	}
	b.seek.blink = 0
	if k.rng.IntN(2) == 0 {
		b.seek.blink = k.blink + k.rng.IntN(k.blink)
	}
}

// key puts the jobs of the bag in order.
func (k *islander) key(j int32, rule int) int64 {
	own := &k.s.t.jobs[j]
	switch rule {
	case 0:
		return int64(own.latest)
	case 1:
		return int64(own.job.Due) - int64(own.shortest)
	case 2:
		return -own.job.SkipWeight
	case 3:
		return -(own.job.WaitWeight + own.job.LateWeight) / int64(max(own.shortest, 1))
	}
	return k.rng.Int64N(1 << 40)
}

// repour looks at the loads of the stations that were touched.
func (k *islander) repour() {
	n := len(k.s.log)
	for i := range n {
		j := k.s.log[i].job
		for _, station := range [2]int32{k.s.log[i].was.station, k.s.at[j].station} {
			if k.s.t.jobs[j].job.Mix != model.None && station != model.None && !k.seen[station] {
				k.seen[station] = true
				k.s.pourings(station)
			}
		}
	}
	for i := range n {
		j := k.s.log[i].job
		for _, station := range [2]int32{k.s.log[i].was.station, k.s.at[j].station} {
			if station != model.None {
				k.seen[station] = false
			}
		}
	}
}
