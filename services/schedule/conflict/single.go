package conflict

import (
	"slices"

	"velamen/services/schedule/model"
)

// single is where a job fits when there is nothing else.
type single struct {
	q       *question
	options []option
	// preps are the most that rinsing and mixing may take before each option.
	preps []model.Minute
	// start is its first, and busy the end of all that it takes there.
	start, busy model.Minute
}

// newSingle keeps what the answer about one job says; plan is nil when it fits nowhere.
func newSingle(q *question, plan model.Plan) single {
	s := single{q: q, options: q.options()[0]}
	for _, o := range s.options {
		var prep model.Minute
		if o.station != model.None && q.p.Jobs[0].Mix != model.None {
			prep = q.p.Stations[o.station].MixMinutes + longestRinse(q.p, o.station)
		}
		s.preps = append(s.preps, prep)
	}
	if plan == nil {
		return s
	}
	job := &q.p.Jobs[0]
	s.start = plan[0].Start
	s.busy = s.start + job.Ways[plan[0].Way].Duration
	var tail model.Minute
	for _, o := range job.Occupies {
		tail = max(tail, o.Tail)
	}
	s.busy += tail
	return s
}

// easy tells whether two jobs that no interval joins plainly fit together: they share
// nothing, or one fits long after the other. It saves a search for most pairs.
func (e *explainer) easy(a, b int) bool {
	return !sharesThing(&e.p.Jobs[a], &e.p.Jobs[b]) || e.follows(a, b) || e.follows(b, a)
}

// follows tells whether the second job fits after the first, when that is where it
// would be alone, with time for any rinse and any way between.
func (e *explainer) follows(first, second int) bool {
	a, b := &e.singles[first], &e.singles[second]
	from := a.busy
	if strains(&e.p.Jobs[first]) && strains(&e.p.Jobs[second]) {
		// A day later no limit of protective equipment and heat counts both.
		day := slices.IndexFunc(e.p.Days, func(first model.Minute) bool { return first > a.start })
		if day < 0 {
			return false
		}
		from = max(from, e.p.Days[day])
	}
	for _, row := range e.p.Travel {
		from = max(from, a.busy+slices.Max(row))
	}
	for k, o := range b.options {
		if start, ok := b.q.next(0, o, from+b.preps[k], b.preps[k]); ok && b.q.bears(0, o, start) {
			return true
		}
	}
	return false
}

// strains tells whether any start of a job counts towards the limit of its person.
func strains(job *model.Job) bool { return job.Protected || len(job.Hot) > 0 }

// bears tells whether the limit of its person lets a job start then on a day with no
// other work of the problem.
func (q *question) bears(index int32, o option, start model.Minute) bool {
	if o.person == model.None {
		return true
	}
	limit, free := q.p.People[o.person].MaxProtected, q.p.People[o.person].MaxProtected
	if len(q.p.Days) == 1 || start < q.p.Days[1] {
		free -= q.p.People[o.person].Worn
	}
	return limit == 0 || q.p.Jobs[index].Strained(start, start+o.duration) <= free
}

// sharesThing tells whether two jobs may take one person, sprayer, space or pool.
func sharesThing(x, y *model.Job) bool {
	return slices.ContainsFunc(x.People, func(person int32) bool { return slices.Contains(y.People, person) }) ||
		slices.ContainsFunc(x.Ways, func(way model.Way) bool {
			return way.Station != model.None && slices.ContainsFunc(y.Ways, func(w model.Way) bool { return w.Station == way.Station })
		}) ||
		slices.ContainsFunc(x.Occupies, func(o model.Occupation) bool {
			return slices.ContainsFunc(y.Occupies, func(other model.Occupation) bool { return other.Space == o.Space })
		}) ||
		slices.ContainsFunc(x.Demands, func(d model.Demand) bool {
			return slices.ContainsFunc(y.Demands, func(other model.Demand) bool { return other.Pool == d.Pool })
		})
}
