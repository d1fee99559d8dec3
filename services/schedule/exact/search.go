package exact

import (
	"context"
	"math"
	"slices"

	"velamen/services/schedule/model"
)

// unlimited is a goal above every cost.
const unlimited = int64(math.MaxInt64 / 2)

// arc asks the start of the job to be at least gap after that of another.
type arc struct {
	job int32
	gap model.Minute
}

// pair is two jobs of which one must come before the other: a at least ab before b,
// or b at least ba before a.
type pair struct {
	a, b   int32
	ab, ba model.Minute
}

// demand is what a job takes of a pool while it runs.
type demand struct {
	job    int32
	amount int64
}

// member is a job of a machine that does one at a time, with how long it blocks it.
type member struct {
	job    int32
	length model.Minute
}

// search holds a problem as lags and conflicts, and where the search stands.
type search struct {
	ctx      context.Context
	p        *model.Problem
	length   []model.Minute
	pairs    []pair
	pools    [][]demand
	machines [][]member
	// unit divides every cost.
	unit int64

	// out and in are the lags, those of the choices last.
	out, in [][]arc
	// early and late are the first and last start of each job under the choices so
	// far.
	early, late []model.Minute
	// ordered is true for pairs that need no choice any more.
	ordered []bool
	// added are the arcs of the choices, from and to.
	added [][2]int32
	moved bool
	queue []int32

	// goal is the most that a plan may cost, low what none costs less than.
	goal, low int64
	// best are the starts of the best plan and worth what it costs.
	best  []model.Minute
	worth int64
	// any is true when the first plan ends the search, done when it did.
	any, done bool
	// nodes counts choices, up to limit, where the search is stopped.
	nodes, limit int
	stopped      bool
}

// newSearch reads a problem that fits.
func newSearch(ctx context.Context, p *model.Problem) *search {
	n := len(p.Jobs)
	s := &search{
		ctx: ctx, p: p, length: make([]model.Minute, n), pools: make([][]demand, len(p.Pools)),
		out: make([][]arc, n), in: make([][]arc, n),
		early: make([]model.Minute, n), late: make([]model.Minute, n),
	}
	for j := range p.Jobs {
		job := &p.Jobs[j]
		s.length[j] = job.Ways[0].Duration
		s.early[j] = max(0, job.Release)
		s.late[j] = min(job.Deadline, p.Horizon) - s.length[j]
		if len(job.Windows) == 1 {
			s.early[j] = max(s.early[j], job.Windows[0].From)
			s.late[j] = min(s.late[j], job.Windows[0].To-s.length[j])
		}
		if job.Pin != nil && job.Pin.Start != model.None {
			s.early[j], s.late[j] = max(s.early[j], job.Pin.Start), min(s.late[j], job.Pin.Start)
		}
		for _, d := range job.Demands {
			if s.length[j] > 0 {
				s.pools[d.Pool] = append(s.pools[d.Pool], demand{int32(j), int64(d.Amount)})
			}
		}
		s.unit = divisor(divisor(s.unit, job.LateWeight), job.WaitWeight)
	}
	s.unit = max(1, divisor(s.unit, p.Weights.Finish))
	for a := range int32(n) {
		for b := a + 1; b < int32(n); b++ {
			if ab, ba, ok := s.apart(a, b); ok {
				s.pairs = append(s.pairs, pair{a, b, ab, ba})
			}
		}
	}
	s.ordered = make([]bool, len(s.pairs))
	s.listMachines()
	return s
}

func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// apart returns how far apart two jobs must start when they cannot overlap.
func (s *search) apart(a, b int32) (ab, ba model.Minute, ok bool) {
	ja, jb := &s.p.Jobs[a], &s.p.Jobs[b]
	ab, ba = s.length[a], s.length[b]
	station := ja.Ways[0].Station
	ok = station != model.None && station == jb.Ways[0].Station ||
		ja.Manned && jb.Manned && ja.People[0] == jb.People[0]
	for _, d := range ja.Demands {
		for _, e := range jb.Demands {
			if d.Pool == e.Pool && ab > 0 && ba > 0 && int64(d.Amount)+int64(e.Amount) > int64(s.p.Pools[d.Pool].Capacity) {
				ok = true
			}
		}
	}
	for _, o := range ja.Occupies {
		for _, q := range jb.Occupies {
			shared := o.Closure != model.None && o.Closure == q.Closure
			if o.Space == q.Space && (o.Exclusive || q.Exclusive) && !shared {
				ok = true
				ab, ba = max(ab, s.length[a]+o.Tail), max(ba, s.length[b]+q.Tail)
			}
		}
	}
	return ab, ba, ok
}

