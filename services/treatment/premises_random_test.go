package treatment

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// drawPremises makes up two houses of three benches with six lots, some of which moved,
// and what was applied and aired up to a moment.
func drawPremises(r *rand.Rand) (Premises, time.Time) {
	begin := time.Date(2026, 3, 28, 6, 0, 0, 0, time.UTC)
	now := begin.Add(time.Duration(r.IntN(48*60)) * time.Minute)
	p := Premises{
		Nursery: entry.Nursery{Jurisdiction: []string{"US", "US-CA", "ZA"}[r.IntN(3)], Zone: time.UTC},
		benches: map[stock.BenchID]stock.Bench{}, lots: map[string][]stock.Stay{},
	}
	for h := range 2 {
		house := entry.House{
			ID: fmt.Sprint("h", h), Enclosed: []entry.Fact{entry.Unknown, entry.Yes, entry.Yes, entry.No}[r.IntN(4)],
			Volume: quantity.Must("1000", quantity.CubicMetre), Fans: entry.FactOf(r.IntN(2) == 0), Vents: entry.FactOf(r.IntN(2) == 0),
		}
		p.Nursery.Houses = append(p.Nursery.Houses, house)
		for b := range 3 {
			p.benches[stock.BenchID{House: house.ID, Bench: fmt.Sprint("b", b)}] = stock.Bench{ID: fmt.Sprint("b", b), House: house.ID}
		}
	}
	bench := func() stock.BenchID {
		return stock.BenchID{House: fmt.Sprint("h", r.IntN(2)), Bench: fmt.Sprint("b", r.IntN(3))}
	}
	for l := range 6 {
		lot, forever := fmt.Sprint("l", l), begin.AddDate(100, 0, 0)
		first := stock.Stay{Lot: lot, Bench: bench(), From: begin.AddDate(0, 0, -9), Until: forever}
		if r.IntN(2) == 0 {
			first.Until = begin.Add(time.Duration(r.IntN(int(now.Sub(begin)/time.Minute)+1)) * time.Minute)
			p.lots[lot] = []stock.Stay{first, {Lot: lot, Bench: bench(), From: first.Until, Until: forever}}
			continue
		}
		p.lots[lot] = []stock.Stay{first}
	}
	for i := range 1 + r.IntN(3) {
		p.drawApplied(r, fmt.Sprint("a", i), begin, now)
	}
	for range r.IntN(4) {
		p.drawAiring(r, begin, now)
	}
	return p, now
}

// drawApplied adds something that was applied to some lots of a house and was over by now.
func (p *Premises) drawApplied(r *rand.Rand, id string, begin, now time.Time) {
	end := begin.Add(time.Duration(r.IntN(int(now.Sub(begin)/time.Minute)+1)) * time.Minute)
	a := entry.Application{
		ID: id, House: fmt.Sprint("h", r.IntN(2)), Start: end.Add(-time.Duration(1+r.IntN(120)) * time.Minute), End: end,
		Form:     []entry.Form{entry.Spray, entry.Drench, entry.Bath, entry.Fog}[r.IntN(4)],
		Droplets: []entry.Droplets{"", entry.FinerThanMedium, entry.MediumOrLarger}[r.IntN(3)],
		Products: []entry.Product{{
			Name: "x", Respirator: []entry.Fact{entry.Unknown, entry.Yes, entry.No, entry.No}[r.IntN(4)],
			Inhalation: []entry.Fact{entry.Unknown, entry.No, entry.No, entry.No}[r.IntN(4)],
		}},
	}
	if r.IntN(6) > 0 {
		a.Products[0].Interval = quantity.Must(fmt.Sprint(r.IntN(49)), quantity.Hour)
	}
	if r.IntN(4) == 0 {
		a.Signs.Posted = a.Start
		if removed := end.Add(time.Duration(r.IntN(48)) * time.Hour); removed.Before(now) {
			a.Signs.Removed = removed
		}
	}
	var of Treated
	for l := range 6 {
		if r.IntN(3) == 0 {
			of.Lots = append(of.Lots, fmt.Sprint("l", l))
		}
	}
	of.Benches = p.benchesOf(a.House, of.Lots, quantity.Must("0", quantity.SquareMetre), a.Start, a.End)
	p.Applications, p.Treated = append(p.Applications, a), append(p.Treated, of)
}

