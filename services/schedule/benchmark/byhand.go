package benchmark

import (
	"cmp"
	"slices"

	"velamen/services/schedule/model"
)

// EarliestDueFirst plans as a foreman with a list does: each morning the jobs that
// may be done by then or during the day, the one that is due first at the head, each
// to whoever and whichever sprayer is free first. What does not fit into the day is
// on the list of the next. A job waits for those that it needs or must follow, and is
// left out when no day takes it.
func EarliestDueFirst(p *model.Problem) model.Plan {
	return newByHand(p).plan(func(a, b int32) int {
		return cmp.Or(cmp.Compare(p.Jobs[a].Due, p.Jobs[b].Due), cmp.Compare(a, b))
	})
}

// HouseByHouse plans as a round through the nursery: each morning the houses in their
// order, and in each house all that may be done during the day, the one that is due
// first at its head. Jobs without a house come last. Otherwise it is as
// EarliestDueFirst.
func HouseByHouse(p *model.Problem) model.Plan {
	return newByHand(p).plan(func(a, b int32) int {
		return cmp.Or(
			cmp.Compare(houseOf(p, a), houseOf(p, b)), cmp.Compare(p.Jobs[a].Due, p.Jobs[b].Due), cmp.Compare(a, b))
	})
}

func houseOf(p *model.Problem, job int32) int {
	if occupies := p.Jobs[job].Occupies; len(occupies) > 0 {
		return int(p.Spaces[occupies[0].Space].House)
	}
	return len(p.Spaces)
}

// byHand is a plan under way. Work is only ever added after what a person and a
// sprayer already have.
type byHand struct {
	p      *model.Problem
	result model.Plan
	ends   []model.Minute
	// people and stations are what each was last given.
	people   []lastWork
	stations []lastMix
	// spaces and pools are what is placed in each.
	spaces [][]placedIn
	pools  [][]placedIn
	// into are the lags to and from each job.
	lags [][]model.Lag
}

// lastWork is the last job of a person.
type lastWork struct {
	end  model.Minute
	site int32
	// worn is the time in protective equipment or heat on one day.
	day  int
	worn model.Minute
}

// lastMix is what a station holds and until when it is busy.
type lastMix struct {
	end, loaded model.Minute
	mix         int32
	// open is true when the load was mixed in this plan, so that a job may join it.
	open bool
}

// placedIn is a job in a space, or its share of a pool.
type placedIn struct {
	from, to  model.Minute
	amount    int32
	exclusive bool
	closure   int32
}

func newByHand(p *model.Problem) *byHand {
	h := &byHand{
		p: p, result: make(model.Plan, len(p.Jobs)), ends: make([]model.Minute, len(p.Jobs)),
		people: make([]lastWork, len(p.People)), stations: make([]lastMix, len(p.Stations)),
		spaces: make([][]placedIn, len(p.Spaces)), pools: make([][]placedIn, len(p.Pools)),
		lags: make([][]model.Lag, len(p.Jobs)),
	}
	for i := range h.people {
		h.people[i] = lastWork{site: model.None, worn: p.People[i].Worn}
	}
	for i := range h.stations {
		h.stations[i].mix = p.Stations[i].Holds
	}
	for _, lag := range p.Lags {
		h.lags[lag.From] = append(h.lags[lag.From], lag)
		h.lags[lag.To] = append(h.lags[lag.To], lag)
	}
	return h
}

// plan goes through the days and, on each, through the jobs that wait, in an order.
func (h *byHand) plan(order func(a, b int32) int) model.Plan {
	waiting := make([]int32, len(h.p.Jobs))
	for i := range waiting {
		waiting[i] = int32(i)
	}
	slices.SortFunc(waiting, order)
	for d, from := range h.p.Days {
		to := h.p.Horizon
		if d+1 < len(h.p.Days) {
			to = h.p.Days[d+1]
		}
		// A job that another waits for may come after it in the list.
		for before := -1; before != len(waiting); {
			before = len(waiting)
			waiting = slices.DeleteFunc(waiting, func(job int32) bool {
				return h.p.Jobs[job].Release < to && h.ready(job) && h.place(job, d, max(from, 0), to)
			})
		}
	}
	return h.result
}

// ready tells whether what a job needs or must follow is placed.
func (h *byHand) ready(job int32) bool {
	for _, need := range h.p.Jobs[job].Needs {
		if !h.result[need].Placed {
			return false
		}
	}
	for _, lag := range h.lags[job] {
		if lag.To == job && lag.Least >= 0 && !h.result[lag.From].Placed {
			return false
		}
	}
	return true
}

// trial is a placement that is being looked for.
type trial struct {
	job, way, station, person int32
	day                       int
	start, duration           model.Minute
	prep                      model.Minute
	newLoad                   bool
}

func (t *trial) begin() model.Minute { return t.start - t.prep }
func (t *trial) end() model.Minute   { return t.start + t.duration }

// place gives a job to the station and the person that are free first and finds its
// earliest time on that day. It tells whether there is one.
func (h *byHand) place(job int32, d int, from, to model.Minute) bool {
	j := &h.p.Jobs[job]
	t := trial{job: job, way: h.firstWay(j), station: model.None, person: model.None, day: d}
	way := j.Ways[t.way]
	t.station, t.duration = way.Station, way.Duration
	if j.Manned {
		if t.person = h.firstPerson(j, from, to, way.Duration); t.person == model.None {
			return false
		}
	}
	t.start = max(from, j.Release)
	h.load(&t)
	last := min(to, j.Deadline, h.p.Horizon)
	if t.end() > last || !h.settle(&t, last) {
		return false
	}
	h.keep(&t)
	return true
}

// firstWay is the way with the station that is free first.
func (h *byHand) firstWay(j *model.Job) int32 {
	best, free := int32(0), model.Minute(-1)
	for k, way := range j.Ways {
		end := model.Minute(0)
		if way.Station != model.None {
			end = h.stations[way.Station].end
		}
		if free < 0 || end < free {
			best, free = int32(k), end
		}
	}
	return best
}

// firstPerson is who is free first of those who still have the time that day.
func (h *byHand) firstPerson(j *model.Job, from, to, duration model.Minute) int32 {
	best, free := int32(model.None), model.Minute(0)
	for _, person := range j.People {
		last := &h.people[person]
		if at := max(last.end, from); (best == model.None || at < free) && h.hasShift(person, at, to, duration) {
			best, free = person, at
		}
	}
	return best
}

// hasShift tells whether a person has a shift in which a job fits before the day ends.
func (h *byHand) hasShift(person int32, from, to, duration model.Minute) bool {
	return slices.ContainsFunc(h.p.People[person].Shifts, func(s model.Shift) bool {
		return max(s.From, from)+duration <= min(s.To, to)
	})
}

// load decides whether the job joins the load in the tank and what must be rinsed.
// It is called again when the start has moved, because a load grows old.
func (h *byHand) load(t *trial) {
	j := &h.p.Jobs[t.job]
	t.prep, t.newLoad = 0, false
	if t.station == model.None || j.Mix == model.None {
		return
	}
	station, last := &h.p.Stations[t.station], &h.stations[t.station]
	if station.Rinses != model.None {
		t.prep = h.p.Rinses[station.Rinses][last.mix+1][j.Mix].Minutes
	}
	if !last.open || last.mix != j.Mix || t.end()-last.loaded > h.p.Mixes[j.Mix].Life {
		t.newLoad = true
		t.prep += station.MixMinutes
	}
}
