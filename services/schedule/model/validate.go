package model

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Limits within which every sum of minutes fits a Minute and every sum of costs
// fits an int64.
const (
	// MaxMinutes is the furthest that any moment or length may lie from 0, about
	// eight years.
	MaxMinutes = 1 << 22
	// MaxCount is the most entries of any list of a problem.
	MaxCount = 1 << 17
	// MaxVolume is the most mL of one job, tank or rinse: a million litres.
	MaxVolume = 1_000_000_000
	// MaxCost is the most, in millionths, that all terms of a plan may come to, and
	// the most that all skip weights may.
	MaxCost = math.MaxInt64 / 8
)

// Validate tells what is wrong with the form of a problem: an index that points to
// nothing, spans that are not ascending, a table of the wrong size, a figure out of
// its limits. The error names the field, as in "jobs[3].ways[0].station". A problem
// that cannot be planned, such as a job that nobody may do, is not an error.
func (p *Problem) Validate() error {
	v := &validator{p: p}
	v.times()
	v.people()
	v.stations()
	v.spaces()
	v.tables()
	v.count(len(p.Jobs), "jobs")
	for i := range p.Jobs {
		v.enter("jobs", i)
		v.job(&p.Jobs[i], i)
		v.leave()
	}
	v.lags()
	v.costs()
	return v.err
}

// validator keeps the first fault only: those after it often follow from it. It knows
// where it is, so that the name of a field is written only for a fault.
type validator struct {
	p    *Problem
	path []step
	err  error
}

// step is an entry of a list; a list in a list has no name.
type step struct {
	list  string
	index int
}

func (v *validator) enter(list string, index int) { v.path = append(v.path, step{list, index}) }

func (v *validator) leave() { v.path = v.path[:len(v.path)-1] }

// field names a field where the validator is; the entry itself when field is empty.
func (v *validator) field(field string) string {
	var b strings.Builder
	for i, s := range v.path {
		if i > 0 && s.list != "" {
			b.WriteByte('.')
		}
		fmt.Fprintf(&b, "%s[%d]", s.list, s.index)
	}
	if len(v.path) > 0 && field != "" {
		b.WriteByte('.')
	}
	return b.String() + field
}

func (v *validator) fail(field, fault string, args ...any) {
	if v.err == nil {
		v.err = fmt.Errorf("%s: %s", v.field(field), fmt.Sprintf(fault, args...))
	}
}

func (v *validator) require(ok bool, field, fault string) {
	if !ok {
		v.fail(field, "%s", fault)
	}
}

func (v *validator) count(n int, field string) {
	if n > MaxCount {
		v.fail(field, "has %d entries; at most %d", n, MaxCount)
	}
}

func (v *validator) moment(m Minute, field string) {
	if m < -MaxMinutes || m > MaxMinutes {
		v.fail(field, "is %d; at most %d minutes from 0", m, MaxMinutes)
	}
}

func (v *validator) length(m Minute, field string) {
	if m < 0 || m > MaxMinutes {
		v.fail(field, "is %d; from 0 to %d minutes", m, MaxMinutes)
	}
}

func (v *validator) volume(mL int64, field string) {
	if mL < 0 || mL > MaxVolume {
		v.fail(field, "is %d; from 0 to %d mL", mL, int64(MaxVolume))
	}
}

func (v *validator) weight(w int64, field string) {
	if w < 0 || w > MaxCost {
		v.fail(field, "is %d; from 0 to %d millionths", w, int64(MaxCost))
	}
}

func (v *validator) index(i int32, n int, field string) {
	if i < 0 || int(i) >= n {
		v.fail(field, "is %d; there are %d", i, n)
	}
}

// indexOrNone also takes None.
func (v *validator) indexOrNone(i int32, n int, field string) {
	if i != None {
		v.index(i, n, field)
	}
}

func (v *validator) spans(spans []Span, list string) {
	v.count(len(spans), list)
	for i, span := range spans {
		v.enter(list, i)
		v.moment(span.From, "from")
		v.moment(span.To, "to")
		v.require(span.From < span.To, "", "does not end after its start")
		v.require(i == 0 || spans[max(i, 1)-1].To <= span.From, "", "starts before the one before it ends")
		v.leave()
	}
}

