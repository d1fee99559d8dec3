package treatment

import (
	"fmt"
	"math/big"
	"slices"
	"time"

	"velamen/internal/quantity"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// Premises is what decides who may enter which house: the law, the houses, what was
// applied and how it was aired, as it is recorded. The product label and local law
// decide over it.
type Premises struct {
	Nursery entry.Nursery
	// Applications are those that can still close something, one for each treatment of a
	// house, by start. Several may have the same id.
	Applications []entry.Application
	// Treated is what each of Applications treated, in the same order.
	Treated []Treated
	Airings []entry.Airing

	// lots are where the lots of the nursery stood and stand.
	lots map[string][]stock.Stay
	// transfers are the plants that went from a lot into others, by that lot.
	transfers map[string][]stock.Transfer
	// crops are the botanical names of the lots treated.
	crops map[string]string
	// benches are all of the nursery.
	benches map[stock.BenchID]stock.Bench
}

// Treated is what an application treated in one house.
type Treated struct {
	// Lots are the ids of the lots treated there.
	Lots []string
	// Carriers are the ids of the lots into which plants of those went since, by splitting
	// and joining: what was applied is on them wherever they stand.
	Carriers []string
	// Benches are the ids of the benches of that house on which they stood, in order. When
	// empty they are not known, and the whole house counts as treated.
	Benches []string
}

// on reports whether what was applied is on plants of a lot.
func (t Treated) on(lot string) bool {
	return slices.Contains(t.Lots, lot) || slices.Contains(t.Carriers, lot)
}

// At returns whether a house is open at a moment.
func (p Premises) At(house string, moment time.Time) entry.Standing {
	return p.Nursery.At(p.Applications, p.Airings, house, moment)
}

// ClosedFor returns the closure in which somebody would be who works on some lots in a
// house from one moment until another: the first, and of those at one time the one that
// lasts longest. It returns false when there is none. A closure of the whole house always
// counts. One of the treated area counts where a lot was treated, wherever it stands now;
// where it stands on a bench that was treated or is not known to lie farther from one than
// the closure reaches; and where the benches are not known.
func (p Premises) ClosedFor(house string, lots []string, from, until time.Time) (entry.Closure, bool) {
	for _, moment := range p.changes(from, until) {
		closures := p.closuresFor(house, lots, moment, from, until)
		if len(closures) == 0 {
			continue
		}
		longest := closures[0]
		for _, closure := range closures {
			if outlasts(closure, longest) {
				longest = closure
			}
		}
		return longest, true
	}
	return entry.Closure{}, false
}

// closuresFor returns the closures at a moment in which somebody would be who works on
// some lots in a house from one moment until another.
func (p Premises) closuresFor(house string, lots []string, moment, from, until time.Time) []entry.Closure {
	return slices.DeleteFunc(p.concerning(house, lots, moment), func(closure entry.Closure) bool {
		return !p.counts(closure, house, lots, from, until)
	})
}

// onlyInterval reports whether nothing but restricted-entry intervals whose end is known,
// and the signs of them, closes work on some lots in a house from one moment until another.
// The exceptions of early entry are from those only.
func (p Premises) onlyInterval(house string, lots []string, from, until time.Time) bool {
	for _, moment := range p.changes(from, until) {
		closures := p.closuresFor(house, lots, moment, from, until)
		runs := func(c entry.Closure) bool { return c.Reason == entry.IntervalRuns && !c.Until.IsZero() }
		for _, closure := range closures {
			signs := closure.Reason == entry.SignsUp && slices.ContainsFunc(closures, func(c entry.Closure) bool {
				return c.Application == closure.Application && runs(c)
			})
			if !signs && !runs(closure) {
				return false
			}
		}
	}
	return true
}

// outlasts reports whether a closure lasts longer than another, as far as is known.
// While work goes on nobody knows what follows.
func outlasts(a, b entry.Closure) bool {
	open := func(c entry.Closure) bool { return c.Until.IsZero() || c.Reason == entry.Applying }
	if open(a) != open(b) {
		return open(a)
	}
	return !open(a) && a.Until.After(b.Until)
}

// concerning returns the closures of a house at a moment and, of other houses, the
// intervals of applications that treated one of some lots: it is on the plants.
func (p Premises) concerning(house string, lots []string, moment time.Time) []entry.Closure {
	closures := p.At(house, moment).Closures
	for i, a := range p.Applications {
		if a.House == house || !slices.ContainsFunc(lots, p.Treated[i].on) {
			continue
		}
		closures = append(closures, p.running(i, moment)...)
	}
	return closures
}

// changes returns the moments at which something may begin to be closed for work from one
// moment until another: its start, and whatever was recorded in it.
func (p Premises) changes(from, until time.Time) []time.Time {
	moments := []time.Time{from}
	add := func(moment time.Time) {
		if moment.After(from) && moment.Before(until) {
			moments = append(moments, moment)
		}
	}
	for _, a := range p.Applications {
		add(a.Start)
		add(a.End)
		add(a.Signs.Posted)
		add(a.Signs.Removed)
		for _, measured := range a.Air {
			add(measured.Time)
		}
	}
	for _, airing := range p.Airings {
		add(airing.Start)
		add(airing.End)
	}
	slices.SortFunc(moments, time.Time.Compare)
	return slices.CompactFunc(moments, time.Time.Equal)
}

// counts reports whether a closure concerns work on some lots in a house.
func (p Premises) counts(closure entry.Closure, house string, lots []string, from, until time.Time) bool {
	if closure.Area.Extent != entry.TreatedArea || len(lots) == 0 {
		return true
	}
	for i, a := range p.Applications {
		if a.ID != closure.Application {
			continue
		}
		for _, lot := range lots {
			if p.Treated[i].on(lot) || (a.House == house && p.near(house, lot, p.Treated[i].Benches, closure.Area.Feet, from, until)) {
				return true
			}
		}
	}
	return false
}

// near reports whether a lot stands from one moment until another on a treated bench of a
// house or on one that is not known to lie farther than so many feet from each of them.
func (p Premises) near(house, lot string, treated []string, feet int, from, until time.Time) bool {
	stands := false
	for _, stay := range p.lots[lot] {
		if stay.From.After(until) || !stay.Until.After(from) {
			continue
		}
		stands = stands || stay.Bench.House == house
		if stay.Bench.House == house && p.within(stay.Bench, treated, feet) {
			return true
		}
	}
	return !stands
}

func (p Premises) within(bench stock.BenchID, treated []string, feet int) bool {
	if len(treated) == 0 || slices.Contains(treated, bench.Bench) {
		return true
	}
	if feet == 0 {
		return false
	}
	reach := quantity.Must(fmt.Sprint(feet), quantity.Foot)
	return slices.ContainsFunc(treated, func(other string) bool {
		a, b := p.benches[bench], p.benches[stock.BenchID{House: bench.House, Bench: other}]
		return !a.Place.Measured() || !b.Place.Measured() || !farther(a.Place, b.Place, reach)
	})
}

// farther reports whether two benches lie farther apart than a length, from edge to edge.
func farther(a, b stock.BenchPlace, length quantity.Quantity) bool {
	reach, err := length.Exact().In(quantity.Metre)
	if err != nil {
		return false
	}
	x := gap(a.X, a.Length, b.X, b.Length)
	y := gap(a.Y, a.Width, b.Y, b.Width)
	squared := new(big.Rat).Add(x.Mul(x, x), y.Mul(y, y))
	limit := reach.Amount()
	return squared.Cmp(limit.Mul(limit, limit)) > 0
}

// gap is the distance in m between two stretches along one axis, 0 when they overlap.
func gap(a, aLength, b, bLength quantity.Quantity) *big.Rat {
	beyond := func(first, length, second quantity.Quantity) *big.Rat {
		return new(big.Rat).Sub(second.Amount.Rat(), new(big.Rat).Add(first.Amount.Rat(), length.Amount.Rat()))
	}
	apart := new(big.Rat)
	for _, distance := range []*big.Rat{beyond(a, aLength, b), beyond(b, bLength, a)} {
		if distance.Cmp(apart) > 0 {
			apart = distance
		}
	}
	return apart
}
