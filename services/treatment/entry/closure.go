package entry

import (
	"fmt"
	"strings"
	"time"
)

// Reason is why something is closed.
type Reason string

// The reasons.
const (
	// Applying is that the application is not complete.
	Applying Reason = "applying"
	// NotAired is that the ventilation criteria are not met.
	NotAired Reason = "not-aired"
	// IntervalRuns is that the restricted-entry interval is not over.
	IntervalRuns Reason = "interval"
	// SignsUp is that the warning signs of the application still stand.
	SignsUp Reason = "signs"
	// NotKnown is that a fact is missing without which nothing can be opened.
	NotKnown Reason = "not-known"
)

// Closure is one reason why a house, or a part of it, is closed to all but trained
// and equipped handlers.
type Closure struct {
	// Application is its id; empty for what is wrong with the question itself.
	Application string
	Reason      Reason
	Area        Area
	// Since is the start of the application, UTC.
	Since time.Time
	// Until is when time alone ends it as things stand, UTC; zero when it does not.
	Until time.Time
	// Why is a sentence, with times in the nursery's zone.
	Why string
	// Sooner is what ends it earlier if it is done now.
	Sooner []Sooner
	// Missing are the facts that are not entered and that made the closure wider or
	// longer.
	Missing []string
	Source  string
}

// Standing is whether a house is open at a moment.
type Standing struct {
	// Closures are every reason why it is not; none when it is open.
	Closures []Closure
	// Opens is when the last of them ends by time alone, UTC; zero when time alone does
	// not open it, or when it is open.
	Opens time.Time
	// Notes are sentences to show beside it, for example that another law's values
	// stand in.
	Notes []string
}

// Open reports whether the whole house is open to everybody.
func (s Standing) Open() bool { return len(s.Closures) == 0 }

// At returns whether a house is open at a moment, and if not, everything that closes
// it. It is open only when no application goes on in it or in what cannot be sealed
// off from it, the space is aired where the law asks for that, the restricted-entry
// interval is over and the signs are down. What is not known closes it and is named.
// The product label and local law decide over it.
func (n Nursery) At(applications []Application, airings []Airing, house string, moment time.Time) Standing {
	var standing Standing
	_, standsIn, err := lawFor(n.Jurisdiction, federal)
	if err != nil {
		standing.Closures = append(standing.Closures, Closure{
			Reason: NotKnown, Area: Area{Extent: WholeSpace}, Why: sentence(err), Missing: []string{"the nursery's law"},
		})
	}
	if standsIn {
		standing.Notes = append(standing.Notes, standIn(n.Jurisdiction))
	}
	if _, found := n.house(house); !found {
		standing.Closures = append(standing.Closures, Closure{
			Reason: NotKnown, Area: Area{Extent: WholeSpace}, Why: fmt.Sprintf("House %q is not known.", house), Missing: []string{"the house"},
		})
	}
	for _, a := range applications {
		standing.Closures = append(standing.Closures, n.closuresOf(a, airings, house, moment)...)
	}
	standing.Opens = opens(standing.Closures)
	return standing
}

// opens is when the last closure ends. While work goes on it is not known: airing and
// the interval only begin at its end.
func opens(closures []Closure) time.Time {
	var last time.Time
	for _, closure := range closures {
		if closure.Until.IsZero() || closure.Reason == Applying {
			return time.Time{}
		}
		if closure.Until.After(last) {
			last = closure.Until
		}
	}
	return last
}

// closuresOf returns what one application closes in a house.
func (n Nursery) closuresOf(a Application, airings []Airing, house string, moment time.Time) []Closure {
	treated, _ := n.house(a.House)
	if treated.ID == "" {
		treated.ID = a.House
	}
	area := ClosedAreaOf(a, treated.Enclosed)
	here := a.House == house || a.House == ""
	if !here {
		if area.Closed.Extent != WholeSpaceAndAdjoining {
			return nil
		}
		switch n.adjoins(a.House, house) {
		case No:
			return nil
		case Unknown:
			area.Missing = append(area.Missing, "what can be sealed off from "+treated.name())
		}
	}
	base := Closure{Application: a.ID, Area: area.Closed, Since: a.Start, Source: area.Source, Missing: area.Missing}
	if fault := faultOf(a); fault != "" {
		base.Reason, base.Area, base.Why = NotKnown, Area{Extent: WholeSpace}, fault
		return []Closure{base}
	}
	var closures []Closure
	if a.Signs.up(moment) {
		signs := base
		signs.Reason, signs.Source = SignsUp, sourceLongest
		signs.Why = fmt.Sprintf("The warning signs of application %s stand: nobody enters before they are taken down or covered.", a.ID)
		closures = append(closures, signs)
	}
	switch {
	case a.Start.After(moment):
	case a.End.IsZero() || a.End.After(moment):
		closures = append(closures, n.whileApplied(a, treated, area, base)...)
	default:
		closures = append(closures, n.afterwards(a, airings, area, base, here, moment)...)
	}
	return closures
}

