package stock

import (
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
	// Version rises with every change.
	Version int64
	// CreateTime is when it was added, UTC.
	CreateTime time.Time
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
	// Version rises with every change.
	Version int64
	// CreateTime is when it was added, UTC.
	CreateTime time.Time
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
