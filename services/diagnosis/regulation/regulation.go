// Package regulation knows the pests that a law names: in which jurisdiction, on
// which plants, whom to tell and until when, and what becomes of the plants. All of
// it is data, each row with its source; this package reads and checks it and finds
// the rows that bind. Local law and the authority decide.
package regulation

import (
	"slices"
	"time"

	"velamen/internal/jurisdiction"
	"velamen/internal/quantity"
	"velamen/services/diagnosis/knowledge"
)

// Pest is one row: a pest that the law of some jurisdictions names on some hosts.
type Pest struct {
	// ID is its identifier, for example "ramorum-us".
	ID string
	// Disorder is the id of the disorder that it causes.
	Disorder string
	// Names are the scientific names.
	Names []string
	// Genera on which the law names it; none for any plant.
	Genera []string
	// Jurisdictions are the codes of the laws.
	Jurisdictions []string
	// Status is what it is there, for example "federal quarantine pest".
	Status string
	// Authority is whom to tell.
	Authority string
	// NotifyWithin is the time from suspicion until the authority must know; 0 is at
	// once.
	NotifyWithin time.Duration
	// Duty is what the law asks for.
	Duty string
	// DestroyWithin and HoldWithin are metres around an infected plant, inclusive;
	// zero values where the law sets none.
	DestroyWithin, HoldWithin quantity.Quantity
	// RestOfLot is true where the rest of an infected plant's lot is held as well, at
	// any distance.
	RestOfLot bool
	// AroundBlock is true where HoldWithin counts from the edge of what is destroyed,
	// not from the infected plants.
	AroundBlock bool
	// HoldDays is how long the hold lasts at least; 0 where the law sets none.
	HoldDays int
	// HoldMonths is the same where the law counts calendar months, else 0.
	HoldMonths int
	// FromSurvey is true where the hold counts from the end of the delimitation
	// survey, not from its own beginning.
	FromSurvey bool
	// NoMasking forbids treatments that could hide signs during the hold.
	NoMasking bool
	// Source says where it stands, or that it is from memory.
	Source string
}

// On reports whether the law names the pest on a plant, by its botanical name or its
// genus. Of a plant that is not known it is taken to: without a name, or by one that
// the knowledge does not have, it may be a host.
func (p Pest) On(plant string) bool {
	of := knowledge.Shipped().PlantOf(plant)
	return of.Group == "" || len(p.Genera) == 0 || slices.Contains(p.Genera, of.Genus)
}

// BindsIn reports whether the pest's law binds in a jurisdiction, as In says.
func (p Pest) BindsIn(code string) bool { return p.binds(jurisdiction.Laws(code)) }

// binds reports whether the pest's law is one of those of a place.
func (p Pest) binds(laws []string) bool {
	return slices.ContainsFunc(p.Jurisdictions, func(code string) bool { return slices.Contains(laws, code) })
}

// NotifyBy is until when the authority must know of a suspicion.
func (p Pest) NotifyBy(suspected time.Time) time.Time { return suspected.Add(p.NotifyWithin) }

// callTime is how long a call takes to make: where the law says at once, an
// authority that was told within it was told at once. Common practice, no source.
const callTime = time.Hour

// Late reports whether telling the authority at a moment is late for a deadline.
func Late(suspected, notifyBy, told time.Time) bool {
	if notifyBy.Equal(suspected) {
		notifyBy = notifyBy.Add(callTime)
	}
	return told.After(notifyBy)
}

// All returns every row.
func All() []Pest { return slices.Clone(shipped()) }

// ByID returns one row.
func ByID(id string) (Pest, bool) {
	for _, pest := range shipped() {
		if pest.ID == id {
			return pest, true
		}
	}
	return Pest{}, false
}

// In returns the rows that bind in a jurisdiction (an ISO 3166-1 country or an ISO
// 3166-2 subdivision): its own, its country's, and the EU's in a member.
func In(code string) []Pest {
	laws := jurisdiction.Laws(code)
	return matching(func(p Pest) bool { return p.binds(laws) })
}

// For returns the rows that bind in a jurisdiction for a disorder on a plant, as On
// says.
func For(disorder, plant, code string) []Pest {
	laws := jurisdiction.Laws(code)
	return matching(func(p Pest) bool { return p.Disorder == disorder && p.On(plant) && p.binds(laws) })
}

func matching(wanted func(Pest) bool) []Pest {
	var found []Pest
	for _, pest := range shipped() {
		if wanted(pest) {
			found = append(found, pest)
		}
	}
	return found
}
