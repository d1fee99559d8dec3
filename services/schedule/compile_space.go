package schedule

import (
	"math/big"
	"slices"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/schedule/model"
	"velamen/services/stock"
	"velamen/services/treatment"
	"velamen/services/treatment/entry"
)

// spaces are the places of the problem. A house is one space. Benches that are closed
// by themselves are spaces of their own beside the rest of their house. Where houses
// share air, what keeps people out of a house while the one beside it is sprayed is a
// space too: it is closed for no longer than the work, and work in a house that is
// closed for days does not stand in its way.
type spaces struct {
	// whole is the house, or what is left of it without its benches of their own.
	whole []int32
	// bench is by house and bench.
	bench map[stock.BenchID]int32
	// air is by house; model.None where no house shares its air.
	air []int32
	// of says to which house (index) each space belongs.
	of []int32
}

// closedAhead is how long after what is planned a closure still costs: no shorter than
// the longest usual restricted-entry interval, so that the end of the plan is no place
// to hide one.
const closedAhead = 7 * 24 * 60

// addSpaces makes the houses the spaces of the problem.
func (c *compiled) addSpaces() {
	split := c.benchesApart()
	until := c.problem.Horizon + max(closedAhead, model.Minute(c.longestTail()))
	c.spaces = spaces{bench: map[stock.BenchID]int32{}}
	for i := range c.input.Houses {
		house, h := &c.input.Houses[i], int32(i)
		base := model.Space{
			House: h, Working: c.workingIn(house, until), Engaged: c.engagedIn(house, until),
		}
		perMinute := perHour(c.input.Settings.Weights.ClosedHouseHour, int64(len(c.input.Houses))*(int64(c.problem.Horizon)+c.longestTail()))
		benches := int64(max(len(house.Benches), len(split[h]), 1))
		rest := perMinute
		for _, bench := range split[h] {
			space := base
			space.Name = benchTitle(house, bench)
			space.ClosedWeight = perMinute / benches
			rest -= space.ClosedWeight
			space.Closed = c.closedIn(house, until, func(of string) bool { return of == "" || of == bench })
			c.spaces.bench[stock.BenchID{House: house.ID, Bench: bench}] = c.addSpace(h, space)
		}
		base.Name, base.ClosedWeight = house.DisplayName, rest
		base.Closed = c.closedIn(house, until, func(of string) bool { return of == "" || !slices.Contains(split[h], of) })
		c.spaces.whole = append(c.spaces.whole, c.addSpace(h, base))
	}
	for i := range c.input.Houses {
		house, air := &c.input.Houses[i], int32(model.None)
		if slices.ContainsFunc(house.Adjoining, func(id string) bool { _, known := c.houses[id]; return known }) {
			air = c.addSpace(int32(i), model.Space{
				Name: house.DisplayName, House: int32(i), Engaged: c.engagedIn(house, until), Closed: c.sprayedBeside(house),
			})
		}
		c.spaces.air = append(c.spaces.air, air)
	}
}

func (c *compiled) addSpace(house int32, space model.Space) int32 {
	c.problem.Spaces = append(c.problem.Spaces, space)
	c.spaces.of = append(c.spaces.of, house)
	return int32(len(c.problem.Spaces) - 1)
}

func benchTitle(house *HousePlace, bench string) string {
	return house.DisplayName + ", bench " + bench
}

// benchesApart returns, by house, the benches that something closes by themselves.
func (c *compiled) benchesApart() map[int32][]string {
	apart := map[int32][]string{}
	add := func(house int32, bench string) {
		if !slices.Contains(apart[house], bench) {
			apart[house] = append(apart[house], bench)
		}
	}
	for i := range c.drafts {
		for _, at := range c.drafts[i].closesBenches(c) {
			add(c.houses[at.House], at.Bench)
		}
	}
	for i := range c.input.Houses {
		for _, closure := range c.input.Houses[i].Closed {
			if closure.Bench != "" {
				add(int32(i), closure.Bench)
			}
		}
		slices.Sort(apart[int32(i)])
	}
	return apart
}

