package stock

import (
	"strconv"
	"strings"
	"time"

	"velamen/internal/fault"
)

// Lot is plants of one taxon, size and stage on one bench.
type Lot struct {
	// ID is the last part of its name.
	ID string
	// BotanicalName is the accepted name of the taxon.
	BotanicalName string
	// EPPOCode of the taxon, empty when not known.
	EPPOCode string
	// Cultivar or clone, may be empty.
	Cultivar string
	// Container is the size as the nursery writes it, may be empty.
	Container string
	// GrowthStage is the BBCH stage, two or three digits, may be empty.
	GrowthStage string
	// UnitValue is what one plant is worth.
	UnitValue Money
	// House and Bench are the ids of where it stands.
	House, Bench string
	// Origin says how its plants came into the nursery. Plants split off keep it.
	Origin Origin
	// Plants on hand.
	Plants int64
	// HoldingCase is the name of the case that holds it apart, empty when free.
	HoldingCase string
	// OfficialHolds are the names of the duties under which an authority holds it, in
	// order.
	OfficialHolds []string
	// Version rises with every change.
	Version int64
	// CreateTime is when it was entered, UTC.
	CreateTime time.Time
}

// Money is an exact amount of a currency; the zero value is none.
type Money struct {
	// Amount is a plain decimal with at most 4 places.
	Amount string
	// Currency is the ISO 4217 code.
	Currency string
}

// Origin is how a lot's plants came into the nursery: the kind of the event with
// which it began.
type Origin string

// The origins.
const (
	Started  Origin = "STARTED"
	Received Origin = "RECEIVED"
)

// checkPlants refuses to take more plants out of a lot than it has.
func checkPlants(lot Lot, asked int64) error {
	if asked <= lot.Plants {
		return nil
	}
	return fault.FieldReason(fault.Precondition, fault.PlantsInsufficient, "plants",
		"lot %s has %d plants on hand, %d were asked for", lot.ID, lot.Plants, asked).
		With("lot", lot.ID).
		With("on_hand", strconv.FormatInt(lot.Plants, 10)).
		With("asked", strconv.FormatInt(asked, 10))
}

// checkFree refuses a lot that a case holds.
func checkFree(lot Lot) error {
	if lot.HoldingCase == "" {
		return nil
	}
	return fault.New(fault.Precondition, fault.LotHeld, "lot %s is held by %s", lot.ID, lot.HoldingCase).
		With("lot", lot.ID).With("case", lot.HoldingCase)
}

// checkOfficiallyFree refuses what an authority's hold forbids: the plants of the
// lot stay what and where they are, to be found by who inspects them.
func checkOfficiallyFree(lot Lot) error {
	if len(lot.OfficialHolds) == 0 {
		return nil
	}
	duties := strings.Join(lot.OfficialHolds, ", ")
	return fault.New(fault.Precondition, fault.LotOfficiallyHeld,
		"lot %s is held by an authority (%s): until that ends it is not moved, split, joined or sold", lot.ID, duties).
		With("lot", lot.ID).With("duties", duties)
}

// checkUnheld refuses a lot that a case or an authority holds.
func checkUnheld(lot Lot) error {
	if err := checkOfficiallyFree(lot); err != nil {
		return err
	}
	return checkFree(lot)
}

// checkNotEmpty refuses a lot without plants.
func checkNotEmpty(lot Lot) error {
	if lot.Plants > 0 {
		return nil
	}
	return fault.New(fault.Precondition, fault.LotEmpty, "lot %s has no plants left", lot.ID).With("lot", lot.ID)
}

// checkJoinable refuses to join lots that are not of the same kind.
func checkJoinable(into, source Lot) error {
	for _, trait := range []struct{ name, into, source string }{
		{"botanical_name", into.BotanicalName, source.BotanicalName},
		{"cultivar", into.Cultivar, source.Cultivar},
		{"container", into.Container, source.Container},
		{"growth_stage_bbch", into.GrowthStage, source.GrowthStage},
	} {
		if trait.into == trait.source {
			continue
		}
		return fault.New(fault.Precondition, fault.LotsDiffer, "lots %s and %s differ in %s: %q and %q",
			into.ID, source.ID, trait.name, trait.into, trait.source).
			With("lot", into.ID).With("source", source.ID).With("differ_in", trait.name).
			With("lot_has", trait.into).With("source_has", trait.source)
	}
	return nil
}
