package schedule

import (
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/quantity"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment"
	"velamen/services/treatment/rules"
)

// Input is all that a plan depends on, as it was read at one moment. What a
// scenario supposes is a changed Input.
type Input struct {
	Nursery identity.Nursery
	// Now is the moment of reading; From is minute 0 of the plan, Now rounded up to a
	// whole minute; Until is the end of the last day planned.
	Now, From, Until time.Time
	// Lead is how long after Now new work may begin at the earliest, with what is
	// prepared for it.
	Lead     time.Duration
	Settings Settings
	People   []Applicator
	Sprayers []Sprayer
	Houses   []HousePlace
	// Work is what waits, by job name.
	Work []Work
	// Pins, by job name.
	Pins []Pin
	// Told is what people were told and have not done, by job name.
	Told []Told
	// Begun is what people were told to begin before From on its day, and what of it was
	// confirmed, by start.
	Begun []Told
}

// Applicator is a person who can be given work.
type Applicator struct {
	Person identity.Person
	WorkPattern
}

// HousePlace is a house with its benches, its calendar, and until when it, or a
// bench of it, is closed by what was applied before.
type HousePlace struct {
	stock.House
	HouseCalendar
	Benches []string
	Closed  []Closure
	// Treated is true where pesticide was applied so short a time ago that the law lets
	// only trained people work there.
	Treated bool
	// Usual is its air by hour of the clock over the last days; empty without a logger.
	Usual map[int]diagnosis.HourTemperature
}

// Closure is a time in which nobody may work in a house, or on a bench of it.
type Closure struct {
	// Bench; empty for the whole house.
	Bench      string
	Start, End time.Time
}

// Work is a job that waits: an open or coming step of a program, or a routine
// inspection of a house.
type Work struct {
	// Job is the name of the step, or of the house of a routine inspection.
	Job   string
	Title string
	Kind  treatment.Kind
	// Lots that stand somewhere, with where.
	Lots []stock.Lot
	// Plants to work on; 0 for all plants of Lots.
	Plants int64
	// Open, Due and Overdue follow from what is done; zero for a step that waits only
	// for others in After.
	Open, Due, Overdue time.Time
	After              []After
	// Risk of the disorder, 1 to 10: how fast it spreads when it waits.
	Risk int
	// Class of the disorder.
	Class diagnosisv1.DisorderClass
	// Chemical is what is applied; nil for work without chemical.
	Chemical *Chemical
	// Impossible says why it cannot be planned at all, for example that no product
	// passes the rules; empty when it can.
	Impossible string
}

// After is an interval from the end of another job.
type After struct {
	Job             string
	Least, Due, Max time.Duration
}

// Chemical is the product proposed for a job, with what its label and the rules
// say.
type Chemical struct {
	// Product is its name, DisplayName what it is called.
	Product, DisplayName string
	// Mix tells apart what is in the tank, the product and its strength; what has the
	// same can share a load. Empty for the product alone.
	Mix string
	// KeptApart are the names of products that must not meet it, not even as a rest in
	// a tank.
	KeptApart  []string
	Method     productsv1.Method
	Restricted bool
	// Volume of mix in all houses, L.
	Volume quantity.Quantity
	// Label is what is known of the product.
	Label products.Product
	// RestrictedEntryInterval of the label, h.
	RestrictedEntryInterval quantity.Quantity
	// Protected is true when the label asks for protective equipment.
	Protected bool
	// Earliest is the first moment at which the rules of spacing and rotation let it
	// be applied; zero for at once. Waits says why not before.
	Earliest time.Time
	Waits    string
	// Forbidden are the spans in which a rule refuses it, learnt when a plan was held
	// to the rules.
	Forbidden []Closure
	// Temperatures of the air, whole Cel, at which no rule refuses it; nil where all
	// are allowed.
	Temperatures *rules.TemperatureRange
	// Life is how long its mix may be used.
	Life time.Duration
}

// Pin is what a manager fixed. What is zero or empty is free.
type Pin struct {
	Job             string
	Start           time.Time
	Person, Sprayer string
}

// Told is a job that a person was told to do.
type Told struct {
	Assignment string
	Job        string
	// Prepare is when rinsing and mixing for it begin; zero when with Start.
	Prepare, Start, End time.Time
	Person, Sprayer     string
	// As is the job as it was told, its product among the rest; nil where nobody was
	// told yet.
	As *schedulev1.PlannedJob
}

// begins is when its person begins with it, mixing included.
func (t Told) begins() time.Time {
	if t.Prepare.IsZero() {
		return t.Start
	}
	return t.Prepare
}