// workingIn returns when a closure of a house costs.
func (c *compiled) workingIn(house *HousePlace, until model.Minute) []model.Span {
	if len(house.WorkingHours) == 0 {
		return []model.Span{{From: 0, To: until}}
	}
	return c.spans(house.WorkingHours, until)
}

// openIn returns when a house may be worked in, or sprayed in.
func (c *compiled) openIn(house *HousePlace, chemical bool) []model.Span {
	horizon := c.problem.Horizon
	open := []model.Span{{From: 0, To: horizon}}
	if len(house.WorkingHours) > 0 {
		open = c.spans(house.WorkingHours, horizon)
	}
	if chemical && len(house.SprayingHours) > 0 {
		open = both(open, c.spans(house.SprayingHours, horizon))
	}
	return open
}

// engagedIn returns when a house must be open and free of spraying.
func (c *compiled) engagedIn(house *HousePlace, until model.Minute) []model.Span {
	var spans []model.Span
	for _, engagement := range house.Engagements {
		found := []interval{{Start: engagement.Start, End: engagement.End}}
		if engagement.Weekly != nil {
			found = hoursIn([]Hours{*engagement.Weekly}, c.zone(), c.at(0), c.at(until))
		}
		for _, i := range found {
			if span, ok := c.outward(i, until); ok {
				spans = append(spans, span)
			}
		}
	}
	return merged(spans)
}

// closedIn returns when a house, or a bench of it, is closed by what was applied and
// by what somebody is doing now.
func (c *compiled) closedIn(house *HousePlace, until model.Minute, here func(bench string) bool) []model.Span {
	var spans []model.Span
	add := func(i interval) {
		if span, ok := c.outward(i, until); ok {
			spans = append(spans, span)
		}
	}
	for _, closure := range house.Closed {
		if here(closure.Bench) {
			add(interval{Start: closure.Start, End: closure.End})
		}
	}
	for _, u := range c.underway {
		work := &c.input.Work[u.work]
		for _, lot := range work.Lots {
			if lot.House != house.ID {
				continue
			}
			end := u.told.End
			if work.Chemical != nil {
				end = end.Add(time.Duration(c.tail(work.Chemical, house)) * time.Minute)
			}
			if work.Chemical != nil && (!c.closesByBench(work.Chemical, house) || here(lot.Bench)) {
				add(interval{Start: u.told.Start, End: end})
			}
		}
	}
	return merged(spans)
}

// sprayedBeside returns until when a house that shares the air of this one is being
// sprayed now.
func (c *compiled) sprayedBeside(house *HousePlace) []model.Span {
	var spans []model.Span
	for _, u := range c.underway {
		work := &c.input.Work[u.work]
		beside := slices.ContainsFunc(work.Lots, func(lot stock.Lot) bool { return slices.Contains(house.Adjoining, lot.House) })
		if !beside || work.Chemical == nil || work.Chemical.Method != productsv1.Method_METHOD_SPRAY {
			continue
		}
		if span, ok := c.outward(interval{Start: u.told.Start, End: u.told.End}, c.problem.Horizon); ok {
			spans = append(spans, span)
		}
	}
	return merged(spans)
}

// closesByBench reports whether a product closes only the benches of its lots.
func (c *compiled) closesByBench(chemical *Chemical, house *HousePlace) bool {
	return house.ClosesByBench && !c.closing(chemical, house).WholeHouse
}

// closedBy is a house and what would be applied in it, as far as that decides what it
// closes.
type closedBy struct {
	house, product string
	method         productsv1.Method
}

// addClosings works out what each application closes in the houses of its lots.
func (c *compiled) addClosings() {
	for i := range c.input.Work {
		chemical := c.input.Work[i].Chemical
		if chemical == nil {
			continue
		}
		for _, lot := range c.input.Work[i].Lots {
			of := closedBy{lot.House, chemical.Product, chemical.Method}
			at, known := c.houses[lot.House]
			if _, done := c.closings[of]; known && !done {
				house := c.input.Houses[at].House
				c.closings[of] = treatment.ClosingOf(c.input.Nursery.Jurisdiction, house, chemical.Method, chemical.Label)
			}
		}
	}
}