// faultOf says what of an application cannot be; empty when nothing.
func faultOf(a Application) string {
	switch {
	case a.House == "":
		return fmt.Sprintf("In which house application %s was made is not entered, so it closes every house.", a.ID)
	case !a.End.IsZero() && a.End.Before(a.Start):
		return fmt.Sprintf("Application %s ends before it starts: nobody knows when it was over until that is put right.", a.ID)
	}
	return ""
}

// whileApplied is what is closed before an application is complete.
func (n Nursery) whileApplied(a Application, treated House, area ClosedArea, base Closure) []Closure {
	base.Reason, base.Until = Applying, a.End
	until := "it is complete"
	if area.Aired {
		until = "it is complete and the house is aired"
	}
	base.Why = fmt.Sprintf("Application %s goes on in %s: %s is closed to all but trained and equipped handlers until %s.%s",
		a.ID, treated.name(), inWords(area.Closed, a), until, notEntered(area.Missing))
	if treated.Enclosed != Unknown {
		return []Closure{base}
	}
	zone := OutdoorZoneOf(a)
	outdoors := base
	outdoors.Area, outdoors.Source = zone.Closed, zone.Source
	outdoors.Why = fmt.Sprintf("Whether %s is enclosed is not entered; outdoors, %s is closed until application %s is complete.", treated.name(), inWords(zone.Closed, a), a.ID)
	return []Closure{base, outdoors}
}

// afterwards is what is closed once an application is complete.
func (n Nursery) afterwards(a Application, airings []Airing, area ClosedArea, base Closure, here bool, moment time.Time) []Closure {
	var closures []Closure
	if area.Aired {
		if aired := n.VentilationAt(a, airings, moment); !aired.Met {
			closure := base
			closure.Reason, closure.Until, closure.Sooner = NotAired, aired.From, aired.Sooner
			closure.Missing = append(append([]string(nil), base.Missing...), aired.Missing...)
			closure.Source = aired.Source
			closure.Why = fmt.Sprintf("%s After application %s %s is closed until then.%s", aired.Why, a.ID, inWords(area.Closed, a), notEntered(closure.Missing))
			closures = append(closures, closure)
		}
	}
	if here {
		closures = append(closures, n.underInterval(a, area, base, moment)...)
	}
	return closures
}

// underInterval is what the restricted-entry interval closes. After a fumigation the
// table leaves no area under it; where a label gives an interval all the same, or
// nobody knows, it is kept for the whole house, because the label decides over the
// table.
func (n Nursery) underInterval(a Application, area ClosedArea, base Closure, moment time.Time) []Closure {
	base.Area = area.Afterwards
	if base.Area.Extent == Nowhere {
		base.Area.Extent = WholeSpace
	}
	interval := n.IntervalOf(a)
	base.Reason, base.Source = IntervalRuns, interval.Source
	until, known := interval.EndFrom(a.End)
	if !known {
		base.Missing = append(append([]string(nil), base.Missing...), interval.Missing...)
		base.Why = fmt.Sprintf("%s After application %s %s stays closed until that is done.", strings.Join(interval.Why, " "), a.ID, inWords(base.Area, a))
		return []Closure{base}
	}
	if !until.After(moment) {
		return nil
	}
	base.Until = until
	base.Why = fmt.Sprintf("The restricted-entry interval of %s (%s) after application %s lasts until %s: %s stays closed.%s",
		lengthText(interval.Length), interval.Of, a.ID, n.when(until), inWords(base.Area, a), notEntered(base.Missing))
	return []Closure{base}
}

// inWords is an area, with what was treated where that is entered.
func inWords(area Area, a Application) string {
	if area.Extent == TreatedArea && a.Where != "" {
		return fmt.Sprintf("%s (%s)", area, a.Where)
	}
	return area.String()
}

// notEntered says which facts were missing, after a sentence.
func notEntered(missing []string) string {
	if len(missing) == 0 {
		return ""
	}
	return " Not entered, so that the stricter rule is taken: " + strings.Join(missing, "; ") + "."
}

// lengthText writes a length of time in h and min.
func lengthText(length time.Duration) string {
	hours, rest := length/time.Hour, length%time.Hour
	switch {
	case rest%time.Minute != 0:
		return length.String()
	case rest == 0:
		return fmt.Sprintf("%d h", hours)
	case hours == 0:
		return fmt.Sprintf("%d min", rest/time.Minute)
	}
	return fmt.Sprintf("%d h %d min", hours, rest/time.Minute)
}