func (v *validator) times() {
	p := v.p
	v.length(p.Horizon, "horizon")
	v.require(p.Horizon >= 1, "horizon", "leaves no time to plan")
	v.count(len(p.Days), "days")
	v.require(len(p.Days) > 0 && p.Days[0] <= 0, "days", "the first begins at or before 0")
	for i, day := range p.Days {
		v.enter("days", i)
		v.moment(day, "")
		v.require(i == 0 || p.Days[max(i, 1)-1] < day, "", "is not after the day before it")
		v.leave()
	}
}

func (v *validator) people() {
	v.count(len(v.p.People), "people")
	for i, person := range v.p.People {
		v.enter("people", i)
		v.length(person.MaxProtected, "max_protected")
		v.length(person.Worn, "worn")
		v.require(person.Worn <= person.MaxProtected, "worn", "is more than max_protected")
		spans := make([]Span, len(person.Shifts))
		for k, shift := range person.Shifts {
			spans[k] = shift.Span
			v.enter("shifts", k)
			v.require(shift.From <= shift.Overtime && shift.Overtime <= shift.To, "overtime", "begins outside the shift")
			v.leave()
		}
		v.spans(spans, "shifts")
		v.leave()
	}
}

func (v *validator) stations() {
	v.count(len(v.p.Stations), "stations")
	for i := range v.p.Stations {
		station := &v.p.Stations[i]
		v.enter("stations", i)
		v.volume(station.Tank, "tank")
		v.volume(station.SmallestLoad, "smallest_load")
		v.volume(station.Graduation, "graduation")
		v.require(station.Tank == 0 || station.Graduation >= 1, "graduation", "is 0 for a sprayer with a tank")
		v.length(station.MixMinutes, "mix_minutes")
		v.spans(station.Open, "open")
		v.indexOrNone(station.Holds, len(v.p.Mixes), "holds")
		v.indexOrNone(station.Rinses, len(v.p.Rinses), "rinses")
		v.leave()
	}
}

func (v *validator) spaces() {
	v.count(len(v.p.Spaces), "spaces")
	for i := range v.p.Spaces {
		space := &v.p.Spaces[i]
		v.enter("spaces", i)
		v.spans(space.Working, "working")
		v.spans(space.Engaged, "engaged")
		v.spans(space.Closed, "closed")
		v.weight(space.ClosedWeight, "closed_weight")
		v.leave()
	}
	v.count(len(v.p.Pools), "pools")
	for i, pool := range v.p.Pools {
		v.enter("pools", i)
		v.require(pool.Capacity >= 0, "capacity", "is below 0")
		v.leave()
	}
}

func (v *validator) tables() {
	p := v.p
	v.count(len(p.Mixes), "mixes")
	for i, mix := range p.Mixes {
		v.enter("mixes", i)
		v.length(mix.Life, "life")
		v.leave()
	}
	v.count(len(p.Rinses), "rinses")
	for i, table := range p.Rinses {
		v.enter("rinses", i)
		v.rinses(table)
		v.leave()
	}
	v.count(len(p.Travel), "travel")
	for from, row := range p.Travel {
		v.enter("travel", from)
		v.require(len(row) == len(p.Travel), "", "has a way to more or fewer sites than there are")
		for to, way := range row {
			v.enter("", to)
			v.length(way, "")
			v.leave()
		}
		v.leave()
	}
}

func (v *validator) rinses(table RinseTable) {
	v.require(len(table) == len(v.p.Mixes)+1, "", "does not have one row for a clean tank and one for each mix")
	for from, row := range table {
		v.enter("", from)
		v.require(len(row) == len(v.p.Mixes), "", "does not have one rinse for each mix")
		for to, rinse := range row {
			v.enter("", to)
			v.length(rinse.Minutes, "minutes")
			v.volume(rinse.Volume, "volume")
			v.leave()
		}
		v.leave()
	}
}