// closing returns what an application of a product closes in a house of its lots.
func (c *compiled) closing(chemical *Chemical, house *HousePlace) treatment.Closing {
	return c.closings[closedBy{house.ID, chemical.Product, chemical.Method}]
}

// tail returns how long a house stays closed after an application, minutes, rounded up.
func (c *compiled) tail(chemical *Chemical, house *HousePlace) model.Minute {
	aired := (c.closing(chemical, house).Aired + time.Minute - 1) / time.Minute
	return max(intervalMinutes(chemical.RestrictedEntryInterval), model.Minute(aired))
}

// longestTail returns the longest that anything stays closed.
func (c *compiled) longestTail() int64 {
	longest := model.Minute(entry.LongestAiring() / time.Minute)
	for i := range c.drafts {
		if chemical := c.input.Work[c.drafts[i].work].Chemical; chemical != nil {
			longest = max(longest, intervalMinutes(chemical.RestrictedEntryInterval))
		}
	}
	return int64(longest)
}

// intervalMinutes returns hours as minutes, rounded up: a restricted-entry interval is
// never shortened.
func intervalMinutes(interval quantity.Quantity) model.Minute {
	if interval.IsZero() {
		return 0
	}
	hours, err := interval.Exact().In(quantity.Hour)
	if err != nil {
		return 0
	}
	whole := hours.Times(big.NewRat(60, 1)).Ceil(0).Amount.IntPart()
	return model.Minute(min(max(whole, 0), model.MaxMinutes))
}

// occupies returns the spaces that a job takes.
func (c *compiled) occupies(d *draft) []model.Occupation {
	work := &c.input.Work[d.work]
	var taken []model.Occupation
	for _, h := range d.houses {
		house := &c.input.Houses[h]
		for _, space := range c.takenIn(d, h) {
			occupation := model.Occupation{Space: space, Closure: model.None}
			if work.Chemical != nil {
				occupation.Exclusive, occupation.Tail = true, c.tail(work.Chemical, house)
				if work.Chemical.Protected {
					occupation.Closure = d.mix
				}
			}
			taken = append(taken, occupation)
		}
	}
	return append(taken, c.airTaken(d)...)
}

// takenIn returns the spaces of a house that a job takes: the benches of its lots, or
// all of it.
func (c *compiled) takenIn(d *draft, h int32) []int32 {
	work, house := &c.input.Work[d.work], &c.input.Houses[h]
	var taken []int32
	all := work.Chemical != nil && !c.closesByBench(work.Chemical, house)
	for i, of := range c.spaces.of {
		if of != h || int32(i) == c.spaces.air[h] {
			continue
		}
		if all || slices.ContainsFunc(work.Lots, func(lot stock.Lot) bool { return c.spaceOf(lot) == int32(i) }) {
			taken = append(taken, int32(i))
		}
	}
	return taken
}

// spaceOf returns the space in which a lot stands.
func (c *compiled) spaceOf(lot stock.Lot) int32 {
	if space, apart := c.spaces.bench[stock.BenchID{House: lot.House, Bench: lot.Bench}]; apart {
		return space
	}
	return c.spaces.whole[c.houses[lot.House]]
}

// airTaken returns the air that a job takes: all work in a house wants its air clean,
// and a spray keeps everybody out of the houses that share the air of its own.
func (c *compiled) airTaken(d *draft) []model.Occupation {
	sprays := c.input.Work[d.work].Chemical != nil && c.input.Work[d.work].Chemical.Method == productsv1.Method_METHOD_SPRAY
	var taken []model.Occupation
	add := func(house int32, exclusive bool) {
		air := c.spaces.air[house]
		if air == model.None {
			return
		}
		i := slices.IndexFunc(taken, func(o model.Occupation) bool { return o.Space == air })
		if i < 0 {
			taken = append(taken, model.Occupation{Space: air, Exclusive: exclusive, Closure: model.None})
			return
		}
		taken[i].Exclusive = taken[i].Exclusive || exclusive
	}
	for _, h := range d.houses {
		add(h, false)
		if !sprays {
			continue
		}
		for _, id := range c.input.Houses[h].Adjoining {
			if other, known := c.houses[id]; known {
				add(other, true)
			}
		}
	}
	return taken
}
