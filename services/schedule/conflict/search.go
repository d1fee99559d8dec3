package conflict

import (
	"cmp"
	"context"
	"slices"

	"velamen/services/schedule/model"
)

// answer to a question.
type answer int

const (
	// unknown is that the limit of steps was too small.
	unknown answer = iota
	fits
	impossible
)

// option is one way in which a job can be done: a sprayer or none, a person or nobody,
// and whether its mix is made for it.
type option struct {
	way             int32
	station, person int32
	duration        model.Minute
	fresh           bool
}

// undecided stands for a job without an option yet.
const undecided = -1

// node is a part of a plan: some jobs have an option, and of some pairs it is decided
// which comes first. The earliest starts that follow from that are the least that any
// plan below the node can have, so where they clash one job of the clash must come
// after the other, or a day later; each child takes one of these ways.
type node struct {
	option []int
	// first[i][j] is true when j may begin only after i is done with what they share.
	first [][]bool
	// floor is the earliest start of each job that was decided, start what follows.
	floor, start []model.Minute
}

// searcher answers one question.
type searcher struct {
	q       *question
	options [][]option
	// latest end of each job.
	latest []model.Minute
	// twins[p] is a person before p who is the same in all but name, or model.None.
	twins []int32
	steps int
	ctx   context.Context
}

// ask looks for a place for every job, in at most so many steps. The plan is that of
// the question's jobs; nil unless they fit.
func (q *question) ask(ctx context.Context, steps int) (answer, model.Plan) {
	s := &searcher{q: q, options: q.options(), steps: steps, ctx: ctx, twins: q.twins()}
	for i := range s.options {
		s.latest = append(s.latest, q.latest(i))
		if len(s.options[i]) == 0 {
			return impossible, nil
		}
	}
	// Of two jobs the search is quicker than to add up.
	if len(q.jobs) > 2 && q.overload(nil) != nil {
		return impossible, nil
	}
	return s.visit(s.root())
}

// options lists the ways in which each job can be done, whatever the others do.
func (q *question) options() [][]option {
	all := make([][]option, len(q.p.Jobs))
	for i := range q.p.Jobs {
		job := &q.p.Jobs[i]
		people := []int32{model.None}
		if job.Manned {
			people = job.People
		}
		for w, way := range job.Ways {
			if job.Pin != nil && job.Pin.Way != model.None && job.Pin.Way != int32(w) {
				continue
			}
			for _, person := range people {
				if job.Pin == nil || job.Pin.Person == model.None || job.Pin.Person == person {
					o := option{way: int32(w), station: way.Station, person: person, duration: way.Duration}
					all[i] = append(all[i], q.loads(int32(i), o)...)
				}
			}
		}
	}
	for i := range all {
		all[i] = slices.DeleteFunc(all[i], func(o option) bool {
			_, ok := q.next(int32(i), o, 0, q.leastPrep(int32(i), o))
			return !ok
		})
	}
	return all
}

// loads says with which loads an option can be taken: none, a new one, or also one
// that was begun before, which only saves time when mixing takes some.
func (q *question) loads(index int32, o option) []option {
	job := &q.p.Jobs[index]
	if job.Mix == model.None || o.station == model.None {
		return []option{o}
	}
	station := &q.p.Stations[o.station]
	if station.Tank > 0 && job.Volume > 0 && !fills(station) {
		return nil
	}
	fresh := o
	fresh.fresh = true
	if station.MixMinutes == 0 || !q.mayJoin(index, o.station) {
		return []option{fresh}
	}
	return []option{fresh, o}
}

// mayJoin tells whether another job could begin a load that this one joins.
func (q *question) mayJoin(index, station int32) bool {
	for i := range q.p.Jobs {
		job := &q.p.Jobs[i]
		if int32(i) != index && job.Mix == q.p.Jobs[index].Mix &&
			slices.ContainsFunc(job.Ways, func(way model.Way) bool { return way.Station == station }) {
			return true
		}
	}
	return false
}

// fills tells whether some whole graduation lies between smallest load and tank.
func fills(s *model.Station) bool {
	largest := s.Tank / s.Graduation * s.Graduation
	return largest > 0 && (s.SmallestLoad+s.Graduation-1)/s.Graduation*s.Graduation <= largest
}

// leastPrep is the least time that rinsing and mixing take before a job, minutes.
func (q *question) leastPrep(job int32, o option) model.Minute {
	mix := q.p.Jobs[job].Mix
	if mix == model.None || o.station == model.None {
		return 0
	}
	station := &q.p.Stations[o.station]
	var prep model.Minute
	if o.fresh {
		prep = station.MixMinutes
	}
	if station.Rinses == model.None {
		return q.easiest(o.station, mix, prep)
	}
	least := q.p.Rinses[station.Rinses][station.Holds+1][mix].Minutes
	for before, jobs := range q.mixed {
		if jobs > 1 || (jobs == 1 && int32(before) != mix) {
			least = min(least, q.p.Rinses[station.Rinses][before+1][mix].Minutes)
		}
	}
	return q.easiest(o.station, mix, prep+least)
}

// latest is the latest end of a job that does not depend on its option.
func (q *question) latest(i int) model.Minute {
	job := &q.p.Jobs[i]
	latest := min(job.Deadline, q.p.Horizon)
	if len(job.Windows) > 0 {
		latest = min(latest, job.Windows[len(job.Windows)-1].To)
	}
	return latest
}

