package search

import (
	"slices"
	"sort"

	"velamen/services/schedule/model"
)

type minute = model.Minute

// never is later than any moment.
const never = minute(1 << 29)

// tables is a problem as the search asks it: by job and way, by both jobs of an
// interval, with working minutes summed up.
type tables struct {
	p    *model.Problem
	jobs []task
	// worked are the sums of the working minutes of each space.
	worked []sums
	// together are the jobs with each mix.
	together [][]int32
	// mutual are the jobs that need each other in a circle.
	mutual []int32
	// skip is the weight of all jobs.
	skip int64
	// pinned is how many jobs are pinned.
	pinned int
}

// task is a job with all that is asked of it.
type task struct {
	job *model.Job
	// ways in which it can be done at all; index is that of the job.
	ways []option
	// people who may do it; one None when it needs nobody.
	people  []int32
	demands []model.Demand
	bonds   []bond
	// after are the jobs that come before it, by an interval or because it needs them.
	after    []int32
	neededBy []int32
	// firm are the jobs that it needs and that do not need it in turn.
	firm []int32
	// latest is a start after which jobs that must follow it are too late.
	latest   minute
	shortest minute
	// shapes is true when a later start can cost less than an earlier one.
	shapes bool
}

// option is a way that is not ruled out from the first.
type option struct {
	index int32
	// station; None when it takes none or no time.
	station  int32
	duration minute
	// starts that times, windows, houses and pins allow, the last included.
	starts []model.Span
	// mixes is true when its mix goes into the station.
	mixes bool
}

// bond is an interval to another job. With below the job's point is at least least
// minutes after that of the other, else that of the other after its own.
type bond struct {
	other            int32
	ownEnd, otherEnd bool
	below            bool
	least            minute
}

// compile makes the tables of a problem that Problem.Validate accepts.
func compile(p *model.Problem) *tables {
	t := &tables{p: p, jobs: make([]task, len(p.Jobs)), together: make([][]int32, len(p.Mixes))}
	for i := range p.Spaces {
		t.worked = append(t.worked, sumsOf(p.Spaces[i].Working))
	}
	for i := range p.Jobs {
		t.task(int32(i))
	}
	t.bind()
	t.latest()
	return t
}

func (t *tables) task(i int32) {
	job := &t.p.Jobs[i]
	own := &t.jobs[i]
	own.job = job
	own.people = []int32{model.None}
	if job.Manned {
		own.people = job.People
	}
	t.skip += job.SkipWeight
	if job.Pin != nil {
		t.pinned++
		if pinned := job.Pin.Person; pinned != model.None {
			own.people = slices.DeleteFunc(slices.Clone(own.people), func(person int32) bool { return person != pinned })
		}
	}
	for _, demand := range job.Demands {
		if demand.Amount > 0 {
			own.demands = append(own.demands, demand)
		}
	}
	for w := range job.Ways {
		if o, ok := t.option(job, int32(w)); ok {
			own.ways = append(own.ways, o)
		}
	}
	own.shortest = duration(job.Ways, false)
	if job.Mix != model.None {
		t.together[job.Mix] = append(t.together[job.Mix], i)
	}
	own.shapes = t.shapes(own)
}

// shapes tells whether anything but time makes one start dearer than another.
func (t *tables) shapes(own *task) bool {
	if own.job.Told != nil || own.job.Mix != model.None || (own.job.Manned && t.p.Weights.Overtime > 0) {
		return true
	}
	for _, o := range own.job.Occupies {
		if o.Exclusive && t.p.Spaces[o.Space].ClosedWeight > 0 {
			return true
		}
	}
	return false
}

