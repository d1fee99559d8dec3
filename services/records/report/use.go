package report

import (
	"time"

	"velamen/internal/quantity"
)

// Caution stands on every report.
const Caution = "The product label and local law decide on dose, protective equipment and re-entry. Ask a licensed adviser first. " +
	"This report holds what was recorded; what it marks MISSING or DOUBTFUL must be put right before it is handed in."

// Answer is what is known about a question of yes or no. The zero value is that
// nothing is known, and then a report asks for the fact.
type Answer int

// The answers.
const (
	Unknown Answer = iota
	No
	Yes
)

// Nursery holds the facts of the nursery that a report carries in its head.
type Nursery struct {
	// Name is the resource name, for example nurseries/vanda.
	Name        string
	DisplayName string
	Address     string
	// OperatorID is the number that the authority gave the operator of the property,
	// in California the county (3 CCR 6622).
	OperatorID string
	County     string
	// Jurisdiction is a code of internal/jurisdiction, for example US-CA.
	Jurisdiction string
	// Zone decides the local day of a use; nil is refused.
	Zone *time.Location
}

// Use is one product of one application in one house. Empty facts are facts that
// nobody gave.
type Use struct {
	// Entry, Application, House and Product are resource names. Entry names the use in
	// a report.
	Entry       string
	Application string
	House       string
	Product     string
	HouseName   string

	Start, End time.Time

	// Place describes the treated area in words; LegalLocation is the county, section,
	// township, range, base and meridian or another description that a law accepts.
	Place         string
	LegalLocation string
	// SiteID is the number of the site (3 CCR 6623), FacilityID that of the closed
	// space.
	SiteID     string
	FacilityID string
	// Setting is the type of use, in the words of the law.
	Setting string
	Method  string
	// Treated and Planted are an area, a volume of space, or plants.
	Treated   quantity.Quantity
	Planted   quantity.Quantity
	Plants    quantity.Quantity
	MixVolume quantity.Quantity

	ProductName        string
	RegistrationNumber string
	RestrictedUse      bool
	Actives            []Active
	// Amount is that of the product, undiluted.
	Amount quantity.Quantity
	// RestrictedEntryInterval is the longest of the mix.
	RestrictedEntryInterval quantity.Quantity
	// SafetyDataSheet names the sheet that is kept with the record.
	SafetyDataSheet string

	Applicator Person
	Supervisor Person
	// ForHire says whether somebody else's business did the work for the grower;
	// Customer is then the name and address of who it was done for.
	ForHire  Answer
	Customer string

	Crops []Crop
	// BBCH is the growth stage. TimeLimited and StageLimited say whether the
	// authorisation limits the time of day and the stage of the use.
	BBCH         string
	TimeLimited  Answer
	StageLimited Answer
	Target       string

	Breach      string
	BreachRules []string
	Overrides   []Override
	// Corrects and CorrectedBy are entries; a use that another corrects is in no
	// report.
	Corrects       string
	CorrectedBy    string
	CorrectionNote string
	// Later are the facts, and the conditions that are answered, that the record of the
	// day lacks and that are taken from what is entered now, for example site-id.
	Later []string
}

// Active is an active ingredient of a use.
type Active struct {
	Name string
	FRAC string
	// Content is what the product holds, Amount what was applied, in g.
	Content quantity.Quantity
	Amount  quantity.Quantity
}

// Person is somebody who applied or supervised.
type Person struct {
	// Resource is the resource name, for example nurseries/vanda/people/wandile.
	Resource string
	Name     string
	// Certificate is the number of the applicator's certificate or licence; empty is
	// that none is on record.
	Certificate string
}

// Crop is what was treated.
type Crop struct {
	Name string
	// EPPO is the EPPO code.
	EPPO string
	// Lot is the resource name of a lot of it on which a missing code can be entered;
	// empty where none is left.
	Lot string
}

// Override is a rule that refused the application and that a person went against.
type Override struct {
	Rule, Person, Note string
}
