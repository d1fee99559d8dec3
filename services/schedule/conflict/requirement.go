package conflict

import (
	"slices"

	"velamen/services/schedule/model"
)

// Kind is what a requirement is about.
type Kind int

// The kinds, in the order in which they are given up when a reason is looked for.
// What comes late is more likely to be told.
const (
	// Travel is that the way between sites takes time.
	Travel Kind = iota
	// Preparing is that a sprayer is rinsed and filled first.
	Preparing
	// Life is how long a mix may be used.
	Life
	// Tank is what a sprayer can hold and measure.
	Tank
	// Protection is a person's limit of time in protective equipment and heat.
	Protection
	// Hours is when a sprayer can be used.
	Hours
	// Engaged is when a place must be open.
	Engaged
	// Closed is when nobody may work in a place.
	Closed
	// Capacity is what a pool holds.
	Capacity
	// Apart is that work in a place keeps other work out.
	Apart
	// OneSprayer is that a sprayer does one job at a time.
	OneSprayer
	// OnePerson is that a person does one job at a time.
	OnePerson
	// Horizon is the end of the plan.
	Horizon
	// Shifts is when a person works.
	Shifts
	// Permitted is who may do a job.
	Permitted
	// Release is the earliest start of a job.
	Release
	// Windows is when a job may be done.
	Windows
	// Deadline is the latest end of a job.
	Deadline
	// Interval is the time between two jobs.
	Interval
	// Pin is what must stay.
	Pin
	// Done is that a job is done at all.
	Done
)

// Requirement is one thing that is asked for. The indexes that its kind is not about
// are model.None.
type Requirement struct {
	Kind Kind
	// Job, Person, Station, Space, Pool, Mix and Lag are indexes in the problem.
	Job, Person, Station, Space, Pool, Mix, Lag int32
	// Text says it as a sentence.
	Text string
}

func about(kind Kind) Requirement {
	const none = model.None
	return Requirement{Kind: kind, Job: none, Person: none, Station: none, Space: none, Pool: none, Mix: none, Lag: none}
}

func ofJob(kind Kind, job int32) Requirement {
	r := about(kind)
	r.Job = job
	return r
}

func ofPerson(kind Kind, person int32) Requirement {
	r := about(kind)
	r.Person = person
	return r
}

func ofStation(kind Kind, station int32) Requirement {
	r := about(kind)
	r.Station = station
	return r
}

func ofSpace(kind Kind, space int32) Requirement {
	r := about(kind)
	r.Space = space
	return r
}

// requirements lists all that is asked of some jobs, in the order of kinds, without
// Done.
func requirements(p *model.Problem, jobs []int32) []Requirement {
	all := []Requirement{about(Horizon)}
	if len(p.Travel) > 0 && len(jobs) > 1 {
		all = append(all, about(Travel))
	}
	l := &lister{seen: make(map[Requirement]bool)}
	for _, j := range jobs {
		l.job(&p.Jobs[j], j, len(jobs) > 1)
	}
	all = append(all, l.all...)
	for i, lag := range p.Lags {
		if slices.Contains(jobs, lag.From) && slices.Contains(jobs, lag.To) {
			r := about(Interval)
			r.Lag = int32(i)
			all = append(all, r)
		}
	}
	slices.SortStableFunc(all, func(a, b Requirement) int { return int(a.Kind) - int(b.Kind) })
	return all
}

// lister lists each requirement once. The map only answers whether one is listed.
type lister struct {
	seen map[Requirement]bool
	all  []Requirement
}

func (l *lister) add(r Requirement) {
	if !l.seen[r] {
		l.seen[r] = true
		l.all = append(l.all, r)
	}
}

// job lists what is asked of a job; several tells whether it has company.
func (l *lister) job(job *model.Job, j int32, several bool) {
	for _, kind := range []Kind{Permitted, Release, Windows, Deadline, Pin} {
		l.add(ofJob(kind, j))
	}
	for _, person := range job.People {
		l.add(ofPerson(Shifts, person))
		l.add(ofPerson(Protection, person))
		if several {
			l.add(ofPerson(OnePerson, person))
		}
	}
	for _, way := range job.Ways {
		if way.Station == model.None {
			continue
		}
		for _, kind := range []Kind{Preparing, Tank, Hours} {
			l.add(ofStation(kind, way.Station))
		}
		if several {
			l.add(ofStation(OneSprayer, way.Station))
		}
	}
	for _, o := range job.Occupies {
		l.add(ofSpace(Engaged, o.Space))
		l.add(ofSpace(Closed, o.Space))
		if several {
			l.add(ofSpace(Apart, o.Space))
		}
	}
	for _, d := range job.Demands {
		r := about(Capacity)
		r.Pool = d.Pool
		l.add(r)
	}
	if job.Mix != model.None && several {
		r := about(Life)
		r.Mix = job.Mix
		l.add(r)
	}
}
