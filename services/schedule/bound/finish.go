package bound

import (
	"fmt"
	"slices"

	"velamen/services/schedule/model"
)

// finish bounds the cost of the end of the last job.
func finish(n *network) (int64, string) {
	if n.problem.Weights.Finish == 0 {
		return 0, Zero
	}
	f := ending{n: n, tails: n.tails(), by: Zero}
	f.chains()
	f.sprayers()
	f.people()
	f.spaces()
	f.pools()
	return int64(f.end) * n.problem.Weights.Finish, f.by
}

// ending is the best bound so far on the end of the last job.
type ending struct {
	n     *network
	tails []model.Minute
	end   model.Minute
	by    string
}

func (f *ending) raise(end model.Minute, by string) {
	if end > f.end {
		f.end, f.by = end, by
	}
}

func (f *ending) chains() {
	for j, counts := range f.n.counts {
		if counts {
			f.raise(f.n.frames[j].endLow+f.tails[j], "longest chain of jobs")
		}
	}
}

// piece is the busy time of a job: its least preparation and its shortest way. The
// preparation lies right before the start, so that it begins that much before the
// earliest start.
func (f *ending) piece(j int32) piece {
	prep := far
	for _, w := range f.n.ways[j] {
		prep = min(prep, w.prep)
	}
	return piece{head: f.n.frames[j].startLow - prep, length: prep + f.n.shortest(j), tail: f.tails[j]}
}

// sprayers bounds the work of each set of sprayers that some job must choose from.
func (f *ending) sprayers() {
	c := choices{names: "sprayers or machines"}
	for j, counts := range f.n.counts {
		if counts {
			c.add(f.stationsOf(int32(j)), f.piece(int32(j)))
		}
	}
	c.raise(f, func(set []int32) (supply, string) {
		return f.n.stationSupply(set), f.n.problem.Stations[set[0]].Name
	})
}

// stationsOf returns the stations that a job can be on, ascending; nil when it can
// do without.
func (f *ending) stationsOf(j int32) []int32 {
	var set []int32
	for _, w := range f.n.ways[j] {
		if w.station == model.None {
			return nil
		}
		set = append(set, w.station)
	}
	slices.Sort(set)
	return slices.Compact(set)
}

// people bounds the work of each set of people that some job must choose from.
func (f *ending) people() {
	c := choices{names: "people"}
	for j, counts := range f.n.counts {
		if job := &f.n.problem.Jobs[j]; counts && job.Manned {
			c.add(mayDo(job), f.piece(int32(j)))
		}
	}
	c.raise(f, func(set []int32) (supply, string) {
		return f.n.peopleSupply(set), f.n.problem.People[set[0]].Name
	})
}

// choices are the pieces by the set of machines or people that they choose from.
type choices struct {
	names  string
	sets   [][]int32
	pieces [][]piece
	found  map[string]int
}

func (c *choices) add(set []int32, p piece) {
	if len(set) == 0 {
		return
	}
	if c.found == nil {
		c.found = map[string]int{}
	}
	key := setKey(set)
	i, ok := c.found[key]
	if !ok {
		i = len(c.sets)
		c.found[key] = i
		c.sets, c.pieces = append(c.sets, set), append(c.pieces, nil)
	}
	c.pieces[i] = append(c.pieces[i], p)
}

// mostSets is how many sets of each kind are tried, so that many odd sets do not
// take long.
const mostSets = 64

// raise tries each set, and all together, with the work of all jobs that must
// choose within it.
func (c *choices) raise(f *ending, supplyOf func(set []int32) (supply, string)) {
	for _, set := range c.tried(mostSets) {
		var inside []piece
		for i, other := range c.sets {
			if subset(other, set) {
				inside = append(inside, c.pieces[i]...)
			}
		}
		if len(inside) == 0 {
			continue
		}
		s, name := supplyOf(set)
		by := fmt.Sprintf("hours of %d %s", len(set), c.names)
		if len(set) == 1 {
			by = "work of " + name
			f.raise(oneMachine(inside), by)
		}
		f.raise(energy(s, chores(inside)), by)
	}
}

