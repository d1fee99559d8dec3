package tracing

import (
	"cmp"
	"strings"
	"time"
)

// BenchID names a bench of a house by their ids.
type BenchID struct{ House, Bench string }

// String returns house/bench.
func (b BenchID) String() string { return b.House + "/" + b.Bench }

func (b BenchID) compare(other BenchID) int {
	return cmp.Or(strings.Compare(b.House, other.House), strings.Compare(b.Bench, other.Bench))
}

// Bench is a place where lots stand.
type Bench struct {
	ID BenchID
	// WaterLine is what the nursery calls the water that it gets; empty when that is
	// not known, and then shared with nobody.
	WaterLine string
	// Neighbours are the benches that people named as beside it; one direction is
	// enough.
	Neighbours []BenchID
	// Place is where it stands; nil when that was not measured.
	Place *Rectangle
}

// Stay is a time that a lot with plants stood on a bench.
type Stay struct {
	Lot   string
	Bench BenchID
	// From and Until, UTC. Until is in the far future while it stands there.
	From, Until time.Time
}

// Line says that plants of Lot came from Ancestor, the last of them at Until: what
// happened to the ancestor until then happened to plants of the lot.
type Line struct {
	Lot, Ancestor string
	Until         time.Time
}

// Handling is work on lots, one after the other.
type Handling struct {
	// ID names it; two handlings have different ones.
	ID string
	// Lots in the order of the work.
	Lots []string
	// Worker, ToolSet and Crate are what was shared; empty when there was none.
	Worker, ToolSet, Crate string
	// Disinfected is true when the tools were disinfected between lots.
	Disinfected bool
	// Start and End of the work, UTC.
	Start, End time.Time
}

// Facts are what is known of a nursery. Their order does not matter.
type Facts struct {
	Stays     []Stay
	Benches   []Bench
	Lines     []Line
	Handlings []Handling
}

// Question is what to trace.
type Question struct {
	// Infected are the infected lots.
	Infected []string
	// Start and End of the time in which they could have spread it, UTC.
	Start, End time.Time
	// Routes are the ways in which the disorder spreads.
	Routes []Route
	// Zone is where the nursery's days begin and end.
	Zone *time.Location
}

// Exposed is a lot that could have caught the disorder.
type Exposed struct {
	Lot string
	// Tenths is its exposure in tenths, 0 to 1000; a rank, no probability.
	Tenths int
	// Contacts with infected lots, the heaviest first.
	Contacts []Contact
}

// Contact is one thing that a lot shared with an infected lot.
type Contact struct {
	Kind     Kind
	Infected string
	// Through is the bench (house/bench, the infected lot's), water line, tool set,
	// worker, crate or house; for plants the lot that gave them.
	Through string
	// Start of the first time and End of the last, UTC.
	Start, End time.Time
	// Together is how long they shared it in all; zero for plants and handlings.
	Together time.Duration
	// Disinfected is true when tools were disinfected in between.
	Disinfected bool
	// weight is what it counts, 0 to 1.
	weight float64
}
