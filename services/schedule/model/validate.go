package model

import (
	"fmt"
	"math"
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
	for i := range p.Jobs {
		v.job(i)
	}
	v.lags()
	v.costs()
	return v.err
}

// validator keeps the first fault only: those after it often follow from it.
type validator struct {
	p   *Problem
	err error
}

func (v *validator) require(ok bool, field, problem string, args ...any) {
	if !ok && v.err == nil {
		v.err = fmt.Errorf("%s: %s", field, fmt.Sprintf(problem, args...))
	}
}

func (v *validator) count(n int, field string) {
	v.require(n <= MaxCount, field, "has %d entries; at most %d", n, MaxCount)
}

func (v *validator) moment(m Minute, field string) {
	v.require(m >= -MaxMinutes && m <= MaxMinutes, field, "is %d; at most %d minutes from 0", m, MaxMinutes)
}

func (v *validator) length(m Minute, field string) {
	v.require(m >= 0 && m <= MaxMinutes, field, "is %d; from 0 to %d minutes", m, MaxMinutes)
}

func (v *validator) volume(mL int64, field string) {
	v.require(mL >= 0 && mL <= MaxVolume, field, "is %d; from 0 to %d mL", mL, int64(MaxVolume))
}

func (v *validator) weight(w int64, field string) {
	v.require(w >= 0 && w <= MaxCost, field, "is %d; from 0 to %d millionths", w, int64(MaxCost))
}

func (v *validator) index(i int32, n int, field string) {
	v.require(i >= 0 && int(i) < n, field, "is %d; there are %d", i, n)
}

// indexOrNone also takes None.
func (v *validator) indexOrNone(i int32, n int, field string) {
	if i != None {
		v.index(i, n, field)
	}
}

func (v *validator) spans(spans []Span, field string) {
	v.count(len(spans), field)
	for i, span := range spans {
		at := fmt.Sprintf("%s[%d]", field, i)
		v.moment(span.From, at+".from")
		v.moment(span.To, at+".to")
		v.require(span.From < span.To, at, "ends at %d, not after its start %d", span.To, span.From)
		v.require(i == 0 || spans[max(i, 1)-1].To <= span.From, at, "starts before the one before it ends")
	}
}

func (v *validator) times() {
	p := v.p
	v.require(p.Horizon >= 1 && p.Horizon <= MaxMinutes, "horizon", "is %d; from 1 to %d minutes", p.Horizon, MaxMinutes)
	v.count(len(p.Days), "days")
	v.require(len(p.Days) > 0 && p.Days[0] <= 0, "days", "the first begins at or before 0")
	for i, day := range p.Days {
		field := fmt.Sprintf("days[%d]", i)
		v.moment(day, field)
		v.require(i == 0 || p.Days[max(i, 1)-1] < day, field, "is not after the day before it")
	}
}

func (v *validator) people() {
	v.count(len(v.p.People), "people")
	for i, person := range v.p.People {
		at := fmt.Sprintf("people[%d]", i)
		v.length(person.MaxProtected, at+".max_protected")
		spans := make([]Span, len(person.Shifts))
		for k, shift := range person.Shifts {
			spans[k] = shift.Span
			v.require(shift.From <= shift.Overtime && shift.Overtime <= shift.To,
				fmt.Sprintf("%s.shifts[%d].overtime", at, k), "is %d, outside the shift", shift.Overtime)
		}
		v.spans(spans, at+".shifts")
	}
}

func (v *validator) stations() {
	v.count(len(v.p.Stations), "stations")
	for i, station := range v.p.Stations {
		at := fmt.Sprintf("stations[%d]", i)
		v.volume(station.Tank, at+".tank")
		v.volume(station.SmallestLoad, at+".smallest_load")
		v.volume(station.Graduation, at+".graduation")
		v.require(station.Tank == 0 || station.Graduation >= 1, at+".graduation", "is 0 for a sprayer with a tank")
		v.length(station.MixMinutes, at+".mix_minutes")
		v.spans(station.Open, at+".open")
		v.indexOrNone(station.Holds, len(v.p.Mixes), at+".holds")
		v.indexOrNone(station.Rinses, len(v.p.Rinses), at+".rinses")
	}
}

func (v *validator) spaces() {
	v.count(len(v.p.Spaces), "spaces")
	for i, space := range v.p.Spaces {
		at := fmt.Sprintf("spaces[%d]", i)
		v.spans(space.Working, at+".working")
		v.spans(space.Engaged, at+".engaged")
		v.spans(space.Closed, at+".closed")
		v.weight(space.ClosedWeight, at+".closed_weight")
	}
	v.count(len(v.p.Pools), "pools")
	for i, pool := range v.p.Pools {
		v.require(pool.Capacity >= 0, fmt.Sprintf("pools[%d].capacity", i), "is %d, below 0", pool.Capacity)
	}
}