// drawAiring adds an airing that was begun by now and fits the others.
func (p *Premises) drawAiring(r *rand.Rand, begin, now time.Time) {
	airing := entry.Airing{
		House: fmt.Sprint("h", r.IntN(2)), Device: []entry.Device{entry.Fans, entry.Vents, entry.Shut}[r.IntN(3)],
		Start: begin.Add(time.Duration(r.IntN(int(now.Sub(begin)/time.Minute)+1)) * time.Minute),
	}
	if end := airing.Start.Add(time.Duration(1+r.IntN(600)) * time.Minute); end.Before(now) {
		airing.End = end
	}
	if more := append(slices.Clone(p.Airings), airing); entry.CheckAirings(more, now) == nil {
		p.Airings = more
	}
}

// planCloses reports whether a plan made of some closed places keeps people from a lot at
// a moment.
func planCloses(places []ClosedPlace, stands stock.BenchID, moment time.Time) bool {
	return slices.ContainsFunc(places, func(place ClosedPlace) bool {
		return place.House == stands.House && (len(place.Benches) == 0 || slices.Contains(place.Benches, stands.Bench)) &&
			!place.Start.After(moment) && place.End.After(moment)
	})
}

// What a plan takes for closed holds everything that is closed to whoever works on a lot
// then, as long as nothing else is recorded: a plan without work in its closed places
// sends nobody into a closure.
func TestNobodyIsPlannedIntoAClosure(t *testing.T) {
	closed, open := 0, 0
	for seed := range uint64(4000) {
		r := rand.New(rand.NewPCG(seed, 7))
		p, now := drawPremises(r)
		places := p.ClosedPlaces(now)
		for lot, stays := range p.lots {
			stands := stays[len(stays)-1].Bench
			for range 4 {
				moment := now.Add(time.Duration(r.IntN(80*60)) * time.Minute)
				closure, is := p.ClosedFor(stands.House, []string{lot}, moment, moment.Add(time.Nanosecond))
				if !is {
					open++
					continue
				}
				closed++
				require.True(t, planCloses(places, stands, moment),
					"seed %d: lot %s on %v at %s is closed (%s), and a plan made at %s has it open: %+v", seed, lot, stands, moment, closure.Why, now, places)
			}
		}
	}
	require.Greater(t, closed, 1000)
	require.Greater(t, open, 1000, "a property of nothing proves nothing")
}

// closedAt asks the rules of entry alone, at one moment, whether something is closed to who
// works on a lot that stands on a bench.
func closedAt(p Premises, lot string, stands stock.BenchID, moment time.Time) bool {
	for _, closure := range p.Nursery.At(p.Applications, p.Airings, stands.House, moment).Closures {
		if closure.Area.Extent != entry.TreatedArea || closure.Area.Feet > 0 {
			return true
		}
		for i, a := range p.Applications {
			treated := p.Treated[i]
			if a.ID == closure.Application && a.House == stands.House &&
				(len(treated.Benches) == 0 || slices.Contains(treated.Benches, stands.Bench) || slices.Contains(treated.Lots, lot)) {
				return true
			}
		}
	}
	return false
}

// Who confirms work is held to ClosedFor: it finds every closure that any minute of the work
// touches, and none where no minute does.
func TestNoMinuteOfConfirmedWorkIsInAClosure(t *testing.T) {
	closed, open := 0, 0
	for seed := range uint64(1500) {
		r := rand.New(rand.NewPCG(seed, 11))
		p, now := drawPremises(r)
		for lot, stays := range p.lots {
			stands := stays[len(stays)-1]
			from := now.Add(-time.Duration(r.IntN(24*60)) * time.Minute)
			if from.Before(stands.From) {
				continue
			}
			until := from.Add(time.Duration(1+r.IntN(180)) * time.Minute)
			touched := false
			for moment := from; moment.Before(until); moment = moment.Add(time.Minute) {
				touched = touched || closedAt(p, lot, stands.Bench, moment)
			}
			closure, found := p.ClosedFor(stands.Bench.House, []string{lot}, from, until)
			if touched {
				closed++
				require.True(t, found, "seed %d: lot %s on %v from %s to %s", seed, lot, stands.Bench, from, until)
				continue
			}
			open++
			elsewhere := slices.ContainsFunc(p.Applications, func(a entry.Application) bool {
				return a.ID == closure.Application && a.House != stands.Bench.House
			})
			require.True(t, !found || elsewhere, "seed %d: lot %s on %v from %s to %s: %s", seed, lot, stands.Bench, from, until, closure.Why)
		}
	}
	require.Greater(t, closed, 500)
	require.Greater(t, open, 500, "a property of nothing proves nothing")
}
