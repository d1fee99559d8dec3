package conflict

import (
	"slices"
	"sort"

	"velamen/services/schedule/model"
)

// Change is what a fix changes.
type Change int

// The changes.
const (
	// DropPin lets a job go from where it is pinned.
	DropPin Change = iota
	// LaterDeadline ends a job's time later, by Minutes.
	LaterDeadline
	// EarlierRelease lets a job start earlier, by Minutes.
	EarlierRelease
	// WiderWindows lets each window of a job begin earlier and end later, by Minutes.
	WiderWindows
	// LooserInterval shortens a shortest interval or lengthens a longest, by Minutes.
	LooserInterval
	// LongerPlan plans further ahead, by Minutes.
	LongerPlan
	// LongerShift ends the shifts of a person later, by Minutes.
	LongerShift
	// LongerHours lets a sprayer be used later, by Minutes.
	LongerHours
	// Permit lets one more person do a job.
	Permit
	// MoveEngagement lets a place be closed when it had to be open.
	MoveEngagement
	// SmallerLoad lets a sprayer make loads that its tank holds.
	SmallerLoad
	// MoreOfPool adds one or more to a pool.
	MoreOfPool
	// OneMoreSprayer adds a sprayer like one that there is.
	OneMoreSprayer
	// OneMorePerson adds a person who may do and works as one that there is.
	OneMorePerson
)

// Fix is a single change with which the jobs of a conflict fit together, alone or with
// the jobs that were found with them. That was tried: with a smaller change of the kind
// they were not found to fit. The other jobs of the problem were not tried with it.
type Fix struct {
	Change Change
	// Job, Person, Station, Space, Pool and Lag are what changes, by index; model.None
	// for what the change is not about.
	Job, Person, Station, Space, Pool, Lag int32
	// Minutes is by how much, or 0. Amount is how many more of a pool, or 0.
	Minutes model.Minute
	Amount  int32
	// Text says it as a sentence.
	Text string
}

// longestShift is by how much a shift is lengthened at most, minutes: two hours are a
// long day, four are the end of it. Common practice, no source.
const longestShift = 240

// fixes is the most jobs for which changes are tried.
const fixes = 2 * few

// fix tries what could help some jobs, among them those of the conflict, and returns
// the cheapest; nil when nothing helps.
func (e *explainer) fix(c Conflict, jobs []int32) *Fix {
	if !c.Proven || len(jobs) > fixes {
		return nil
	}
	var best *Fix
	for _, r := range c.Requirements {
		for _, f := range e.candidates(r) {
			if best != nil && leastPrice(f) >= price(*best) {
				continue
			}
			if found, ok := e.least(jobs, f); ok && (best == nil || price(found) < price(*best)) {
				best = &found
			}
		}
	}
	if best != nil {
		best.Text = words{p: e.p, clock: e.clock}.fix(*best)
	}
	return best
}

// candidates are the changes that give way in one requirement.
func (e *explainer) candidates(r Requirement) []Fix {
	f := Fix{Job: r.Job, Person: r.Person, Station: r.Station, Space: r.Space, Pool: r.Pool, Lag: r.Lag}
	as := func(change Change) []Fix {
		f.Change = change
		return []Fix{f}
	}
	switch r.Kind {
	case Pin:
		return as(DropPin)
	case Deadline:
		return as(LaterDeadline)
	case Release:
		return as(EarlierRelease)
	case Windows:
		return as(WiderWindows)
	case Interval:
		return as(LooserInterval)
	case Horizon:
		return as(LongerPlan)
	case Shifts:
		return as(LongerShift)
	case Hours:
		return as(LongerHours)
	case Engaged:
		return as(MoveEngagement)
	case Tank:
		return as(SmallerLoad)
	case Capacity:
		return as(MoreOfPool)
	case OneSprayer:
		return as(OneMoreSprayer)
	case OnePerson:
		return as(OneMorePerson)
	case Permitted:
		return e.permits(f)
	}
	return nil
}

// permits lists everybody else who could be allowed to do a job.
func (e *explainer) permits(f Fix) []Fix {
	var all []Fix
	for person := range e.p.People {
		if !slices.Contains(e.p.Jobs[f.Job].People, int32(person)) {
			f.Change, f.Person = Permit, int32(person)
			all = append(all, f)
		}
	}
	return all
}

// price orders changes. A minute of somebody's shift is dearer than one of a deadline,
// and one of an interval, which may stand on a label, dearer than both; to buy or to
// employ costs days. Common practice, no source.
func price(f Fix) int64 {
	minutes := int64(f.Minutes)
	switch f.Change {
	case DropPin:
		return 30
	case LaterDeadline, EarlierRelease, WiderWindows:
		return 60 + minutes
	case LongerPlan:
		return 120 + minutes
	case LongerShift, LongerHours:
		return 60 + 3*minutes
	case MoveEngagement:
		return 240
	case LooserInterval:
		return 480 + 4*minutes
	case Permit:
		return 2_880
	case MoreOfPool:
		return 4_320 * int64(f.Amount)
	case OneMoreSprayer, SmallerLoad:
		return 10_080
	default:
		return 20_160
	}
}

