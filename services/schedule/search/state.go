package search

import (
	"sort"

	"velamen/services/schedule/model"
)

// spot is where a job stands.
type spot struct {
	// begin is when its person and station are taken, start and end are its own.
	begin, start, end minute
	// way is the index in the task's ways, person None for nobody.
	way, person int32
	station     int32
	fresh       bool
	placed      bool
}

// nowhere is a job that is left out.
var nowhere = spot{way: model.None, person: model.None, station: model.None}

// stay is a job in a space to the end of its tail.
type stay struct {
	from, to  minute
	job       int32
	closure   int32
	exclusive bool
}

// step is what a pool has in use from a moment on.
type step struct {
	from minute
	used int32
}

// state is a plan in the making. Lists are in the order of starts. All terms are kept
// up to date with each job that is placed or taken out.
type state struct {
	t          *tables
	at         []spot
	onStation  [][]int32
	withPerson [][]int32
	inSpace    [][]stay
	inPool     [][]step
	terms      [model.Terms]int64
	skipped    int64
	// pinnedOut is how many pinned jobs are left out.
	pinnedOut int
	// out are the jobs left out, in no order that matters; where is the index of each
	// in it, or None.
	out, where []int32
	last       minute
	// tanks and closed are what each station and space costs, over each job's overtime.
	tanks  []tank
	closed []int64
	over   []int64
	// worn are the minutes in protective equipment or heat of each person on each day;
	// nil for a person who has none yet or no limit.
	worn [][]minute
	// log holds what to do to go back; nil when nobody asks.
	log     []change
	logging bool
	// looks counts the places that were looked at.
	looks int
}

// tank is what the loads of a station cost.
type tank struct{ leftover, rinsing int64 }

// change is a job as it stood before.
type change struct {
	job int32
	was spot
}

func newState(t *tables) *state {
	n := len(t.jobs)
	s := &state{
		t: t, at: make([]spot, n), over: make([]int64, n), where: make([]int32, n),
		onStation: make([][]int32, len(t.p.Stations)), tanks: make([]tank, len(t.p.Stations)),
		withPerson: make([][]int32, len(t.p.People)), worn: make([][]minute, len(t.p.People)),
		inSpace: make([][]stay, len(t.p.Spaces)), closed: make([]int64, len(t.p.Spaces)),
		inPool: make([][]step, len(t.p.Pools)),
	}
	s.clear()
	return s
}

// clear takes all jobs out.
func (s *state) clear() {
	for i := range s.at {
		s.at[i] = nowhere
	}
	clear(s.over)
	clear(s.tanks)
	clear(s.closed)
	for i := range s.worn {
		if s.worn[i] != nil {
			clear(s.worn[i])
			s.worn[i][0] = s.t.p.People[i].Worn
		}
	}
	for _, lists := range [][][]int32{s.onStation, s.withPerson} {
		for i := range lists {
			lists[i] = lists[i][:0]
		}
	}
	for i := range s.inSpace {
		s.inSpace[i] = s.inSpace[i][:0]
	}
	for i := range s.inPool {
		s.inPool[i] = append(s.inPool[i][:0], step{from: -never})
	}
	s.terms = [model.Terms]int64{}
	s.skipped, s.last, s.pinnedOut = s.t.skip, 0, s.t.pinned
	s.out, s.log, s.logging = s.out[:0], s.log[:0], false
	for i := range s.t.jobs {
		s.where[i] = int32(i)
		s.out = append(s.out, int32(i))
		if told := s.t.jobs[i].job.Told; told != nil {
			s.terms[model.Change] += told.Weight
		}
	}
}

// cost is what a plan is judged by: pinned jobs left out, then weights left out, then
// the sum of the terms.
type cost struct {
	pinnedOut      int
	skipped, total int64
}

func (c cost) compare(other cost) int {
	switch {
	case c.pinnedOut != other.pinnedOut:
		return sign(int64(c.pinnedOut - other.pinnedOut))
	case c.skipped != other.skipped:
		return sign(c.skipped - other.skipped)
	}
	return sign(c.total - other.total)
}