func (v *validator) tables() {
	p := v.p
	v.count(len(p.Mixes), "mixes")
	for i, mix := range p.Mixes {
		v.length(mix.Life, fmt.Sprintf("mixes[%d].life", i))
	}
	v.count(len(p.Rinses), "rinses")
	for i, table := range p.Rinses {
		at := fmt.Sprintf("rinses[%d]", i)
		v.require(len(table) == len(p.Mixes)+1, at, "has %d rows for %d mixes and a clean tank", len(table), len(p.Mixes))
		for from, row := range table {
			v.require(len(row) == len(p.Mixes), fmt.Sprintf("%s[%d]", at, from), "has %d rinses for %d mixes", len(row), len(p.Mixes))
			for to, rinse := range row {
				v.length(rinse.Minutes, fmt.Sprintf("%s[%d][%d].minutes", at, from, to))
				v.volume(rinse.Volume, fmt.Sprintf("%s[%d][%d].volume", at, from, to))
			}
		}
	}
	v.count(len(p.Travel), "travel")
	for from, row := range p.Travel {
		v.require(len(row) == len(p.Travel), fmt.Sprintf("travel[%d]", from), "has %d sites of %d", len(row), len(p.Travel))
		for to, way := range row {
			v.length(way, fmt.Sprintf("travel[%d][%d]", from, to))
		}
	}
}

func (v *validator) job(i int) {
	job := &v.p.Jobs[i]
	at := fmt.Sprintf("jobs[%d]", i)
	sites := len(v.p.Travel)
	if len(v.p.Travel) == 0 {
		sites = MaxCount
	}
	v.indexOrNone(job.Site, sites, at+".site")
	v.indexOrNone(job.Mix, len(v.p.Mixes), at+".mix")
	v.volume(job.Volume, at+".volume")
	v.ways(job, at)
	v.ascending(job.People, len(v.p.People), at+".people")
	v.moment(job.Release, at+".release")
	v.moment(job.Deadline, at+".deadline")
	v.moment(job.Due, at+".due")
	v.spans(job.Windows, at+".windows")
	v.takes(job, at)
	v.others(job.Needs, i, at+".needs")
	v.weight(job.LateWeight, at+".late_weight")
	v.weight(job.WaitWeight, at+".wait_weight")
	v.weight(job.SkipWeight, at+".skip_weight")
	v.require(job.SkipWeight >= 1, at+".skip_weight", "is 0; leaving a job out counts at least 1")
	v.told(job, at+".told")
	if job.Pin != nil {
		v.moment(job.Pin.Start, at+".pin.start")
		v.require(job.Pin.Start >= None, at+".pin.start", "is %d, before the plan begins", job.Pin.Start)
		v.indexOrNone(job.Pin.Person, len(v.p.People), at+".pin.person")
		v.indexOrNone(job.Pin.Way, len(job.Ways), at+".pin.way")
	}
}

func (v *validator) ways(job *Job, at string) {
	v.count(len(job.Ways), at+".ways")
	v.require(len(job.Ways) > 0, at+".ways", "has none")
	for k, way := range job.Ways {
		field := fmt.Sprintf("%s.ways[%d]", at, k)
		v.indexOrNone(way.Station, len(v.p.Stations), field+".station")
		v.length(way.Duration, field+".duration")
		// The order of work that takes no time is not defined, and a way from site to
		// site or a rinse depends on the order.
		v.require(way.Duration > 0 || (!job.Manned && job.Mix == None), field+".duration",
			"is 0 for work that needs a person or a mix")
	}
}

func (v *validator) told(job *Job, at string) {
	if job.Told == nil {
		return
	}
	v.moment(job.Told.Start, at+".start")
	v.indexOrNone(job.Told.Person, len(v.p.People), at+".person")
	v.indexOrNone(job.Told.Way, len(job.Ways), at+".way")
	v.length(job.Told.Tolerance, at+".tolerance")
	v.weight(job.Told.Weight, at+".weight")
}

// takes checks the spaces and pools of a job.
func (v *validator) takes(job *Job, at string) {
	v.count(len(job.Occupies), at+".occupies")
	for k, occupation := range job.Occupies {
		field := fmt.Sprintf("%s.occupies[%d]", at, k)
		v.index(occupation.Space, len(v.p.Spaces), field+".space")
		v.length(occupation.Tail, field+".tail")
		v.require(occupation.Closure >= None, field+".closure", "is %d", occupation.Closure)
		for _, before := range job.Occupies[:k] {
			v.require(before.Space != occupation.Space, field+".space", "is named twice")
		}
	}
	v.count(len(job.Demands), at+".demands")
	for k, demand := range job.Demands {
		field := fmt.Sprintf("%s.demands[%d]", at, k)
		v.index(demand.Pool, len(v.p.Pools), field+".pool")
		v.require(demand.Amount >= 0, field+".amount", "is %d, below 0", demand.Amount)
		for _, before := range job.Demands[:k] {
			v.require(before.Pool != demand.Pool, field+".pool", "is named twice")
		}
	}
}

func (v *validator) ascending(indexes []int32, n int, field string) {
	for k, index := range indexes {
		at := fmt.Sprintf("%s[%d]", field, k)
		v.index(index, n, at)
		v.require(k == 0 || indexes[max(k, 1)-1] < index, at, "is not after the one before it")
	}
}

func (v *validator) others(jobs []int32, self int, field string) {
	v.count(len(jobs), field)
	for k, job := range jobs {
		at := fmt.Sprintf("%s[%d]", field, k)
		v.index(job, len(v.p.Jobs), at)
		v.require(int(job) != self, at, "is the job itself")
	}
}

func (v *validator) lags() {
	v.count(len(v.p.Jobs), "jobs")
	v.count(len(v.p.Lags), "lags")
	for i, lag := range v.p.Lags {
		at := fmt.Sprintf("lags[%d]", i)
		v.index(lag.From, len(v.p.Jobs), at+".from")
		v.index(lag.To, len(v.p.Jobs), at+".to")
		v.require(lag.From != lag.To, at+".to", "is the same job")
		v.moment(lag.Least, at+".least")
	}
}
