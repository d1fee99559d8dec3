package model

import (
	"crypto/sha256"
	"encoding/binary"
	"slices"
)

// The first bytes of what is hashed. A change of the fields, of their order or of
// what a rule means takes a new number, so that a plan is never taken for the answer
// to another problem.
const (
	problemVersion = "velamen schedule problem 1\n"
	planVersion    = "velamen schedule plan 1\n"
)

// Hash tells two problems apart: SHA-256 over every field in the order of its
// declaration, little-endian, each list and text after its length. A nil list and an
// empty one are the same. The Hot spans of all jobs, and what people have Worn, come last,
// and only when there are any: without them a problem means what it meant before there
// were any, and keeps the hash that was written beside its plans.
func (p *Problem) Hash() [32]byte {
	e := encoding(problemVersion)
	e.int64(p.Start)
	e.minutes(p.Horizon)
	list(&e, p.Days, (*encoding).minute)
	list(&e, p.People, (*encoding).person)
	list(&e, p.Stations, (*encoding).station)
	list(&e, p.Spaces, (*encoding).space)
	list(&e, p.Pools, func(e *encoding, pool Pool) {
		e.text(pool.Name)
		e.minutes(pool.Capacity)
	})
	list(&e, p.Mixes, func(e *encoding, mix Mix) {
		e.text(mix.Name)
		e.minutes(mix.Life)
	})
	list(&e, p.Rinses, func(e *encoding, table RinseTable) {
		list(e, table, func(e *encoding, row []Rinse) {
			list(e, row, func(e *encoding, rinse Rinse) {
				e.minutes(rinse.Minutes)
				e.int64(rinse.Volume)
			})
		})
	})
	list(&e, p.Travel, func(e *encoding, row []Minute) { list(e, row, (*encoding).minute) })
	list(&e, p.Jobs, (*encoding).job)
	list(&e, p.Lags, func(e *encoding, lag Lag) {
		e.minutes(lag.From, lag.To)
		e.bool(lag.FromEnd)
		e.bool(lag.ToEnd)
		e.minutes(lag.Least)
	})
	w := p.Weights
	e.int64(w.Finish, w.Leftover, w.Rinse, w.RinseVolume, w.Overtime)
	if slices.ContainsFunc(p.Jobs, func(job Job) bool { return len(job.Hot) > 0 }) {
		list(&e, p.Jobs, func(e *encoding, job Job) { list(e, job.Hot, (*encoding).span) })
	}
	if slices.ContainsFunc(p.People, func(person Person) bool { return person.Worn > 0 }) {
		e.text("worn")
		list(&e, p.People, func(e *encoding, person Person) { e.minutes(person.Worn) })
	}
	return sha256.Sum256(e)
}

// Hash tells two plans apart. All jobs that are left out are the same, whatever the
// rest of their placements says.
func (plan Plan) Hash() [32]byte {
	e := encoding(planVersion)
	list(&e, plan, func(e *encoding, placement Placement) {
		e.bool(placement.Placed)
		if placement.Placed {
			e.minutes(placement.Start, placement.Way, placement.Person)
			e.bool(placement.NewLoad)
		}
	})
	return sha256.Sum256(e)
}

// encoding is the bytes of a problem or a plan.
type encoding []byte

func (e *encoding) int64(values ...int64) {
	for _, value := range values {
		*e = binary.LittleEndian.AppendUint64(*e, uint64(value))
	}
}

// minutes also writes indexes and capacities, which have the same size.
func (e *encoding) minutes(values ...int32) {
	for _, value := range values {
		*e = binary.LittleEndian.AppendUint32(*e, uint32(value))
	}
}

func (e *encoding) minute(value Minute) { e.minutes(value) }

func (e *encoding) bool(value bool) {
	if value {
		*e = append(*e, 1)
		return
	}
	*e = append(*e, 0)
}

func (e *encoding) text(value string) {
	e.int64(int64(len(value)))
	*e = append(*e, value...)
}

func (e *encoding) span(span Span) { e.minutes(span.From, span.To) }

// list writes how many there are and then each.
func list[S ~[]T, T any](e *encoding, values S, write func(*encoding, T)) {
	e.int64(int64(len(values)))
	for _, value := range values {
		write(e, value)
	}
}

func (e *encoding) person(person Person) {
	e.text(person.Name)
	list(e, person.Shifts, func(e *encoding, shift Shift) {
		e.span(shift.Span)
		e.minutes(shift.Overtime)
	})
	e.minutes(person.MaxProtected)
}

func (e *encoding) station(station Station) {
	e.text(station.Name)
	e.int64(station.Tank, station.SmallestLoad, station.Graduation)
	e.minutes(station.MixMinutes)
	list(e, station.Open, (*encoding).span)
	e.minutes(station.Holds, station.Rinses)
}

func (e *encoding) space(space Space) {
	e.text(space.Name)
	e.minutes(space.House)
	list(e, space.Working, (*encoding).span)
	list(e, space.Engaged, (*encoding).span)
	list(e, space.Closed, (*encoding).span)
	e.int64(space.ClosedWeight)
}

func (e *encoding) job(job Job) {
	e.text(job.Name)
	e.minutes(job.Site, job.Mix)
	e.int64(job.Volume)
	list(e, job.Ways, func(e *encoding, way Way) { e.minutes(way.Station, way.Duration) })
	e.bool(job.Manned)
	list(e, job.People, (*encoding).minute)
	e.bool(job.Protected)
	e.minutes(job.Release, job.Deadline, job.Due)
	list(e, job.Windows, (*encoding).span)
	list(e, job.Occupies, func(e *encoding, occupation Occupation) {
		e.minutes(occupation.Space)
		e.bool(occupation.Exclusive)
		e.minutes(occupation.Tail, occupation.Closure)
	})
	list(e, job.Demands, func(e *encoding, demand Demand) { e.minutes(demand.Pool, demand.Amount) })
	list(e, job.Needs, (*encoding).minute)
	e.int64(job.LateWeight, job.WaitWeight, job.SkipWeight)
	e.bool(job.Told != nil)
	if told := job.Told; told != nil {
		e.minutes(told.Start, told.Person, told.Way, told.Tolerance)
		e.int64(told.Weight)
	}
	e.bool(job.Pin != nil)
	if pin := job.Pin; pin != nil {
		e.minutes(pin.Start, pin.Person, pin.Way)
	}
}