// listMachines lists stations, people, and spaces with exclusive work, each with
// the jobs of which no two overlap on it.
func (s *search) listMachines() {
	stations := make([][]member, len(s.p.Stations))
	people := make([][]member, len(s.p.People))
	spaces := make([][]member, len(s.p.Spaces))
	type group struct{ space, closure int32 }
	seen := map[group]bool{}
	for j := range s.p.Jobs {
		job := &s.p.Jobs[j]
		one := member{int32(j), s.length[j]}
		if station := job.Ways[0].Station; station != model.None {
			stations[station] = append(stations[station], one)
		}
		if job.Manned {
			people[job.People[0]] = append(people[job.People[0]], one)
		}
		for _, o := range job.Occupies {
			g := group{o.Space, o.Closure}
			if !o.Exclusive || o.Closure != model.None && seen[g] {
				continue
			}
			seen[g] = true
			spaces[o.Space] = append(spaces[o.Space], member{int32(j), s.length[j] + o.Tail})
		}
	}
	for _, list := range [][][]member{stations, people, spaces} {
		for _, m := range list {
			if len(m) > 1 {
				s.machines = append(s.machines, m)
			}
		}
	}
}

// open puts the lags in and returns false when they cannot hold.
func (s *search) open() bool {
	for j := range s.early {
		if s.early[j] > s.late[j] {
			return false
		}
	}
	for _, lag := range s.p.Lags {
		if !s.add(lag.From, lag.To, model.Minute(gap(s.p, lag))) {
			return false
		}
	}
	s.added = s.added[:0]
	return true
}

// add puts one more lag in and moves what it moves. It returns false when the lag
// cannot hold, and leaves the starts to be restored.
func (s *search) add(from, to int32, least model.Minute) bool {
	s.out[from] = append(s.out[from], arc{to, least})
	s.in[to] = append(s.in[to], arc{from, least})
	s.added = append(s.added, [2]int32{from, to})
	// Without the new lag the starts agree with all lags, so that coming back to
	// where it begins is a cycle that cannot hold.
	if at := s.early[from] + least; at > s.early[to] {
		if from == to || !s.raise(to, at) || !s.forward(from) {
			return false
		}
	}
	if at := s.late[to] - least; at < s.late[from] {
		return s.lower(from, at) && s.backward()
	}
	return true
}

func (s *search) raise(j int32, at model.Minute) bool {
	s.early[j] = at
	s.moved = true
	s.queue = append(s.queue, j)
	return at <= s.late[j]
}

func (s *search) lower(j int32, at model.Minute) bool {
	s.late[j] = at
	s.moved = true
	s.queue = append(s.queue, j)
	return at >= s.early[j]
}

// forward passes raised starts on. No job that is home may move.
func (s *search) forward(home int32) bool {
	defer func() { s.queue = s.queue[:0] }()
	for i := 0; i < len(s.queue); i++ {
		j := s.queue[i]
		for _, a := range s.out[j] {
			if at := s.early[j] + a.gap; at > s.early[a.job] {
				if a.job == home || !s.raise(a.job, at) {
					return false
				}
			}
		}
	}
	return true
}

// backward passes lowered starts back.
func (s *search) backward() bool {
	defer func() { s.queue = s.queue[:0] }()
	for i := 0; i < len(s.queue); i++ {
		j := s.queue[i]
		for _, a := range s.in[j] {
			if at := s.late[j] - a.gap; at < s.late[a.job] && !s.lower(a.job, at) {
				return false
			}
		}
	}
	return true
}

// mark is a place to come back to.
type mark struct {
	early, late []model.Minute
	ordered     []bool
	added       int
}

func (s *search) mark() mark {
	return mark{slices.Clone(s.early), slices.Clone(s.late), slices.Clone(s.ordered), len(s.added)}
}

func (s *search) back(m mark) {
	copy(s.early, m.early)
	copy(s.late, m.late)
	copy(s.ordered, m.ordered)
	for len(s.added) > m.added {
		last := s.added[len(s.added)-1]
		s.added = s.added[:len(s.added)-1]
		s.out[last[0]] = s.out[last[0]][:len(s.out[last[0]])-1]
		s.in[last[1]] = s.in[last[1]][:len(s.in[last[1]])-1]
	}
	s.queue = s.queue[:0]
}
