package bruteforce

import (
	"fmt"
	"math/rand/v2"

	"velamen/services/schedule/model"
)

// Random returns a tiny valid problem with the given number of jobs, in which
// everything that a problem can have turns up: two people with overtime, limits and a
// way to go, heat, two sprayers with and without a tank, two houses, a pool, two mixes,
// intervals of both signs, needs, pins and what people were told. The same seed gives
// the same problem. All numbers are invented.
func Random(seed uint64, size int) *model.Problem {
	g := &generator{rand.New(rand.NewPCG(seed, 20))}
	horizon := model.Minute(g.between(10, 14))
	p := &model.Problem{
		Horizon: horizon,
		Days:    []model.Minute{-3, horizon / 2},
		Pools:   []model.Pool{{Name: "vents", Capacity: int32(g.between(1, 3))}},
		Mixes:   []model.Mix{{Name: "copper", Life: g.minutes(0, 9)}, {Name: "oil", Life: g.minutes(3, 12)}},
		Weights: model.Weights{
			Finish: int64(g.between(0, 1)), Leftover: int64(g.between(0, 2)), Rinse: int64(g.between(0, 3)),
			RinseVolume: int64(g.between(0, 1)), Overtime: int64(g.between(0, 2)),
		},
	}
	if g.one(2) {
		p.Travel = [][]model.Minute{{0, g.minutes(0, 2)}, {g.minutes(0, 2), 0}}
	}
	for i := range 2 {
		p.People = append(p.People, g.person(fmt.Sprintf("person %d", i), horizon))
		p.Stations = append(p.Stations, g.station(fmt.Sprintf("sprayer %d", i), horizon))
		p.Spaces = append(p.Spaces, g.space(fmt.Sprintf("house %d", i), int32(i), horizon))
	}
	p.Rinses = []model.RinseTable{g.rinses()}
	for i := range size {
		p.Jobs = append(p.Jobs, g.job(i, size, p))
	}
	heat(p, seed)
	for range size / 2 {
		if lag, ok := g.lag(size); ok {
			p.Lags = append(p.Lags, lag)
		}
	}
	return p
}

type generator struct{ *rand.Rand }

// heat makes it hot now and then where some jobs are done, and has some people come
// from such work. It draws from numbers of its
// own, so that the rest of a problem does not depend on it.
func heat(p *model.Problem, seed uint64) {
	g := &generator{rand.New(rand.NewPCG(seed, 21))}
	for i := range p.Jobs {
		if g.one(3) {
			p.Jobs[i].Hot = []model.Span{g.span(3, p.Horizon)}
		}
	}
	for i := range p.People {
		if who := &p.People[i]; who.MaxProtected > 0 && g.one(3) {
			who.Worn = g.minutes(0, int(who.MaxProtected))
		}
	}
}

// between is a number from least to most, both included.
func (g *generator) between(least, most int) int { return least + g.IntN(most-least+1) }

func (g *generator) minutes(least, most int) model.Minute {
	return model.Minute(g.between(least, most))
}

// one is true once in n times.
func (g *generator) one(n int) bool { return g.IntN(n) == 0 }

// span is inside [0, horizon) and at least so long.
func (g *generator) span(least int, horizon model.Minute) model.Span {
	from := g.between(0, int(horizon)-least)
	return model.Span{From: model.Minute(from), To: model.Minute(g.between(from+least, int(horizon)))}
}

func (g *generator) person(name string, horizon model.Minute) model.Person {
	person := model.Person{Name: name}
	cut := g.minutes(4, int(horizon)-4)
	shifts := []model.Span{{From: 0, To: horizon + 1}}
	if g.one(3) {
		shifts = []model.Span{{From: g.minutes(0, 1), To: cut}, {From: cut + g.minutes(0, 1), To: horizon}}
	}
	for _, span := range shifts {
		person.Shifts = append(person.Shifts, model.Shift{Span: span, Overtime: max(span.To-g.minutes(0, 4), span.From)})
	}
	if g.one(3) {
		person.MaxProtected = g.minutes(2, 5)
	}
	return person
}