// all returns everybody in some set, ascending.
func (c *choices) all() []int32 {
	var all []int32
	for _, set := range c.sets {
		all = append(all, set...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}

// tried returns the first sets, at most as many as said, and the set of all.
func (c *choices) tried(most int) [][]int32 {
	all := c.all()
	sets := slices.Clone(c.sets[:min(len(c.sets), most)])
	if !slices.ContainsFunc(sets, func(set []int32) bool { return slices.Equal(set, all) }) {
		sets = append(sets, all)
	}
	return sets
}

func subset(small, large []int32) bool {
	i := 0
	for _, v := range small {
		for i < len(large) && large[i] < v {
			i++
		}
		if i == len(large) || large[i] != v {
			return false
		}
	}
	return true
}

// spaces bounds exclusive work in each space: closures keep apart, each to the end
// of its tail. Of those that share a closure, the longest counts.
func (f *ending) spaces() {
	type group struct{ space, closure int32 }
	at := map[group]int{}
	bySpace := make([][]piece, len(f.n.problem.Spaces))
	for j, counts := range f.n.counts {
		if !counts {
			continue
		}
		for _, o := range f.n.problem.Jobs[j].Occupies {
			if !o.Exclusive {
				continue
			}
			one := piece{head: f.n.frames[j].startLow, length: f.n.shortest(int32(j)) + o.Tail, tail: f.tails[j] - o.Tail}
			g := group{o.Space, o.Closure}
			i, shared := at[g]
			switch {
			case o.Closure == model.None || !shared:
				at[g] = len(bySpace[o.Space])
				bySpace[o.Space] = append(bySpace[o.Space], one)
			case one.length > bySpace[o.Space][i].length:
				bySpace[o.Space][i] = one
			}
		}
	}
	for s, pieces := range bySpace {
		if len(pieces) > 0 {
			f.raise(oneMachine(pieces), "closures of "+f.n.problem.Spaces[s].Name)
		}
	}
}

// pools bounds the work on each pool by its capacity.
func (f *ending) pools() {
	work := make([][]chore, len(f.n.problem.Pools))
	for j, counts := range f.n.counts {
		if !counts {
			continue
		}
		for _, d := range f.n.problem.Jobs[j].Demands {
			work[d.Pool] = append(work[d.Pool], chore{
				head: f.n.frames[j].startLow, tail: f.tails[j], work: int64(d.Amount) * int64(f.n.shortest(int32(j))),
			})
		}
	}
	for p, list := range work {
		if capacity := f.n.problem.Pools[p].Capacity; capacity > 0 {
			f.raise(energy(steady(int64(capacity)), list), "capacity of "+f.n.problem.Pools[p].Name)
		}
	}
}

// chore is an amount of work that is done by a supply, not before head and at
// least tail before the end of all work.
type chore struct {
	head, tail model.Minute
	work       int64
}

func chores(pieces []piece) []chore {
	out := make([]chore, len(pieces))
	for i, p := range pieces {
		out[i] = chore{head: p.head, tail: p.tail, work: int64(p.length)}
	}
	return out
}

// mostTails is how many tails energy tries, so that its time stays in proportion.
const mostTails = 32

// energy returns the earliest end of all work: for chores that cannot begin before
// some head and are all followed by some tail, the supply from that head on has to
// do them all.
func energy(s supply, list []chore) model.Minute {
	var tails []model.Minute
	for _, c := range list {
		tails = append(tails, c.tail)
	}
	slices.Sort(tails)
	tails = slices.Compact(tails)
	slices.SortFunc(list, func(a, b chore) int { return int(b.head) - int(a.head) })
	end := model.Minute(0)
	step := (len(tails) + mostTails - 1) / mostTails
	for t := 0; t < len(tails); t += step {
		var work int64
		for i, c := range list {
			if c.tail >= tails[t] {
				work += c.work
			}
			last := i == len(list)-1 || list[i+1].head < c.head
			if !last || work == 0 {
				continue
			}
			if at, ok := s.enough(s.before(c.head) + work); ok {
				end = max(end, at+tails[t])
			}
		}
	}
	return end
}