func sign(d int64) int {
	switch {
	case d < 0:
		return -1
	case d > 0:
		return 1
	}
	return 0
}

func (s *state) cost() cost {
	return cost{pinnedOut: s.pinnedOut, skipped: s.skipped, total: s.score().Total()}
}

func (s *state) score() model.Score { return model.Score{Skipped: s.skipped, Terms: s.terms} }

// plan writes the state as a plan.
func (s *state) plan() model.Plan { return planOf(s.t, s.at) }

func planOf(t *tables, at []spot) model.Plan {
	plan := make(model.Plan, len(at))
	for i := range at {
		if a := &at[i]; a.placed {
			plan[i] = model.Placement{Placed: true, Start: a.start, Way: t.jobs[i].ways[a.way].index, Person: a.person, NewLoad: a.fresh}
		}
	}
	return plan
}

// lower is the index of the first job of a list that starts at or after a moment.
func (s *state) lower(list []int32, m minute) int {
	lo, hi := 0, len(list)
	for lo < hi {
		mid := int(uint(lo+hi) >> 1)
		if s.at[list[mid]].start < m {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

func insertAt[T any](list []T, k int, value T) []T {
	list = append(list, value)
	copy(list[k+1:], list[k:])
	list[k] = value
	return list
}

// position is where a job stands in a list.
func (s *state) position(list []int32, j int32) int {
	k := s.lower(list, s.at[j].start)
	for list[k] != j {
		k++
	}
	return k
}

// put places a job without asking whether it fits.
func (s *state) put(j int32, a spot) {
	if s.logging {
		s.log = append(s.log, change{job: j, was: s.at[j]})
	}
	a.placed, a.begin = true, a.start
	own := &s.t.jobs[j]
	s.at[j] = a
	s.account(j, 1)
	if a.person != model.None {
		list := s.withPerson[a.person]
		s.withPerson[a.person] = insertAt(list, s.lower(list, a.start), j)
		s.wear(j, 1)
	}
	if a.station != model.None {
		list := s.onStation[a.station]
		k := s.lower(list, a.start)
		s.onStation[a.station] = insertAt(list, k, j)
		if own.ways[a.way].mixes {
			s.prepare(a.station, k)
			s.prepare(a.station, k+1)
			s.brew(a.station)
		}
	}
	if s.at[j].begin == a.start {
		s.charge(j)
	}
	for _, o := range own.job.Occupies {
		s.enter(o, j)
	}
	if a.start < a.end {
		for _, d := range own.demands {
			s.draw(d.Pool, a.start, a.end, d.Amount)
		}
	}
}

// take takes a job out without asking what that does to others.
func (s *state) take(j int32) {
	if s.logging {
		s.log = append(s.log, change{job: j, was: s.at[j]})
	}
	a, own := s.at[j], &s.t.jobs[j]
	s.account(j, -1)
	s.terms[model.Overtime] -= s.over[j]
	s.over[j] = 0
	if a.person != model.None {
		list := s.withPerson[a.person]
		k := s.position(list, j)
		s.withPerson[a.person] = append(list[:k], list[k+1:]...)
		s.wear(j, -1)
	}
	if a.station != model.None {
		list := s.onStation[a.station]
		k := s.position(list, j)
		s.onStation[a.station] = append(list[:k], list[k+1:]...)
		if own.ways[a.way].mixes {
			s.prepare(a.station, k)
			s.brew(a.station)
		}
	}
	for _, o := range own.job.Occupies {
		s.leave(o, j)
	}
	if a.start < a.end {
		for _, d := range own.demands {
			s.draw(d.Pool, a.start, a.end, -d.Amount)
		}
	}
	s.at[j] = nowhere
	if a.end == s.last && s.t.p.Weights.Finish > 0 {
		s.last = 0
		for i := range s.at {
			s.last = max(s.last, s.at[i].end)
		}
		s.terms[model.Finish] = s.t.p.Weights.Finish * int64(s.last)
	}
}

// wear adds or takes away the minutes in protective equipment or heat of a job from the
// day of its person.
func (s *state) wear(j int32, by minute) {
	a, job := &s.at[j], s.t.jobs[j].job
	if !strains(job) || s.t.p.People[a.person].MaxProtected == 0 {
		return
	}
	if s.worn[a.person] == nil {
		s.worn[a.person] = make([]minute, len(s.t.p.Days))
		s.worn[a.person][0] = s.t.p.People[a.person].Worn
	}
	s.worn[a.person][max(s.t.day(a.start), 0)] += by * job.Strained(a.start, a.end)
}

// strains tells whether any start of a job counts towards the limit of its person.
func strains(job *model.Job) bool { return job.Protected || len(job.Hot) > 0 }

// account adds or takes away what the job costs by itself.
func (s *state) account(j int32, by int64) {
	own, a := &s.t.jobs[j], &s.at[j]
	job := own.job
	s.terms[model.Late] += by * job.LateWeight * int64(max(a.end-job.Due, 0))
	s.terms[model.Waiting] += by * job.WaitWeight * int64(max(a.start-job.Release, 0))
	s.skipped -= by * job.SkipWeight
	if job.Pin != nil {
		s.pinnedOut -= int(by)
	}
	if job.Told != nil && !changed(own, a.start, a.way, a.person) {
		s.terms[model.Change] -= by * job.Told.Weight
	}
	if by < 0 {
		s.where[j] = int32(len(s.out))
		s.out = append(s.out, j)
		return
	}
	k, end := s.where[j], len(s.out)-1
	s.out[k] = s.out[end]
	s.where[s.out[k]] = k
	s.out = s.out[:end]
	s.where[j] = model.None
	if a.end > s.last {
		s.last = a.end
		s.terms[model.Finish] = s.t.p.Weights.Finish * int64(s.last)
	}
}

// changed tells whether a job that is placed is not as people were told.
func changed(own *task, start minute, way, person int32) bool {
	told := own.job.Told
	return start < told.Start-told.Tolerance || start > told.Start+told.Tolerance ||
		(told.Person != model.None && told.Person != person) ||
		(told.Way != model.None && told.Way != own.ways[way].index)
}

// charge brings the overtime of a job up to date.
func (s *state) charge(j int32) {
	a := &s.at[j]
	if a.person == model.None || s.t.p.Weights.Overtime == 0 {
		return
	}
	over := s.t.p.Weights.Overtime * s.t.overtime(a.person, a.begin, a.end)
	s.terms[model.Overtime] += over - s.over[j]
	s.over[j] = over
}

// held is the last mix in a station before a place in its list.
func (s *state) held(station int32, k int) (mix int32, job int32) {
	list := s.onStation[station]
	for k--; k >= 0; k-- {
		if m := s.t.jobs[list[k]].job.Mix; m != model.None {
			return m, list[k]
		}
	}
	return s.t.p.Stations[station].Holds, model.None
}

// following is the next job with a mix from a place in the list of a station, and its
// place; None when there is none.
func (s *state) following(station int32, k int) (job int32, place int) {
	list := s.onStation[station]
	for ; k < len(list); k++ {
		if s.t.jobs[list[k]].job.Mix != model.None {
			return list[k], k
		}
	}
	return model.None, k
}

// prepare finds anew when the first job with a mix from a place on begins.
func (s *state) prepare(station int32, k int) {
	j, k := s.following(station, k)
	if j == model.None {
		return
	}
	mix, _ := s.held(station, k)
	s.at[j].begin = s.at[j].start - s.prep(station, mix, s.t.jobs[j].job.Mix, s.at[j].fresh)
	s.charge(j)
}

// prep is the minutes before a job on a station.
func (s *state) prep(station, from, to int32, fresh bool) minute {
	prep := s.t.rinse(station, from, to).Minutes
	if fresh {
		prep += s.t.p.Stations[station].MixMinutes
	}
	return prep
}

// brew finds anew what the loads of a station cost.
func (s *state) brew(station int32) {
	w := &s.t.p.Weights
	st := &s.t.p.Stations[station]
	var now tank
	holds := st.Holds
	var run int64
	for _, j := range s.onStation[station] {
		job := s.t.jobs[j].job
		if job.Mix == model.None {
			continue
		}
		now.rinsing += s.t.rinsing(s.t.rinse(station, holds, job.Mix))
		holds = job.Mix
		if s.at[j].fresh {
			now.leftover += leftover(st, run)
			run = 0
		}
		run += job.Volume
	}
	now.leftover = w.Leftover * (now.leftover + leftover(st, run))
	was := &s.tanks[station]
	s.terms[model.Leftover] += now.leftover - was.leftover
	s.terms[model.Rinsing] += now.rinsing - was.rinsing
	*was = now
}

// enter puts a job into a space.
func (s *state) enter(o model.Occupation, j int32) {
	in := s.inSpace[o.Space]
	a := &s.at[j]
	k := sort.Search(len(in), func(k int) bool { return in[k].from >= a.start })
	in = insertAt(in, k, stay{from: a.start, to: a.end + o.Tail, job: j, closure: o.Closure, exclusive: o.Exclusive})
	s.inSpace[o.Space] = in
	if o.Exclusive {
		s.close(o.Space)
	}
}

// leave takes a job out of a space.
func (s *state) leave(o model.Occupation, j int32) {
	in := s.inSpace[o.Space]
	k := 0
	for in[k].job != j {
		k++
	}
	s.inSpace[o.Space] = append(in[:k], in[k+1:]...)
	if o.Exclusive {
		s.close(o.Space)
	}
}

// close finds anew what the closures of a space cost.
func (s *state) close(space int32) {
	weight := s.t.p.Spaces[space].ClosedWeight
	if weight == 0 {
		return
	}
	var sum int64
	until := -never
	for _, in := range s.inSpace[space] {
		if in.exclusive && in.to > until {
			sum += s.t.worked[space].between(max(in.from, until), in.to)
			until = in.to
		}
	}
	sum *= weight
	s.terms[model.Closed] += sum - s.closed[space]
	s.closed[space] = sum
}

// draw adds to what a pool has in use in a span.
func (s *state) draw(pool int32, from, to minute, amount int32) {
	steps := s.inPool[pool]
	steps, first := split(steps, from)
	steps, end := split(steps, to)
	for k := first; k < end; k++ {
		steps[k].used += amount
	}
	steps = join(steps, end)
	s.inPool[pool] = join(steps, first)
}

// split makes a step begin at a moment and returns which.
func split(steps []step, m minute) ([]step, int) {
	k := stepAt(steps, m)
	if steps[k].from == m {
		return steps, k
	}
	return insertAt(steps, k+1, step{from: m, used: steps[k].used}), k + 1
}

// join drops a step that is as high as the one before it.
func join(steps []step, k int) []step {
	if k > 0 && steps[k].used == steps[k-1].used {
		return append(steps[:k], steps[k+1:]...)
	}
	return steps
}

// stepAt is the step that holds a moment.
func stepAt(steps []step, m minute) int {
	lo, hi := 0, len(steps)
	for hi-lo > 1 {
		mid := int(uint(lo+hi) >> 1)
		if steps[mid].from <= m {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// record begins to keep what to do to go back.
func (s *state) record() { s.log, s.logging = s.log[:0], true }

// back undoes all since record.
func (s *state) back() {
	s.logging = false
	for k := len(s.log) - 1; k >= 0; k-- {
		c := &s.log[k]
		if c.was.placed {
			s.put(c.job, c.was)
		} else {
			s.take(c.job)
		}
	}
	s.log = s.log[:0]
}
