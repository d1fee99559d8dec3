package search

import "velamen/services/schedule/model"

// joined tells which jobs changed in one step with which, so that what an island found
// in one place can be taken over without what it did elsewhere.
type joined struct {
	parent []int32
	// changed are the jobs in it, each once.
	changed []int32
}

func newJoined(n int) *joined {
	j := &joined{parent: make([]int32, n)}
	for i := range j.parent {
		j.parent[i] = model.None
	}
	return j
}

// forget leaves no job in it.
func (g *joined) forget() {
	for _, j := range g.changed {
		g.parent[j] = model.None
	}
	g.changed = g.changed[:0]
}

// add joins the jobs of one step.
func (g *joined) add(log []change) {
	first := int32(model.None)
	for i := range log {
		j := log[i].job
		if g.parent[j] == model.None {
			g.parent[j] = j
			g.changed = append(g.changed, j)
		}
		if first == model.None {
			first = j
			continue
		}
		a, b := g.root(first), g.root(j)
		g.parent[max(a, b)] = min(a, b)
	}
}

func (g *joined) root(j int32) int32 {
	for g.parent[j] != j {
		g.parent[j] = g.parent[g.parent[j]]
		j = g.parent[j]
	}
	return j
}

// takeOver tries to change a plan in each place in which an island changed its own, and
// keeps what is no worse.
func (k *islander) takeOver(from *islander) {
	g := from.groups
	for _, head := range g.changed {
		if g.root(head) != head {
			continue
		}
		k.scratch = k.scratch[:0]
		for _, j := range g.changed {
			if g.root(j) == head && k.s.at[j] != from.s.at[j] {
				k.scratch = append(k.scratch, j)
			}
		}
		if len(k.scratch) > 0 {
			k.adapt(from.s.at)
		}
	}
}

// adapt puts the jobs of the scratch list where another plan has them, or leaves the
// plan as it is.
func (k *islander) adapt(other []spot) {
	k.s.record()
	for _, j := range k.scratch {
		k.out(j)
	}
	order(k.scratch, other)
	fits := true
	for _, j := range k.scratch {
		fits = fits && (!other[j].placed || k.b.stands(j, &other[j]))
	}
	if c := k.s.cost(); fits && c.compare(k.now) <= 0 && k.whole() {
		k.now = c
		k.groups.add(k.s.log)
		k.s.logging = false
		return
	}
	k.s.back()
}

// whole tells whether all that the jobs of the log need is placed.
func (k *islander) whole() bool {
	for i := range k.s.log {
		for _, need := range k.s.t.jobs[k.s.log[i].job].job.Needs {
			if k.s.at[k.s.log[i].job].placed && !k.s.at[need].placed {
				return false
			}
		}
	}
	return true
}

// become takes over a whole plan by what is different in it.
func (k *islander) become(at []spot) {
	k.scratch = k.scratch[:0]
	for j := range at {
		if k.s.at[j] != at[j] {
			k.scratch = append(k.scratch, int32(j))
		}
	}
	for _, j := range k.scratch {
		if k.s.at[j].placed {
			k.s.take(j)
		}
	}
	order(k.scratch, at)
	for _, j := range k.scratch {
		if at[j].placed {
			k.s.put(j, at[j])
		}
	}
	k.now = k.s.cost()
	k.keep()
	k.groups.forget()
}
