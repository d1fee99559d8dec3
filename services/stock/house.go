package stock

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	stockv1 "velamen/gen/velamen/stock/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// House is one greenhouse, shade house or tunnel.
type House struct {
	// ID is the last part of its name.
	ID string
	// DisplayName is what people call it.
	DisplayName string
	// Area is the floor area, m2 or ha.
	Area quantity.Quantity
	// Volume is the air volume, m3; the zero value when it is not known.
	Volume quantity.Quantity
	// Covering is what covers it.
	Covering stockv1.Covering
	// FanCapacity is the air that the fans move, m3/h; the zero value when there
	// are none.
	FanCapacity quantity.Quantity
	// PassiveVents is true when vents or side walls open.
	PassiveVents bool
	// Adjoining are the ids of the houses that share air with it, in order.
	Adjoining []string
	// SiteNumber is that of the site on use reports, and FacilityNumber what identifies
	// the closed space on records of the EU; empty when not entered.
	SiteNumber, FacilityNumber string
	// LegalLocation is where it lies as the law asks for it; empty when not entered.
	LegalLocation string
	// PlantedArea is the area planted in it, m2, ha, ft2 or acre, not more than Area;
	// the zero value when it is not entered.
	PlantedArea quantity.Quantity
	// Version rises with every change.
	Version int64
	// CreateTime is when it was added, UTC.
	CreateTime time.Time
}

// The most characters of texts of a house, as in the contract.
const (
	maxSiteNumber     = 60
	maxFacilityNumber = 60
	maxLegalLocation  = 200
)

// plantedUnits are the units of the area planted in a house.
var plantedUnits = []quantity.Unit{quantity.SquareMetre, quantity.Hectare, quantity.SquareFoot, quantity.Acre}

// checkPlanted refuses more area planted in a house than it has.
func (h House) checkPlanted() error {
	if h.PlantedArea.IsZero() || h.Area.IsZero() {
		return nil
	}
	if compared, err := h.PlantedArea.Compare(h.Area); err != nil || compared > 0 {
		return fmt.Errorf("must not be more than its area, %s", h.Area)
	}
	return nil
}

// maxAdjoining is how many houses may share air with one, as in the contract.
const maxAdjoining = 50

// Bench is a place for plants in a house.
type Bench struct {
	// House is the house's id.
	House string
	// ID is the last part of its name; another house may have the same.
	ID string
	// DisplayName is what people call it.
	DisplayName string
	// Area in m2.
	Area quantity.Quantity
	// Isolation is true when held lots are kept apart here.
	Isolation bool
	// WaterLine is what the nursery calls the water that it gets; empty when that is
	// not known.
	WaterLine string
	// Neighbours are the benches that people named as standing beside it, in order.
	Neighbours []BenchID
	// Place is where it stands; the zero value when that was not measured.
	Place BenchPlace
	// Version rises with every change.
	Version int64
	// CreateTime is when it was added, UTC.
	CreateTime time.Time
}

// BenchID names a bench: another house may have one with the same id.
type BenchID struct{ House, Bench string }

func (b BenchID) compare(other BenchID) int {
	return cmp.Or(strings.Compare(b.House, other.House), strings.Compare(b.Bench, other.Bench))
}

// BenchPlace is a rectangle on the nursery's plan, its sides along the plan's axes;
// all in m.
type BenchPlace struct {
	// X and Y are where its corner nearest to the plan's origin lies, 0 or more.
	X, Y quantity.Quantity
	// Length and Width are its extents along the two axes, above 0.
	Length, Width quantity.Quantity
}

// Measured is false for a bench whose place is not known.
func (p BenchPlace) Measured() bool { return !p.Length.IsZero() }

// maxNeighbours is how many benches may be named beside one, as in the contract.
const maxNeighbours = 50

// maxWaterLine is how many characters the name of a water line has at most, as in
// the contract.
const maxWaterLine = 60

// benchPair is two benches beside each other, the lesser first, so that a pair is
// one row whichever bench named the other.
type benchPair struct{ a, b BenchID }

func benchPairOf(one, other BenchID) benchPair {
	if other.compare(one) < 0 {
		return benchPair{a: other, b: one}
	}
	return benchPair{a: one, b: other}
}

// place is a house, or a bench in it.
type place struct{ house, bench string }

// adjoiningPair is two houses that share air, the lesser id first, so that a
// pair is one row whichever house named the other.
type adjoiningPair struct{ a, b string }

func pairOf(one, other string) adjoiningPair {
	if other < one {
		return adjoiningPair{a: other, b: one}
	}
	return adjoiningPair{a: one, b: other}
}

// checkIsolation refuses a bench on which a held lot would not be kept apart.
func checkIsolation(lot Lot, bench Bench, benchName string) error {
	if lot.HoldingCase == "" || bench.Isolation {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.BenchNotIsolated, "bench",
		"lot %s is held by %s and %s is not an isolation bench", lot.ID, lot.HoldingCase, benchName).
		With("lot", lot.ID).With("case", lot.HoldingCase).With("bench", benchName)
}
