package search

import (
	"slices"

	"velamen/services/schedule/model"
)

// ruin takes out some jobs that have to do with each other.
func (k *islander) ruin() {
	size := 1 + k.rng.IntN(k.most)
	seed := k.seed()
	if seed == model.None {
		return
	}
	if !k.s.at[seed].placed && k.rng.IntN(2) == 0 {
		k.makeRoom(seed)
		return
	}
	switch k.rng.IntN(8) {
	case 0:
		k.ruinAnywhere(size)
	case 1:
		k.ruinStretch(seed, size, false)
	case 2:
		k.ruinStretch(seed, size, true)
	case 3:
		k.ruinSpace(seed, size)
	case 4:
		k.ruinMix(seed, size)
	case 5:
		k.ruinChain(seed, size)
	case 6:
		k.makeRoom(seed)
	default:
		k.ruinRelated(seed, size)
	}
}

// firstRounds is how long the jobs that changed are looked at first.
const firstRounds = 6

// seed is the job that a ruin begins with: often one that is left out or dear.
func (k *islander) seed() int32 {
	n := len(k.s.at)
	if n == 0 {
		return model.None
	}
	if len(k.touched) > 0 && k.rounds <= firstRounds && k.rng.IntN(4) > 0 {
		return k.touched[k.rng.IntN(len(k.touched))]
	}
	if len(k.s.out) > 0 && k.rng.IntN(4) == 0 {
		return k.s.out[k.rng.IntN(len(k.s.out))]
	}
	if k.s.t.p.Weights.Finish > 0 && k.rng.IntN(2) == 0 {
		return k.holdup()
	}
	best := int32(k.rng.IntN(n))
	for range k.rng.IntN(4) {
		if j := int32(k.rng.IntN(n)); k.s.blame(j) > k.s.blame(best) {
			best = j
		}
	}
	return best
}

// holdup is a job that keeps the last one from ending earlier: on a way back from it over
// jobs that end when the next one begins.
func (k *islander) holdup() int32 {
	chosen := int32(0)
	for j := range k.s.at {
		if k.s.at[j].end > k.s.at[chosen].end {
			chosen = int32(j)
		}
	}
	on := chosen
	for steps := 1; ; steps++ {
		on = k.pusher(on)
		if on == model.None {
			return chosen
		}
		if k.rng.IntN(steps+1) == 0 {
			chosen = on
		}
	}
}

// pusher is a job that ends when another begins, on its station, with its person or
// bound to it; None when there is none.
func (k *islander) pusher(j int32) int32 {
	a := &k.s.at[j]
	found, equal := int32(model.None), 0
	offer := func(other int32) {
		if o := &k.s.at[other]; o.placed && o.end == a.begin && o.start < a.start {
			if equal++; k.rng.IntN(equal) == 0 {
				found = other
			}
		}
	}
	if a.station != model.None {
		if at := k.s.position(k.s.onStation[a.station], j); at > 0 {
			offer(k.s.onStation[a.station][at-1])
		}
	}
	if a.person != model.None {
		if at := k.s.position(k.s.withPerson[a.person], j); at > 0 {
			offer(k.s.withPerson[a.person][at-1])
		}
	}
	for _, b := range k.s.t.jobs[j].bonds {
		if b.below {
			offer(b.other)
		}
	}
	return found
}

// blame is what a job costs beyond the least that it could.
func (s *state) blame(j int32) int64 {
	own, a := &s.t.jobs[j], &s.at[j]
	if !a.placed || len(own.ways) == 0 {
		return 0
	}
	job := own.job
	sum := job.LateWeight*int64(max(a.end-job.Due, 0)) + job.WaitWeight*int64(max(a.start-max(job.Release, own.ways[0].starts[0].From), 0)) + s.over[j]
	if job.Told != nil && changed(own, a.start, a.way, a.person) {
		sum += job.Told.Weight
	}
	for i := range job.Occupies {
		if o := &job.Occupies[i]; o.Exclusive {
			sum += s.t.p.Spaces[o.Space].ClosedWeight * s.t.worked[o.Space].between(a.start, a.end+o.Tail)
		}
	}
	return sum
}