func (g *generator) station(name string, horizon model.Minute) model.Station {
	station := model.Station{Name: name, MixMinutes: g.minutes(0, 2), Holds: g.index(2), Rinses: g.index(1)}
	if !g.one(4) {
		station.Tank, station.SmallestLoad, station.Graduation = int64(g.between(5, 9)), int64(g.between(0, 4)), int64(g.between(1, 2))
	}
	if g.one(4) {
		station.Open = []model.Span{g.span(6, horizon)}
	}
	return station
}

// index is one of n or None.
func (g *generator) index(n int) int32 { return int32(g.between(model.None, n-1)) }

func (g *generator) space(name string, house int32, horizon model.Minute) model.Space {
	space := model.Space{Name: name, House: house, ClosedWeight: int64(g.between(0, 2)), Working: []model.Span{g.span(3, horizon)}}
	if g.one(3) {
		space.Engaged = []model.Span{g.span(1, horizon/2)}
	}
	if g.one(4) {
		from := g.minutes(0, int(horizon)-2)
		space.Closed = []model.Span{{From: from, To: from + 2}}
	}
	return space
}

func (g *generator) rinses() model.RinseTable {
	table := make(model.RinseTable, 3)
	for from := range table {
		for to := range 2 {
			var rinse model.Rinse
			if from-1 != to && g.one(2) {
				rinse = model.Rinse{Minutes: g.minutes(0, 2), Volume: int64(g.between(0, 2))}
			}
			table[from] = append(table[from], rinse)
		}
	}
	return table
}

func (g *generator) job(i, size int, p *model.Problem) model.Job {
	job := model.Job{
		Name: fmt.Sprintf("job %d", i), Site: g.index(2), Mix: model.None, Manned: !g.one(4), Protected: g.one(2),
		Release: g.minutes(-2, 4), Deadline: p.Horizon - g.minutes(-1, 3), Due: g.minutes(3, int(p.Horizon)),
		LateWeight: int64(g.between(0, 3)), WaitWeight: int64(g.between(0, 1)), SkipWeight: int64(g.between(1, 4)),
	}
	job.Ways = []model.Way{{Station: g.index(2), Duration: g.minutes(1, 4)}}
	if g.one(3) {
		job.Ways = append(job.Ways, model.Way{Station: int32(g.between(0, 1)), Duration: g.minutes(1, 4)})
	}
	if !g.one(3) {
		job.Mix, job.Volume = int32(g.between(0, 1)), int64(g.between(0, 7))
	}
	if job.Manned {
		job.People = [][]int32{{0}, {1}, {0, 1}}[g.IntN(3)]
	}
	if g.one(4) {
		cut := g.minutes(4, int(p.Horizon)-4)
		job.Windows = []model.Span{{From: 0, To: cut}, {From: cut + g.minutes(0, 1), To: p.Horizon}}
	}
	for space := range p.Spaces {
		if g.one(3) {
			job.Occupies = append(job.Occupies, model.Occupation{
				Space: int32(space), Exclusive: g.one(2), Tail: g.minutes(0, 3), Closure: g.index(2),
			})
		}
	}
	if g.one(3) {
		job.Demands = []model.Demand{{Pool: 0, Amount: int32(g.between(1, 2))}}
	}
	if i > 0 && g.one(5) {
		job.Needs = []int32{int32(g.IntN(i))}
	}
	g.promise(&job, p)
	return job
}

// promise sets what people were told, and now and then what is pinned.
func (g *generator) promise(job *model.Job, p *model.Problem) {
	if g.one(3) {
		job.Told = &model.Told{
			Start: g.minutes(-1, int(p.Horizon)-2), Person: g.index(2), Way: g.index(len(job.Ways)),
			Tolerance: g.minutes(0, 2), Weight: int64(g.between(1, 4)),
		}
	}
	if !g.one(16) {
		return
	}
	job.Pin = &model.Pin{Start: g.minutes(model.None, int(p.Horizon)-6), Person: model.None, Way: g.index(len(job.Ways))}
	if job.Manned && g.one(2) {
		job.Pin.Person = job.People[0]
	}
}

func (g *generator) lag(size int) (model.Lag, bool) {
	lag := model.Lag{
		From: int32(g.IntN(size)), To: int32(g.IntN(size)), FromEnd: g.one(2), ToEnd: g.one(2), Least: g.minutes(-6, 4),
	}
	return lag, lag.From != lag.To
}
