package conflict

import (
	"fmt"
	"slices"

	"velamen/services/schedule/model"
)

// question is whether some jobs fit together when some requirements are given up. Its
// problem holds only those jobs; people, sprayers and places keep their indexes.
type question struct {
	p *model.Problem
	// jobs are their indexes in the whole problem.
	jobs []int32
	// manyPeople and manySprayers are those that may do several jobs at once.
	manyPeople, manySprayers []bool
	// mixed is how many of the jobs have each mix.
	mixed []int
	// far is later than any plan of these jobs has to end.
	far model.Minute
	// eased is what other jobs make of each sprayer; nil when they are not let help.
	eased []*eased
}

// newQuestion copies what the jobs need from the problem and gives up requirements.
func newQuestion(whole *model.Problem, jobs []int32, given []Requirement) *question {
	p := *whole
	q := &question{
		p: &p, jobs: jobs, mixed: make([]int, len(p.Mixes)),
		manyPeople: make([]bool, len(p.People)), manySprayers: make([]bool, len(p.Stations)),
	}
	index := indexOf(jobs, len(whole.Jobs))
	p.Jobs = make([]model.Job, len(jobs))
	for k, j := range jobs {
		p.Jobs[k] = whole.Jobs[j]
		p.Jobs[k].Needs = nil
		if mix := p.Jobs[k].Mix; mix != model.None {
			q.mixed[mix]++
		}
	}
	p.Lags = nil
	for i, lag := range whole.Lags {
		dropped := slices.ContainsFunc(given, func(r Requirement) bool { return r.Kind == Interval && int(r.Lag) == i })
		if from, to := index(lag.From), index(lag.To); from >= 0 && to >= 0 && !dropped {
			lag.From, lag.To = int32(from), int32(to)
			p.Lags = append(p.Lags, lag)
		}
	}
	q.far = furthest(&p)
	if len(given) > 0 {
		p.People, p.Stations, p.Spaces = slices.Clone(p.People), slices.Clone(p.Stations), slices.Clone(p.Spaces)
		p.Pools, p.Mixes = slices.Clone(p.Pools), slices.Clone(p.Mixes)
	}
	// Who may do a job that is pinned to somebody depends on whether the pin stays.
	for _, r := range given {
		if r.Kind == Pin {
			q.give(r, index)
		}
	}
	for _, r := range given {
		if r.Kind != Pin {
			q.give(r, index)
		}
	}
	return q
}

// indexOf returns where a job of the whole problem stands among those of a question,
// below zero when it does not. A table for every pair of jobs would take longer to
// make than it saves.
func indexOf(jobs []int32, all int) func(int32) int {
	if len(jobs) <= few {
		return func(job int32) int { return slices.Index(jobs, job) }
	}
	table := make([]int, all)
	for i := range table {
		table[i] = model.None
	}
	for k, j := range jobs {
		table[j] = k
	}
	return func(job int32) int { return table[job] }
}

// furthest is the end of the plan and all that the jobs could take one after another.
func furthest(p *model.Problem) model.Minute {
	far := int64(p.Horizon)
	for i := range p.Jobs {
		job := &p.Jobs[i]
		far = max(far, int64(job.Release), int64(job.Deadline))
		for _, hot := range job.Hot {
			far = max(far, int64(hot.To))
		}
		for _, way := range job.Ways {
			far += int64(way.Duration)
			if way.Station != model.None {
				far += int64(p.Stations[way.Station].MixMinutes) + int64(longestRinse(p, way.Station))
			}
		}
		for _, o := range job.Occupies {
			far += int64(o.Tail)
		}
	}
	for _, lag := range p.Lags {
		far += max(int64(lag.Least), -int64(lag.Least))
	}
	return model.Minute(min(far, model.MaxMinutes))
}

func longestRinse(p *model.Problem, station int32) model.Minute {
	var longest model.Minute
	if table := p.Stations[station].Rinses; table != model.None {
		for _, row := range p.Rinses[table] {
			for _, rinse := range row {
				longest = max(longest, rinse.Minutes)
			}
		}
	}
	return longest
}

// give gives up one requirement. Jobs in r are of the whole problem; index turns them
// into those of the question.
func (q *question) give(r Requirement, index func(int32) int) {
	p := q.p
	switch r.Kind {
	case Travel:
		p.Travel = nil
	case Life:
		p.Mixes[r.Mix].Life = q.far
	case Capacity:
		p.Pools[r.Pool].Capacity = 1<<31 - 1
	case Horizon:
		p.Horizon = q.far
	case Protection, OnePerson, Shifts:
		q.givePerson(r)
	case Preparing, Tank, Hours, OneSprayer:
		q.giveStation(r)
	case Engaged:
		p.Spaces[r.Space].Engaged = nil
	case Closed:
		p.Spaces[r.Space].Closed = nil
	case Apart:
		q.share(r.Space)
	case Permitted, Release, Windows, Deadline, Pin:
		q.giveJob(r.Kind, &p.Jobs[index(r.Job)])
	case Interval, Done:
		// Lags are left out when they are copied, and jobs by who asks.
	}
}

func (q *question) givePerson(r Requirement) {
	person := &q.p.People[r.Person]
	switch r.Kind {
	case Protection:
		person.MaxProtected, person.Worn = 0, 0
	case OnePerson:
		q.manyPeople[r.Person] = true
	case Shifts:
		person.Shifts = []model.Shift{{Span: model.Span{From: 0, To: q.far}, Overtime: q.far}}
	}
}

func (q *question) giveStation(r Requirement) {
	station := &q.p.Stations[r.Station]
	switch r.Kind {
	case Preparing:
		station.MixMinutes, station.Rinses = 0, model.None
	case Tank:
		station.Tank = 0
	case Hours:
		station.Open = nil
	case OneSprayer:
		// With no order of the jobs nothing is known of what the tank held, nor of
		// which job could join a load.
		q.manySprayers[r.Station] = true
		station.MixMinutes, station.Rinses = 0, model.None
	}
}

func (q *question) giveJob(kind Kind, job *model.Job) {
	switch kind {
	case Permitted:
		if job.Pin != nil && job.Pin.Person != model.None {
			job.People = []int32{job.Pin.Person}
			return
		}
		job.Manned, job.People = false, nil
	case Release:
		job.Release = 0
	case Windows:
		job.Windows = nil
	case Deadline:
		job.Deadline = q.far
	case Pin:
		job.Pin = nil
	}
}

// share lets all jobs in a space share one closure.
func (q *question) share(space int32) {
	for i := range q.p.Jobs {
		job := &q.p.Jobs[i]
		job.Occupies = slices.Clone(job.Occupies)
		for k := range job.Occupies {
			if job.Occupies[k].Space == space {
				job.Occupies[k].Closure = 0
			}
		}
	}
}

func minuteOf(m model.Minute) string { return fmt.Sprintf("minute %d", m) }