// leastPrice is what a change costs that is as small as can be.
func leastPrice(f Fix) int64 {
	f.Minutes, f.Amount = 1, 1
	return price(f)
}

// least finds the smallest change of the kind with which the jobs fit.
func (e *explainer) least(jobs []int32, f Fix) (Fix, bool) {
	far := newQuestion(e.p, jobs, nil).far
	tried := func(size int) Fix {
		f := f
		switch f.Change {
		case MoreOfPool:
			f.Amount = int32(size)
		case LaterDeadline, EarlierRelease, WiderWindows, LooserInterval, LongerPlan, LongerShift, LongerHours:
			f.Minutes = model.Minute(size)
		}
		return f
	}
	helps := func(size int) bool {
		answer, _ := newQuestion(apply(e.p, jobs, tried(size)), jobs, nil).ask(e.ctx, steps)
		return answer == fits
	}
	largest := 1
	switch f.Change {
	case MoreOfPool:
		largest = 1 << 10
	case LongerShift, LongerHours:
		largest = longestShift
	case LaterDeadline, EarlierRelease, WiderWindows, LooserInterval, LongerPlan:
		largest = int(far)
	}
	// Most changes that help are small, and a small one is quicker to try.
	high := 1
	for high < largest && !helps(high) {
		high = min(2*high, largest)
	}
	if high == largest && !helps(largest) {
		return Fix{}, false
	}
	low := high/2 + 1
	size := low + sort.Search(high-low, func(i int) bool { return helps(low + i) })
	return tried(size), true
}

// apply returns the problem with one change. What does not change is shared.
func apply(whole *model.Problem, jobs []int32, f Fix) *model.Problem {
	p := *whole
	p.Jobs = slices.Clone(p.Jobs)
	switch f.Change {
	case DropPin, LaterDeadline, EarlierRelease, WiderWindows, Permit:
		changeJob(&p.Jobs[f.Job], f)
	case LooserInterval:
		p.Lags = slices.Clone(p.Lags)
		p.Lags[f.Lag].Least -= f.Minutes
	case LongerPlan:
		p.Horizon += f.Minutes
	case LongerShift:
		p.People = slices.Clone(p.People)
		p.People[f.Person].Shifts = longer(p.People[f.Person].Shifts, f.Minutes)
	case MoveEngagement:
		p.Spaces = slices.Clone(p.Spaces)
		p.Spaces[f.Space].Engaged = nil
	case LongerHours, SmallerLoad:
		p.Stations = slices.Clone(p.Stations)
		changeStation(&p.Stations[f.Station], f)
	case MoreOfPool:
		p.Pools = slices.Clone(p.Pools)
		p.Pools[f.Pool].Capacity += f.Amount
	case OneMoreSprayer:
		p.Stations = append(slices.Clone(p.Stations), p.Stations[f.Station])
		for _, j := range jobs {
			addSprayer(&p.Jobs[j], f.Station, int32(len(p.Stations)-1))
		}
	case OneMorePerson:
		p.People = append(slices.Clone(p.People), p.People[f.Person])
		for _, j := range jobs {
			if slices.Contains(p.Jobs[j].People, f.Person) {
				p.Jobs[j].People = append(slices.Clone(p.Jobs[j].People), int32(len(p.People)-1))
			}
		}
	}
	return &p
}

func changeJob(job *model.Job, f Fix) {
	switch f.Change {
	case DropPin:
		job.Pin = nil
	case LaterDeadline:
		job.Deadline += f.Minutes
	case EarlierRelease:
		job.Release -= f.Minutes
	case WiderWindows:
		job.Windows = slices.Clone(job.Windows)
		for i := range job.Windows {
			job.Windows[i].From -= f.Minutes
			job.Windows[i].To += f.Minutes
		}
	case Permit:
		job.People = append(slices.Clone(job.People), f.Person)
		slices.Sort(job.People)
	}
}

func changeStation(station *model.Station, f Fix) {
	if f.Change == SmallerLoad {
		station.SmallestLoad = station.Tank / station.Graduation * station.Graduation
		return
	}
	station.Open = slices.Clone(station.Open)
	for i := range station.Open {
		station.Open[i].To += f.Minutes
		if i+1 < len(station.Open) {
			station.Open[i].To = min(station.Open[i].To, station.Open[i+1].From)
		}
	}
}

// longer ends each shift later, but not past the beginning of the next.
func longer(shifts []model.Shift, minutes model.Minute) []model.Shift {
	shifts = slices.Clone(shifts)
	for i := range shifts {
		shifts[i].To += minutes
		if i+1 < len(shifts) {
			shifts[i].To = min(shifts[i].To, shifts[i+1].From)
		}
	}
	return shifts
}

// addSprayer lets a job be done with a new sprayer as with the old one.
func addSprayer(job *model.Job, old, added int32) {
	for _, way := range job.Ways {
		if way.Station == old {
			job.Ways = append(slices.Clone(job.Ways), model.Way{Station: added, Duration: way.Duration})
			return
		}
	}
}