func (v *validator) job(job *Job, i int) {
	sites := len(v.p.Travel)
	if sites == 0 {
		sites = MaxCount
	}
	v.indexOrNone(job.Site, sites, "site")
	v.indexOrNone(job.Mix, len(v.p.Mixes), "mix")
	v.volume(job.Volume, "volume")
	v.ways(job)
	v.ascending(job.People, len(v.p.People), "people")
	v.moment(job.Release, "release")
	v.moment(job.Deadline, "deadline")
	v.moment(job.Due, "due")
	v.spans(job.Windows, "windows")
	v.spans(job.Hot, "hot")
	v.occupies(job)
	v.demands(job)
	v.needs(job, i)
	v.weight(job.LateWeight, "late_weight")
	v.weight(job.WaitWeight, "wait_weight")
	v.weight(job.SkipWeight, "skip_weight")
	v.require(job.SkipWeight >= 1, "skip_weight", "is 0; leaving a job out counts at least 1")
	if told := job.Told; told != nil {
		v.moment(told.Start, "told.start")
		v.indexOrNone(told.Person, len(v.p.People), "told.person")
		v.indexOrNone(told.Way, len(job.Ways), "told.way")
		v.length(told.Tolerance, "told.tolerance")
		v.weight(told.Weight, "told.weight")
	}
	if pin := job.Pin; pin != nil {
		v.moment(pin.Start, "pin.start")
		v.require(pin.Start >= None, "pin.start", "is before the plan begins")
		v.indexOrNone(pin.Person, len(v.p.People), "pin.person")
		v.indexOrNone(pin.Way, len(job.Ways), "pin.way")
	}
}

func (v *validator) ways(job *Job) {
	v.count(len(job.Ways), "ways")
	v.require(len(job.Ways) > 0, "ways", "has none")
	for k, way := range job.Ways {
		v.enter("ways", k)
		v.indexOrNone(way.Station, len(v.p.Stations), "station")
		v.length(way.Duration, "duration")
		// The order of work that takes no time is not defined, and a way from site to
		// site or a rinse depends on the order.
		v.require(way.Duration > 0 || (!job.Manned && job.Mix == None), "duration", "is 0 for work that needs a person or a mix")
		v.leave()
	}
}

func (v *validator) occupies(job *Job) {
	v.count(len(job.Occupies), "occupies")
	for k, occupation := range job.Occupies {
		v.enter("occupies", k)
		v.index(occupation.Space, len(v.p.Spaces), "space")
		v.length(occupation.Tail, "tail")
		v.require(occupation.Closure >= None, "closure", "is below none")
		twice := slices.ContainsFunc(job.Occupies[:k], func(o Occupation) bool { return o.Space == occupation.Space })
		v.require(!twice, "space", "is named twice")
		v.leave()
	}
}

func (v *validator) demands(job *Job) {
	v.count(len(job.Demands), "demands")
	for k, demand := range job.Demands {
		v.enter("demands", k)
		v.index(demand.Pool, len(v.p.Pools), "pool")
		v.require(demand.Amount >= 0, "amount", "is below 0")
		twice := slices.ContainsFunc(job.Demands[:k], func(d Demand) bool { return d.Pool == demand.Pool })
		v.require(!twice, "pool", "is named twice")
		v.leave()
	}
}

func (v *validator) ascending(indexes []int32, n int, list string) {
	for k, index := range indexes {
		v.enter(list, k)
		v.index(index, n, "")
		v.require(k == 0 || indexes[max(k, 1)-1] < index, "", "is not after the one before it")
		v.leave()
	}
}

func (v *validator) needs(job *Job, self int) {
	v.count(len(job.Needs), "needs")
	for k, need := range job.Needs {
		v.enter("needs", k)
		v.index(need, len(v.p.Jobs), "")
		v.require(int(need) != self, "", "is the job itself")
		v.leave()
	}
}

func (v *validator) lags() {
	v.count(len(v.p.Lags), "lags")
	for i, lag := range v.p.Lags {
		v.enter("lags", i)
		v.index(lag.From, len(v.p.Jobs), "from")
		v.index(lag.To, len(v.p.Jobs), "to")
		v.require(lag.From != lag.To, "to", "is the same job")
		v.moment(lag.Least, "least")
		v.leave()
	}
}