func (k *islander) out(j int32) {
	if k.s.at[j].placed {
		k.s.remove(j)
	}
}

func (k *islander) ruinAnywhere(size int) {
	for range size {
		k.out(int32(k.rng.IntN(len(k.s.at))))
	}
}

// ruinStretch takes out jobs in a row on the station or with the person of one.
func (k *islander) ruinStretch(seed int32, size int, person bool) {
	a := k.s.at[seed]
	var list []int32
	switch {
	case !a.placed:
		k.makeRoom(seed)
		return
	case person && a.person != model.None:
		list = k.s.withPerson[a.person]
	case a.station != model.None:
		list = k.s.onStation[a.station]
	default:
		k.ruinRelated(seed, size)
		return
	}
	at := k.s.position(list, seed)
	from := max(at-k.rng.IntN(size), 0)
	k.scratch = append(k.scratch[:0], list[from:min(from+size, len(list))]...)
	for _, j := range k.scratch {
		k.out(j)
	}
}

// ruinSpace takes out jobs that are in the spaces of one, those near in time first.
func (k *islander) ruinSpace(seed int32, size int) {
	occupies := k.s.t.jobs[seed].job.Occupies
	if len(occupies) == 0 {
		k.ruinRelated(seed, size)
		return
	}
	space := occupies[k.rng.IntN(len(occupies))].Space
	in := k.s.inSpace[space]
	at := 0
	for at < len(in) && in[at].from < k.s.at[seed].start {
		at++
	}
	from := max(at-k.rng.IntN(size), 0)
	k.scratch = k.scratch[:0]
	for _, stay := range in[from:min(from+size, len(in))] {
		k.scratch = append(k.scratch, stay.job)
	}
	for _, j := range k.scratch {
		k.out(j)
	}
	k.out(seed)
}

// ruinMix takes out jobs with the mix of one, at random.
func (k *islander) ruinMix(seed int32, size int) {
	mix := k.s.t.jobs[seed].job.Mix
	if mix == model.None {
		k.ruinRelated(seed, size)
		return
	}
	family := k.s.t.together[mix]
	from := k.rng.IntN(len(family))
	for i := range min(size, len(family)) {
		k.out(family[(from+i)%len(family)])
	}
	k.out(seed)
}

// ruinChain takes out the jobs that are bound to one, and those next to them.
func (k *islander) ruinChain(seed int32, size int) {
	k.scratch = append(k.scratch[:0], seed)
	for i := 0; i < len(k.scratch) && len(k.scratch) < 2*size; i++ {
		for _, b := range k.s.t.jobs[k.scratch[i]].bonds {
			k.add(b.other)
		}
	}
	for i, n := 0, len(k.scratch); i < n && k.rng.IntN(2) == 0; i++ {
		k.addBeside(k.scratch[i])
	}
	for _, j := range k.scratch {
		k.out(j)
	}
}

// ruinRelated takes out jobs that are near one and near each other in any respect.
func (k *islander) ruinRelated(seed int32, size int) {
	k.scratch = append(k.scratch[:0], seed)
	for range 4 * size {
		if len(k.scratch) >= size {
			break
		}
		j := k.scratch[k.rng.IntN(len(k.scratch))]
		switch own := &k.s.t.jobs[j]; {
		case len(own.bonds) > 0 && k.rng.IntN(3) == 0:
			k.add(own.bonds[k.rng.IntN(len(own.bonds))].other)
		case len(own.job.Occupies) > 0 && k.rng.IntN(3) == 0:
			in := k.s.inSpace[own.job.Occupies[k.rng.IntN(len(own.job.Occupies))].Space]
			if len(in) > 0 {
				k.add(in[k.rng.IntN(len(in))].job)
			}
		default:
			k.addBeside(j)
		}
	}
	for _, j := range k.scratch {
		k.out(j)
	}
}

// add takes a job into the scratch list once.
func (k *islander) add(j int32) {
	for _, known := range k.scratch {
		if known == j {
			return
		}
	}
	k.scratch = append(k.scratch, j)
}

