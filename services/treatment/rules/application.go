package rules

import (
	"math/big"
	"slices"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/identity"
	"velamen/services/products"
)

// Application is what is proposed, or was done, with all that the rules look at.
type Application struct {
	// Start and End of the work, UTC; End is zero while it is not known: then the work is
	// taken to end on the day of its start.
	Start, End time.Time
	// Done is true of work that was done: what is not known then never will be, and
	// an amount that cannot be held to the label is refused.
	Done bool
	// Zone is the nursery's, for rules that count days.
	Zone *time.Location
	// Jurisdiction is the nursery's law: an ISO 3166-1 or 3166-2 code.
	Jurisdiction string
	// Method is how it is applied.
	Method productsv1.Method
	// Disorder and Class are what it is applied against.
	Disorder string
	Class    diagnosisv1.DisorderClass
	// Lots are all lots treated.
	Lots []Lot
	// Treatments are what is applied, house by house.
	Treatments []Treatment
	// Conditions are those during the work, or those expected.
	Conditions Conditions
	// Applicator is who applies it.
	Applicator Applicator
	// Candidates are the active ingredients that the step allows, one of which must
	// be in the mix; nil outside a step.
	Candidates []string
	// RoundBefore are the resistance groups that the same step used in the round
	// before, which failed.
	RoundBefore []string
}

// Lot is one lot treated.
type Lot struct {
	ID            string
	BotanicalName string
	// House is the id of the house that it stands in.
	House string
	// Plants on hand; 0 when not known.
	Plants int64
	// OfficialHolds are those during which nothing may hide signs.
	OfficialHolds []OfficialHold
}

// Treatment is what is applied in one house.
type Treatment struct {
	// Field is its path in the request.
	Field string
	// House is the house's id.
	House string
	// Site says what the house is; unspecified when its covering is not known.
	Site productsv1.Site
	// Area treated and volume of mix; zero when not known yet.
	Area, MixVolume quantity.Quantity
	// HouseArea is the floor of the house; zero when not known.
	HouseArea quantity.Quantity
	// Plants or pots treated; 0 when not known.
	Plants int64
	// Chemigation is true when it goes out through the irrigation.
	Chemigation bool
	// Lines are the products of the mix.
	Lines []Line
}

// Line is one product of a mix.
type Line struct {
	// Field is its path in the request.
	Field   string
	Product products.Product
	// Amount of product that goes into the mix; zero when not known yet.
	Amount quantity.Quantity
	// Store is what the chemical store holds of it.
	Store Store
}

// Store is what the chemical store holds of a product.
type Store struct {
	// Counted is false when no container of the product was ever entered.
	Counted bool
	// Containers are those that are neither empty nor discarded.
	Containers []Container
	// Named is the id of the container that it is taken from; empty when none is
	// named.
	Named string
}

// Container is one container of a product.
type Container struct {
	ID string
	// Remaining is what is left by the books.
	Remaining quantity.Quantity
	// ExpireDate is the last day of use, YYYY-MM-DD; empty when none is printed.
	ExpireDate string
}

// Conditions are the weather in the house. A nil pointer means that nobody said.
type Conditions struct {
	// Temperature of the air, Cel; Humidity, %. Zero when not measured.
	Temperature, Humidity quantity.Quantity
	OpenBloom             *bool
	Sunlit                *bool
	WetFoliage            *bool
}

// Applicator is who applies it.
type Applicator struct {
	ID          string
	DisplayName string
	// Field is the path in the request of who it is; empty where nobody is named in it.
	Field string
	// Certificates held.
	Certificates []Certificate
	// Qualifications are those that stand: trainings, clearances, equipment, age.
	Qualifications []identity.Qualification
}

// Certificate is one that a person holds.
type Certificate struct {
	Category string
	// ExpireDate is its last day, YYYY-MM-DD.
	ExpireDate string
}

// Past is an application that was made, as the rules count it.
type Past struct {
	// ID of the application.
	ID string
	// Start and End of the work, UTC.
	Start, End time.Time
	Method     productsv1.Method
	Disorder   string
	Class      diagnosisv1.DisorderClass
	// Products are the products in it, with what they hold.
	Products []PastProduct
}

// PastProduct is a product of an application that was made.
type PastProduct struct {
	ID          string
	DisplayName string
	Formulation productsv1.Formulation
	// RegistrationNumber tells the product apart from one renamed.
	RegistrationNumber string
	Actives            []PastActive
}

// PastActive is an active ingredient of an application that was made.
type PastActive struct {
	ID string
	// Group is its FRAC code on that day.
	Group string
	// PerArea is g per m2 treated; nil when the area is not known.
	PerArea *big.Rat
}

// History is what the lots were treated with before, wherever they stood: for
// each lot its applications in order of their end, those of the lots that it was
// split from included up to the split.
type History map[string][]Past

// Use returns what the products of a treatment are used for. The crops are those
// of the lots that it goes on.
func (a Application) Use(t Treatment) products.Use {
	use := products.Use{Method: a.Method, Class: a.Class, Disorder: a.Disorder, Site: t.Site}
	for _, lot := range a.treatedBy(t) {
		if !slices.Contains(use.Crops, lot.BotanicalName) {
			use.Crops = append(use.Crops, lot.BotanicalName)
		}
	}
	return use
}

// treatedBy returns the lots that a treatment goes on: those that stand in its
// house, and those that stand in no house treated. The books have them elsewhere,
// but they are on the record as treated, with what nobody knows. A treatment of a
// house that none of them stands in is for all of them.
func (a Application) treatedBy(t Treatment) []Lot {
	var lots []Lot
	here := false
	for _, lot := range a.Lots {
		switch {
		case lot.House == t.House:
			here = true
		case a.treats(lot.House):
			continue
		}
		lots = append(lots, lot)
	}
	if !here {
		return a.Lots
	}
	return lots
}

// treats reports whether a house is treated.
func (a Application) treats(house string) bool {
	return slices.ContainsFunc(a.Treatments, func(t Treatment) bool { return t.House == house })
}
