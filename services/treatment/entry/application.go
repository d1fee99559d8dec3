package entry

import (
	"time"

	"velamen/internal/quantity"
)

// Fact is what is known of a yes-or-no fact. The zero value is that nobody entered
// it.
type Fact int

// The facts.
const (
	// Unknown is not entered.
	Unknown Fact = iota
	// Yes is entered and true.
	Yes
	// No is entered and false.
	No
)

// FactOf returns Yes or No.
func FactOf(holds bool) Fact {
	if holds {
		return Yes
	}
	return No
}

// Form is how a pesticide was applied, as data/closed-areas.yaml tells it apart.
// Empty when it is not entered.
type Form string

// The forms.
const (
	Fumigant Form = "fumigant"
	Smoke    Form = "smoke"
	Mist     Form = "mist"
	Fog      Form = "fog"
	Aerosol  Form = "aerosol"
	Spray    Form = "spray"
	Dust     Form = "dust"
	Drench   Form = "drench"
	Granules Form = "granules"
	// Drip is through drip irrigation, on or in the medium.
	Drip Form = "drip"
	// Bath is plants or cuttings put into a mix.
	Bath Form = "bath"
	// Brush is painted on.
	Brush Form = "brush"
	// Aerial is from the air, AirBlast with a blower; both outdoors only.
	Aerial   Form = "aerial"
	AirBlast Form = "air-blast"
)

// forms are all of them.
var forms = []Form{Fumigant, Smoke, Mist, Fog, Aerosol, Spray, Dust, Drench, Granules, Drip, Bath, Brush, Aerial, AirBlast}

// Droplets is the droplet class of a spray; empty when it is not entered.
type Droplets string

// The classes, on either side of the boundary that the law draws: "medium" of
// ANSI/ASAE S572.
const (
	FinerThanMedium Droplets = "finer-than-medium"
	MediumOrLarger  Droplets = "medium-or-larger"
)

// Application is one application in one house, as far as entry goes.
type Application struct {
	ID string
	// House is the id of the house, or of the outdoor place, that was treated.
	House string
	// Where is what was treated in words, for example "bench 4"; empty when the
	// record has no more than the house.
	Where string
	// Start and End of the work, UTC. End is zero while it goes on or when nobody
	// wrote it down.
	Start, End time.Time
	Form       Form
	Droplets   Droplets
	// Height from which it was applied above the planting medium, a length; zero when
	// not entered.
	Height quantity.Quantity
	// Products of the mix.
	Products []Product
	// Signs are the warning signs put up for it.
	Signs Signs
	// Air are the measurements of the air of the house.
	Air []Measurement
}

// Product is what a label of the mix says about entry.
type Product struct {
	Name string
	// Interval is the label's restricted-entry interval, a time; zero when it is not
	// entered. "0 h" is a label that says there is none.
	Interval quantity.Quantity
	// Respirator is whether the label asks for one to apply it.
	Respirator Fact
	// Double is whether the label asks for signs and spoken words both.
	Double Fact
	// Inhalation is whether the label gives a level of exposure by inhalation to which
	// the air must fall, Level is that level, for example in ppm.
	Inhalation Fact
	Level      quantity.Quantity
	// Category is the highest acute toxicity category, of those by the skin, to the
	// skin and to the eye: I, II, III or IV. Empty when not entered.
	Category Category
	// Organophosphate is whether it is one that inhibits cholinesterase.
	Organophosphate Fact
}

// Measurement is the air measured for what one product leaves in it.
type Measurement struct {
	// Product is the product's name, as in the mix.
	Product string
	// Time of the measurement, UTC.
	Time time.Time
	// Value measured, in a unit of the label's level.
	Value quantity.Quantity
}

// Signs are the warning signs of an application.
type Signs struct {
	// Posted and Removed are when they were put up and taken down or covered, UTC;
	// zero when they were not.
	Posted, Removed time.Time
}

// up reports whether they are up at a moment. Signs of which only the taking down is
// entered were up before it.
func (s Signs) up(moment time.Time) bool {
	if s.Posted.After(moment) || (s.Posted.IsZero() && s.Removed.IsZero()) {
		return false
	}
	return s.Removed.IsZero() || s.Removed.After(moment)
}

// House is a place that is treated or entered.
type House struct {
	ID string
	// Name is what people call it; the id stands in where it is empty.
	Name string
	// Enclosed is whether it is covered and walled so that an application stays in its
	// air: the law's enclosed space. No is an outdoor place.
	Enclosed Fact
	// Volume of its air, for example in m3; zero when not entered.
	Volume quantity.Quantity
	// Fans is whether it has fans, FanFlow what all of them move, a volume per time
	// such as m3/h; zero when not entered.
	Fans    Fact
	FanFlow quantity.Quantity
	// Vents is whether it has vents or windows that open.
	Vents Fact
	// AdjoiningEntered is true when somebody entered what adjoins it. While it is
	// false every other enclosed house is taken for one that cannot be sealed off.
	AdjoiningEntered bool
	// Unsealed are the ids of the houses that cannot be sealed off from it.
	Unsealed []string
}

// name is what the house is called within a sentence, for example "house h3" where only
// its id is known.
func (h House) name() string {
	if h.Name != "" {
		return h.Name
	}
	return "house " + h.ID
}

// firstName is name at the start of a sentence.
func (h House) firstName() string {
	if h.Name == "" {
		return "House " + h.ID
	}
	return h.Name
}

// Nursery is under which law the houses stand, and which there are.
type Nursery struct {
	// Jurisdiction is the code of its law, for example US-CA.
	Jurisdiction string
	// Zone is its time zone, in which sentences give times and days are counted; UTC
	// when nil.
	Zone *time.Location
	// Rain is what falls in a year outdoors, a length; zero when not entered.
	Rain   quantity.Quantity
	Houses []House
}

func (n Nursery) house(id string) (House, bool) {
	for _, house := range n.Houses {
		if house.ID == id {
			return house, true
		}
	}
	return House{}, false
}

func (n Nursery) zone() *time.Location {
	if n.Zone == nil {
		return time.UTC
	}
	return n.Zone
}

// when writes a moment in the nursery's zone.
func (n Nursery) when(moment time.Time) string {
	return moment.In(n.zone()).Format("2006-01-02 15:04 MST")
}

// adjoins returns whether a house cannot be sealed off from a treated one, through
// any number of houses between them: air goes where nothing is sealed. Unknown is
// returned where what adjoins is not entered.
func (n Nursery) adjoins(treated, other string) Fact {
	if treated == other {
		return No
	}
	reached := map[string]Fact{treated: Yes}
	for queue := []string{treated}; len(queue) > 0; queue = queue[1:] {
		from := queue[0]
		for _, house := range n.Houses {
			link := n.linked(from, house.ID)
			if link == Yes && reached[from] == Unknown {
				link = Unknown
			}
			known, before := reached[house.ID]
			if link == No || (before && (known == Yes || link == Unknown)) {
				continue
			}
			reached[house.ID] = link
			queue = append(queue, house.ID)
		}
	}
	if link, met := reached[other]; met {
		return link
	}
	return No
}

// linked returns whether two houses cannot be sealed off from each other. Either may
// name the other.
func (n Nursery) linked(a, b string) Fact {
	first, _ := n.house(a)
	second, _ := n.house(b)
	switch {
	case contains(first.Unsealed, b) || contains(second.Unsealed, a):
		return Yes
	case first.Enclosed == No || second.Enclosed == No:
		return No
	case !first.AdjoiningEntered || !second.AdjoiningEntered:
		return Unknown
	}
	return No
}