// addBeside adds a job next to one on its station, with its person, or in its pools.
func (k *islander) addBeside(j int32) {
	a := &k.s.at[j]
	if !a.placed {
		return
	}
	var list []int32
	if a.person != model.None {
		list = k.s.withPerson[a.person]
	}
	if a.station != model.None && (list == nil || k.rng.IntN(2) == 0) {
		list = k.s.onStation[a.station]
	}
	if list == nil {
		k.add(k.atThatTime(a))
		return
	}
	at := k.s.position(list, j) + 1 - 2*k.rng.IntN(2)
	if at >= 0 && at < len(list) {
		k.add(list[at])
	}
}

// atThatTime is a job that stands close to a spot, of a few that are looked at.
func (k *islander) atThatTime(a *spot) int32 {
	best := int32(k.rng.IntN(len(k.s.at)))
	for range 4 {
		j := int32(k.rng.IntN(len(k.s.at)))
		if abs(k.s.at[j].start-a.start) < abs(k.s.at[best].start-a.start) {
			best = j
		}
	}
	return best
}

func abs(m minute) minute { return max(m, -m) }

// makeRoom takes out a job and what stands in its way where people think that it
// stands, where it could be first, or anywhere. It goes back before the others.
func (k *islander) makeRoom(j int32) {
	own := &k.s.t.jobs[j]
	k.out(j)
	k.first = j
	if len(own.ways) == 0 || len(own.people) == 0 {
		return
	}
	w, person, start := k.wish(own, j)
	o := &own.ways[w]
	before, end := start, start+o.duration
	if o.mixes {
		before -= k.s.t.p.Stations[o.station].MixMinutes
	}
	if person != model.None {
		k.outWithin(k.s.withPerson[person], before, end)
	}
	if o.station != model.None {
		k.outWithin(k.s.onStation[o.station], before, end)
	}
	for _, occupation := range own.job.Occupies {
		k.scratch = k.scratch[:0]
		for _, in := range k.s.inSpace[occupation.Space] {
			if (in.exclusive || occupation.Exclusive) && in.from < end+occupation.Tail && in.to > start {
				k.scratch = append(k.scratch, in.job)
			}
		}
		for _, other := range k.scratch {
			k.out(other)
		}
	}
}

// wish is a way, a person and a start for a job.
func (k *islander) wish(own *task, j int32) (w int, person int32, start minute) {
	w, person = k.rng.IntN(len(own.ways)), own.people[k.rng.IntN(len(own.people))]
	if told := own.job.Told; told != nil && k.rng.IntN(2) == 0 {
		for i := range own.ways {
			if own.ways[i].index == told.Way {
				w = i
			}
		}
		if slices.Contains(own.people, told.Person) {
			person = told.Person
		}
		return w, person, told.Start
	}
	o := &own.ways[w]
	from, to := k.s.between(j, o.duration)
	start, ok := next(o.starts, from)
	if !ok {
		start = o.starts[k.rng.IntN(len(o.starts))].From
	}
	if s := o.starts[k.rng.IntN(len(o.starts))]; k.rng.IntN(2) == 0 {
		if first, last := max(s.From, from), min(s.To, to); first <= last {
			start = first + minute(k.rng.IntN(int(last-first)+1))
		}
	}
	if person != model.None {
		start = max(start, min(k.s.onShift(person, start, 0, o.duration), o.starts[len(o.starts)-1].To))
	}
	return w, person, start
}

// outWithin takes out the jobs of a list that touch a span, at most eight.
func (k *islander) outWithin(list []int32, from, to minute) {
	i := max(k.s.lower(list, from)-1, 0)
	var touching [8]int32
	n := 0
	for ; i < len(list) && n < len(touching); i++ {
		a := &k.s.at[list[i]]
		if a.begin >= to {
			break
		}
		if a.end > from {
			touching[n] = list[i]
			n++
		}
	}
	for _, j := range touching[:n] {
		k.out(j)
	}
}