// twins finds people who can stand for each other: one who is still free is as good
// as the other, so that only the first is tried.
func (q *question) twins() []int32 {
	twins := make([]int32, len(q.p.People))
	for b := range q.p.People {
		twins[b] = model.None
		for a := range b {
			if q.alike(int32(a), int32(b)) {
				twins[b] = int32(a)
			}
		}
	}
	return twins
}

func (q *question) alike(a, b int32) bool {
	x, y := &q.p.People[a], &q.p.People[b]
	if x.MaxProtected != y.MaxProtected || x.Worn != y.Worn || q.manyPeople[a] != q.manyPeople[b] || !slices.Equal(x.Shifts, y.Shifts) {
		return false
	}
	for i := range q.p.Jobs {
		job := &q.p.Jobs[i]
		pinned := job.Pin != nil && (job.Pin.Person == a || job.Pin.Person == b)
		if pinned || slices.Contains(job.People, a) != slices.Contains(job.People, b) {
			return false
		}
	}
	return true
}

func (s *searcher) root() *node {
	n := len(s.options)
	root := &node{option: make([]int, n), first: make([][]bool, n), floor: make([]model.Minute, n), start: make([]model.Minute, n)}
	for i := range n {
		root.option[i] = undecided
		root.first[i] = make([]bool, n)
	}
	return root
}

func (n *node) clone() *node {
	c := &node{option: slices.Clone(n.option), floor: slices.Clone(n.floor), start: slices.Clone(n.start), first: make([][]bool, len(n.first))}
	for i := range n.first {
		c.first[i] = slices.Clone(n.first[i])
	}
	return c
}

// visit looks for a plan below a node.
func (s *searcher) visit(n *node) (answer, model.Plan) {
	if s.steps <= 0 || s.ctx.Err() != nil {
		return unknown, nil
	}
	s.steps--
	if !s.propagate(n) {
		return impossible, nil
	}
	children, clash := s.clash(n)
	if !clash {
		if job := s.nextJob(n); job >= 0 {
			children = s.decide(n, job)
		} else if s.holds(n) {
			return fits, s.plan(n)
		} else {
			children = s.undecidedPair(n)
		}
	}
	result := impossible
	for _, child := range children {
		found, plan := s.visit(child)
		if found == fits {
			return fits, plan
		}
		if found == unknown {
			result = unknown
		}
	}
	return result, nil
}

// nextJob is the job with the fewest options that has none yet; -1 when all have.
func (s *searcher) nextJob(n *node) int {
	best := -1
	for i := range n.option {
		if n.option[i] != undecided {
			continue
		}
		if best < 0 || len(s.options[i]) < len(s.options[best]) ||
			(len(s.options[i]) == len(s.options[best]) && n.start[i] < n.start[best]) {
			best = i
		}
	}
	return best
}

// decide gives a job each of its options, those with a new load first, as whether
// another can be joined is known late, and of them that with the earliest end.
func (s *searcher) decide(n *node, job int) []*node {
	type child struct {
		node  *node
		joins int
		end   model.Minute
	}
	var children []child
	for k, o := range s.options[job] {
		start, ok := s.q.next(int32(job), o, n.start[job], s.q.leastPrep(int32(job), o))
		if !ok || s.twinIsFree(n, o.person) {
			continue
		}
		c := n.clone()
		c.option[job] = k
		joins := 0
		if !o.fresh && o.station != model.None && s.q.p.Jobs[job].Mix != model.None {
			joins = 1
		}
		children = append(children, child{c, joins, start + o.duration})
	}
	slices.SortStableFunc(children, func(a, b child) int {
		return cmp.Or(cmp.Compare(a.joins, b.joins), cmp.Compare(a.end, b.end))
	})
	nodes := make([]*node, len(children))
	for i := range children {
		nodes[i] = children[i].node
	}
	return nodes
}

// twinIsFree tells whether somebody who is the same as the person has no job yet, when
// the person has none either.
func (s *searcher) twinIsFree(n *node, person int32) bool {
	return person != model.None && s.twins[person] != model.None && !s.works(n, person) && !s.works(n, s.twins[person])
}

func (s *searcher) works(n *node, person int32) bool {
	for i, k := range n.option {
		if k != undecided && s.options[i][k].person == person {
			return true
		}
	}
	return false
}

// order returns the node in which i comes before j, and so do all before i and all
// after j; nil when j already comes before i.
func (n *node) order(i, j int) *node {
	if n.first[j][i] {
		return nil
	}
	c := n.clone()
	for a := range c.first {
		if a != i && !n.first[a][i] {
			continue
		}
		for b := range c.first {
			if b == j || n.first[j][b] {
				c.first[a][b] = true
			}
		}
	}
	return c
}

// either returns the nodes in which one of two jobs comes first, and first the order
// that leaves more time to the second job.
func (s *searcher) either(n *node, i, j int) []*node {
	first, second := n.order(i, j), n.order(j, i)
	if s.latest[j]-n.start[i] < s.latest[i]-n.start[j] {
		first, second = second, first
	}
	var children []*node
	for _, child := range []*node{first, second} {
		if child != nil {
			children = append(children, child)
		}
	}
	return children
}

func (s *searcher) plan(n *node) model.Plan {
	plan := make(model.Plan, len(n.option))
	for i := range plan {
		o := s.options[i][n.option[i]]
		plan[i] = model.Placement{Placed: true, Start: n.start[i], Way: o.way, Person: o.person, NewLoad: o.fresh}
	}
	return plan
}