// option returns a way with the starts at which it can be, and false when there are
// none.
func (t *tables) option(job *model.Job, w int32) (option, bool) {
	way := job.Ways[w]
	o := option{index: w, station: way.Station, duration: way.Duration}
	if job.Pin != nil && job.Pin.Way != model.None && job.Pin.Way != w {
		return o, false
	}
	if way.Duration > 0 && slices.ContainsFunc(job.Demands, func(d model.Demand) bool { return d.Amount > t.p.Pools[d.Pool].Capacity }) {
		return o, false
	}
	o.starts = []model.Span{{From: max(job.Release, 0), To: min(job.Deadline, t.p.Horizon) - way.Duration}}
	if job.Pin != nil && job.Pin.Start != model.None {
		o.starts = intersect(o.starts, []model.Span{{From: job.Pin.Start, To: job.Pin.Start}}, 0)
	}
	if len(job.Windows) > 0 {
		o.starts = intersect(o.starts, job.Windows, way.Duration)
	}
	if way.Station != model.None {
		station := &t.p.Stations[way.Station]
		if len(station.Open) > 0 {
			o.starts = intersect(o.starts, station.Open, way.Duration)
		}
		if station.Tank > 0 && job.Mix != model.None && job.Volume > 0 && !fillable(station) {
			return o, false
		}
		o.mixes = job.Mix != model.None
	}
	if way.Duration == 0 {
		o.station = model.None
	}
	t.keepOut(job, &o)
	o.starts = intersect(o.starts, []model.Span{{From: 0, To: never}}, 0)
	return o, len(o.starts) > 0
}

// keepOut takes away the starts at which a space is closed, or must be open.
func (t *tables) keepOut(job *model.Job, o *option) {
	for _, occupation := range job.Occupies {
		space := &t.p.Spaces[occupation.Space]
		o.starts = without(o.starts, space.Closed, o.duration)
		if occupation.Exclusive {
			o.starts = without(o.starts, space.Engaged, o.duration+occupation.Tail)
		}
	}
}

// intersect keeps the starts at which so many minutes lie in one of the spans.
func intersect(starts, spans []model.Span, length minute) []model.Span {
	var kept []model.Span
	for _, span := range spans {
		for _, s := range starts {
			from, to := max(s.From, span.From), min(s.To, span.To-length)
			if from <= to {
				kept = append(kept, model.Span{From: from, To: to})
			}
		}
	}
	return kept
}

// without takes away the starts at which so many minutes touch one of the spans.
func without(starts, spans []model.Span, length minute) []model.Span {
	if length == 0 {
		return starts
	}
	for _, span := range spans {
		var kept []model.Span
		for _, s := range starts {
			if to := min(s.To, span.From-length); s.From <= to {
				kept = append(kept, model.Span{From: s.From, To: to})
			}
			if from := max(s.From, span.To); from <= s.To {
				kept = append(kept, model.Span{From: from, To: s.To})
			}
		}
		starts = kept
	}
	return starts
}

// bind gives each interval and need to both of its jobs.
func (t *tables) bind() {
	for _, lag := range t.p.Lags {
		to, from := &t.jobs[lag.To], &t.jobs[lag.From]
		to.bonds = append(to.bonds, bond{other: lag.From, ownEnd: lag.ToEnd, otherEnd: lag.FromEnd, below: true, least: lag.Least})
		from.bonds = append(from.bonds, bond{other: lag.To, ownEnd: lag.FromEnd, otherEnd: lag.ToEnd, least: lag.Least})
		if t.distance(lag) >= 0 {
			to.after = append(to.after, lag.From)
		}
	}
	for i := range t.jobs {
		for _, need := range t.jobs[i].job.Needs {
			t.jobs[need].neededBy = append(t.jobs[need].neededBy, int32(i))
			t.jobs[i].after = append(t.jobs[i].after, need)
		}
	}
	for i := range t.jobs {
		for _, need := range t.jobs[i].job.Needs {
			if !t.needs(need, int32(i), map[int32]bool{}) {
				t.jobs[i].firm = append(t.jobs[i].firm, need)
			}
		}
		if len(t.jobs[i].firm) < len(t.jobs[i].job.Needs) {
			t.mutual = append(t.mutual, int32(i))
		}
	}
}

// needs tells whether a job needs another, directly or through others.
func (t *tables) needs(j, other int32, seen map[int32]bool) bool {
	if j == other {
		return true
	}
	if seen[j] {
		return false
	}
	seen[j] = true
	for _, need := range t.jobs[j].job.Needs {
		if t.needs(need, other, seen) {
			return true
		}
	}
	return false
}

// distance is the least from the start of one job of a lag to that of the other,
// whatever the ways.
func (t *tables) distance(lag model.Lag) minute {
	d := lag.Least
	if lag.FromEnd {
		d += duration(t.p.Jobs[lag.From].Ways, false)
	}
	if lag.ToEnd {
		d -= duration(t.p.Jobs[lag.To].Ways, true)
	}
	return d
}

