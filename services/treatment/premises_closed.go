package treatment

import (
	"fmt"
	"slices"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/entry"
)

// never is how far ahead of a moment the end of a closure is given that time does not
// end, to readers that need one: longer than anybody plans. Design value.
const never = 366 * 24 * time.Hour

// ClosedPlace is a house, or some benches of it, that is closed to all but trained and
// equipped handlers because of what was applied.
type ClosedPlace struct {
	// House is the house's id.
	House string
	// Benches are the ids of the benches that are closed; empty for the whole house.
	Benches []string
	// Moved is true for the bench of a lot that was treated elsewhere and stands there
	// now: what was applied is on the plants.
	Moved bool
	// Start is when the application began and End when time alone opens the place, UTC;
	// more than a year ahead when it does not.
	Start, End time.Time
}

// ClosedPlaces returns what is closed at a moment, by house, as things stand. Work that
// goes on then is followed by what it closes once it is done.
func (p Premises) ClosedPlaces(moment time.Time) []ClosedPlace {
	var places []ClosedPlace
	for _, at := range p.workEnds(moment) {
		for _, house := range p.Nursery.Houses {
			for _, closure := range p.At(house.ID, at).Closures {
				places = append(places, ClosedPlace{
					House: house.ID, Benches: p.closedBenches(closure, house.ID), Start: closure.Since, End: endOf(closure, at),
				})
			}
		}
		places = append(places, p.movedLots(at)...)
	}
	return places
}

// workEnds returns a moment, and the ends of the applications that go on then.
func (p Premises) workEnds(moment time.Time) []time.Time {
	ends := []time.Time{moment}
	for _, a := range p.Applications {
		if a.End.After(moment) {
			ends = append(ends, a.End)
		}
	}
	slices.SortFunc(ends, time.Time.Compare)
	return slices.CompactFunc(ends, time.Time.Equal)
}

// endOf returns when time alone ends a closure, or more than a year after a moment.
func endOf(closure entry.Closure, moment time.Time) time.Time {
	if closure.Until.IsZero() {
		return moment.Add(never)
	}
	return closure.Until
}

// closedBenches returns the benches of a house that a closure closes, in order; none where
// it closes the whole house, or where what was treated is not known.
func (p Premises) closedBenches(closure entry.Closure, house string) []string {
	if closure.Area.Extent != entry.TreatedArea {
		return nil
	}
	var benches []string
	for i, a := range p.Applications {
		if a.ID != closure.Application || a.House != house {
			continue
		}
		if len(p.Treated[i].Benches) == 0 {
			return nil
		}
		for bench := range p.benches {
			if bench.House == house && p.within(bench, p.Treated[i].Benches, closure.Area.Feet) {
				benches = append(benches, bench.Bench)
			}
		}
	}
	slices.Sort(benches)
	return slices.Compact(benches)
}

// Standing returns how a house stands at a moment: by what was applied in it, and by what
// was applied elsewhere to plants that stand in it then.
func (p Premises) Standing(house string, moment time.Time) entry.Standing {
	standing := p.At(house, moment)
	for _, closure := range p.broughtIn(house, moment) {
		switch {
		case closure.Until.IsZero(), !standing.Open() && standing.Opens.IsZero():
			standing.Opens = time.Time{}
		case closure.Until.After(standing.Opens):
			standing.Opens = closure.Until
		}
		standing.Closures = append(standing.Closures, closure)
	}
	return standing
}

// broughtIn returns the intervals of applications in other houses that are on plants that
// stand in a house at a moment.
func (p Premises) broughtIn(house string, moment time.Time) []entry.Closure {
	var closures []entry.Closure
	for i, a := range p.Applications {
		if a.House == house {
			continue
		}
		benches := p.carriedTo(i, house, moment)
		if len(benches) == 0 {
			continue
		}
		for _, closure := range p.running(i, moment) {
			closure.Area = entry.Area{Extent: entry.TreatedArea}
			closure.Why += fmt.Sprintf(" Plants that were treated stand here now: %s.", inBenches(benches))
			closures = append(closures, closure)
		}
	}
	return closures
}

