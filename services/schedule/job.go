package schedule

import (
	"maps"
	"slices"
	"time"

	productsv1 "velamen/gen/velamen/products/v1"
	schedulev1 "velamen/gen/velamen/schedule/v1"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// job makes an open step into a job: where its plants stand, how many there are,
// what can be used, and how urgent it is. lots holds the step's lots by id.
func job(nursery identity.Nursery, step treatment.OpenStep, lots map[string]stock.Lot, sprayers []Sprayer, now time.Time) *schedulev1.Job {
	job := &schedulev1.Job{
		Step:     step.Step,
		Sprayers: fitting(nursery.ID, step.Method, sprayers),
		Urgency:  urgency(step.Step, now, nursery.Zone),
	}
	houses := map[string]bool{}
	for _, id := range step.LotIDs {
		lot := lots[id]
		if lot.Plants == 0 {
			continue
		}
		job.Plants += lot.Plants
		houses[resource.Of("nurseries", nursery.ID, "houses", lot.House)] = true
	}
	job.Houses = slices.Sorted(maps.Keys(houses))
	return job
}

// fitting returns the names of the sprayers that can be used for a method, none
// for a step that applies nothing.
func fitting(nursery string, method productsv1.Method, sprayers []Sprayer) []string {
	if method == productsv1.Method_METHOD_UNSPECIFIED {
		return nil
	}
	var names []string
	for _, sprayer := range sprayers {
		if sprayer.Fits(method) {
			names = append(names, sprayerName(nursery, sprayer.ID))
		}
	}
	return names
}