// duration is that of the shortest or the longest way.
func duration(ways []model.Way, longest bool) minute {
	d := ways[0].Duration
	for _, way := range ways[1:] {
		if (way.Duration > d) == longest {
			d = way.Duration
		}
	}
	return d
}

// passes is how often the latest starts are gone through. Chains of a programme are
// short; where they are longer the starts are only later than they could be.
const passes = 20

// latest finds the starts after which jobs that follow are too late.
func (t *tables) latest() {
	for i := range t.jobs {
		t.jobs[i].latest = -1
		for _, o := range t.jobs[i].ways {
			t.jobs[i].latest = max(t.jobs[i].latest, o.starts[len(o.starts)-1].To)
		}
	}
	for moved, pass := true, 0; moved && pass < passes; pass++ {
		moved = false
		for _, lag := range t.p.Lags {
			to := &t.jobs[lag.To]
			if len(to.ways) == 0 || to.latest < 0 {
				continue
			}
			if latest := to.latest - t.distance(lag); latest < t.jobs[lag.From].latest {
				t.jobs[lag.From].latest = latest
				moved = true
			}
		}
	}
}

// sums answers how many minutes of ascending spans lie between two moments.
type sums struct {
	spans []model.Span
	// before are the minutes of the spans before each.
	before []int64
}

func sumsOf(spans []model.Span) sums {
	s := sums{spans: spans, before: make([]int64, len(spans)+1)}
	for i, span := range spans {
		s.before[i+1] = s.before[i] + int64(span.To-span.From)
	}
	return s
}

func (s *sums) until(m minute) int64 {
	i := sort.Search(len(s.spans), func(i int) bool { return s.spans[i].From >= m })
	if i == 0 {
		return 0
	}
	return s.before[i-1] + int64(min(m, s.spans[i-1].To)-s.spans[i-1].From)
}

func (s *sums) between(from, to minute) int64 {
	if from >= to {
		return 0
	}
	return s.until(to) - s.until(from)
}

// rinse is what it takes to go from one mix to another in a station.
func (t *tables) rinse(station, from, to int32) model.Rinse {
	table := t.p.Stations[station].Rinses
	if table == model.None {
		return model.Rinse{}
	}
	return t.p.Rinses[table][from+1][to]
}

// rinsing is what a rinse costs.
func (t *tables) rinsing(r model.Rinse) int64 {
	if r == (model.Rinse{}) {
		return 0
	}
	return t.p.Weights.Rinse + t.p.Weights.RinseVolume*r.Volume
}

// travel is the way from one job to another.
func (t *tables) travel(from, to int32) minute {
	if len(t.p.Travel) == 0 {
		return 0
	}
	a, b := t.p.Jobs[from].Site, t.p.Jobs[to].Site
	if a == model.None || b == model.None {
		return 0
	}
	return t.p.Travel[a][b]
}

// day is the index of the local day of a moment.
func (t *tables) day(m minute) int {
	return sort.Search(len(t.p.Days), func(i int) bool { return t.p.Days[i] > m }) - 1
}

// overtime is how many minutes of the span a person works in overtime.
func (t *tables) overtime(person int32, from, to minute) int64 {
	var sum int64
	shifts := t.p.People[person].Shifts
	i := sort.Search(len(shifts), func(i int) bool { return shifts[i].To > from })
	for ; i < len(shifts) && shifts[i].From < to; i++ {
		sum += int64(max(min(to, shifts[i].To)-max(from, shifts[i].Overtime), 0))
	}
	return sum
}

// fillable tells whether a load of whole graduations lies between the smallest load
// and the tank.
func fillable(s *model.Station) bool {
	largest := s.Tank / s.Graduation * s.Graduation
	return largest > 0 && (s.SmallestLoad+s.Graduation-1)/s.Graduation*s.Graduation <= largest
}

// leftover is what is made and not used of a run, mL.
func leftover(s *model.Station, used int64) int64 {
	if used == 0 || s.Tank == 0 || !fillable(s) {
		return 0
	}
	smallest := (s.SmallestLoad + s.Graduation - 1) / s.Graduation * s.Graduation
	largest := s.Tank / s.Graduation * s.Graduation
	loads := (used + largest - 1) / largest
	total := (used + s.Graduation - 1) / s.Graduation * s.Graduation
	return max(total, loads*smallest) - used
}