// running returns the restricted-entry interval of an application at a moment, where it is
// not over.
func (p Premises) running(i int, moment time.Time) []entry.Closure {
	closures := p.Nursery.At(p.Applications[i:i+1], p.Airings, p.Applications[i].House, moment).Closures
	return slices.DeleteFunc(closures, func(c entry.Closure) bool { return c.Reason != entry.IntervalRuns })
}

// carriedTo returns the benches of a house, in order, on which plants that an application
// treated stand at a moment, and which were not treated themselves.
func (p Premises) carriedTo(i int, house string, moment time.Time) []string {
	treated := p.Treated[i]
	var benches []string
	for _, bench := range p.standing(slices.Concat(treated.Lots, treated.Carriers), moment) {
		if bench.House == house && (house != p.Applications[i].House || !slices.Contains(treated.Benches, bench.Bench)) {
			benches = append(benches, bench.Bench)
		}
	}
	slices.Sort(benches)
	return benches
}

// movedLots returns the benches on which lots stand at a moment that were treated on
// another and whose restricted-entry interval is not over.
func (p Premises) movedLots(moment time.Time) []ClosedPlace {
	var places []ClosedPlace
	for i := range p.Applications {
		for _, closure := range p.running(i, moment) {
			for _, house := range p.Nursery.Houses {
				if benches := p.carriedTo(i, house.ID, moment); len(benches) > 0 {
					places = append(places, ClosedPlace{House: house.ID, Benches: benches, Moved: true, Start: closure.Since, End: endOf(closure, moment)})
				}
			}
		}
	}
	return places
}

// standing returns the benches on which lots stand at a moment, each once.
func (p Premises) standing(lots []string, moment time.Time) []stock.BenchID {
	var benches []stock.BenchID
	for _, lot := range lots {
		for _, stay := range p.lots[lot] {
			if !stay.From.After(moment) && stay.Until.After(moment) && !slices.Contains(benches, stay.Bench) {
				benches = append(benches, stay.Bench)
			}
		}
	}
	return benches
}

// Closing is what an application closes that is still to come.
type Closing struct {
	// WholeHouse is true where more is closed than what is treated.
	WholeHouse bool
	// Aired is how long after its end the house is aired, 0 where no law asks for it.
	Aired time.Duration
}

// ClosingOf returns what an application of a product in a house would close under the law
// of a jurisdiction (code), beside its restricted-entry interval. Droplets and height are
// not known before it is done, so the stricter are taken. The air counts as if everything
// that airs the house were turned on when the work ends; whoever confirms says whether it
// was. Where the air has to be measured, or nobody entered whether it does, it counts as
// the longest that a law asks for, and the house stays closed once it is done.
func ClosingOf(jurisdiction string, house stock.House, method productsv1.Method, product products.Product) Closing {
	place := houseOfEntry(house)
	end := time.Unix(0, 0).UTC() // any moment: only what comes after it is asked for
	planned := entry.Application{
		ID: "planned", House: place.ID, Start: end.Add(-time.Minute), End: end, Form: formOf(method, nil),
		Products: []entry.Product{entryFacts(product)},
	}
	area := entry.ClosedAreaOf(planned, place.Enclosed)
	closing := Closing{WholeHouse: area.Closed.Extent > entry.TreatedArea || area.Afterwards.Extent > entry.TreatedArea}
	if !area.Aired {
		return closing
	}
	nursery := entry.Nursery{Jurisdiction: jurisdiction, Houses: []entry.House{place}}
	aired := nursery.VentilationAt(planned, airingBegun(place, end), end)
	closing.Aired = entry.LongestAiring()
	if !aired.From.IsZero() {
		closing.Aired = aired.From.Sub(end)
	}
	return closing
}

// airingBegun is everything that airs a house, turned on at a moment.
func airingBegun(house entry.House, at time.Time) []entry.Airing {
	var airings []entry.Airing
	if house.Fans == entry.Yes {
		airings = append(airings, entry.Airing{House: house.ID, Device: entry.Fans, Start: at, Flow: house.FanFlow})
	}
	if house.Vents == entry.Yes {
		airings = append(airings, entry.Airing{House: house.ID, Device: entry.Vents, Start: at})
	}
	return airings
}
