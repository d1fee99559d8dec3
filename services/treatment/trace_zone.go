package treatment

import (
	"context"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/postgres"
	"velamen/services/diagnosis"
	"velamen/services/stock"
	"velamen/services/stock/tracing"
)

// zoning is where the infected lots of an outbreak stand, and the zones of a law
// around them.
type zoning struct {
	// law is false where the law names no pest here for the disorder.
	law   bool
	pest  diagnosis.RegulatedPest
	zones tracing.Zones
	// infected are the benches on which infected plants were found or stand.
	infected []tracing.BenchID
	benches  map[tracing.BenchID]stock.Bench
	// unmeasured is true when the place of one of them is not known.
	unmeasured bool
}

// zoningOf returns the zones of the regulated pest with the widest ones among those
// that the law names here for the disorder on the infected plants.
func (k *traceFacts) zoningOf(o spread, infected []stock.Lot) *zoning {
	found := &zoning{infected: k.benchesOf(o.infected, o.onset), benches: k.benches}
	for _, lot := range infected {
		for _, pest := range diagnosis.RegulatedPestsFor(o.disorder.ID, lot.BotanicalName, k.nursery.Jurisdiction) {
			zones := zonesOf(pest)
			if !found.law || zones.Reach().GreaterThan(found.zones.Reach()) {
				found.law, found.pest, found.zones = true, pest, zones
			}
		}
	}
	found.unmeasured = slices.ContainsFunc(found.infected, func(id tracing.BenchID) bool { return !k.benches[id].Place.Measured() })
	return found
}

func zonesOf(pest diagnosis.RegulatedPest) tracing.Zones {
	zones := tracing.Zones{Destroy: pest.DestroyWithin.Amount, Hold: pest.HoldWithin.Amount, Around: tracing.InfectedPlants}
	if pest.AroundBlock {
		zones.Around = tracing.DestructionBlock
	}
	return zones
}

// sets reports whether the law sets zones at all.
func (z *zoning) sets() bool { return z.law && z.zones.Reach().Add(z.zones.Destroy).IsPositive() }

// distance returns the least distance of a lot's bench from an infected one. Between
// benches it is at most that between their plants.
func (z *zoning) distance(lot stock.Lot) (least tracing.Distance, measured bool) {
	at := tracing.BenchID{House: lot.House, Bench: lot.Bench}
	if slices.Contains(z.infected, at) {
		return tracing.Metres(decimal.Zero), true
	}
	if !z.benches[at].Place.Measured() {
		return least, false
	}
	for _, id := range z.infected {
		if !z.benches[id].Place.Measured() {
			continue
		}
		between := tracing.Between(*rectangleOf(z.benches[id].Place), *rectangleOf(z.benches[at].Place))
		if !measured || between.Compare(least) < 0 {
			least, measured = between, true
		}
	}
	return least, measured
}

// of returns the zone of a lot. Where an infected bench is not measured, one that is
// free by the others may lie near that one.
func (z *zoning) of(lot stock.Lot) treatmentv1.Zone {
	if !z.sets() {
		return treatmentv1.Zone_ZONE_UNSPECIFIED
	}
	if !z.pest.On(lot.BotanicalName) {
		return treatmentv1.Zone_ZONE_FREE
	}
	apart, measured := z.distance(lot)
	if !measured {
		return treatmentv1.Zone_ZONE_NOT_MEASURED
	}
	switch z.zones.Of(apart) {
	case tracing.DestroyZone:
		return treatmentv1.Zone_ZONE_DESTROY
	case tracing.HoldZone:
		return treatmentv1.Zone_ZONE_HOLD
	default:
		if z.unmeasured {
			return treatmentv1.Zone_ZONE_NOT_MEASURED
		}
		return treatmentv1.Zone_ZONE_FREE
	}
}

// holdUntil returns the earliest day on which the official hold can end, or why none
// can be said.
func (k *traceFacts) holdUntil(ctx context.Context, r postgres.Reader, o spread, z *zoning) (day, missing string, err error) {
	if !z.law || z.pest.HoldDays == 0 {
		return "", "", nil
	}
	begin := o.survey
	if !z.pest.FromSurvey {
		if begin, err = holdStart(ctx, r, o, k.nursery.ID); err != nil {
			return "", "", err
		}
	}
	switch {
	case !begin.IsZero():
		year, month, date := begin.In(k.nursery.Zone).Date()
		release := tracing.EarliestRelease(time.Date(year, month, date, 0, 0, 0, 0, time.UTC), z.pest.HoldMonths, z.pest.HoldDays)
		return release.Format(time.DateOnly), "", nil
	case z.pest.FromSurvey:
		return "", "The hold counts from the end of the delimitation survey: give its time to learn the earliest day on which the hold can end.", nil
	default:
		return "", "No official hold of the infected lots is on record, so the earliest day on which one can end is not known.", nil
	}
}

// holdStart returns when the last of the official holds of infected lots began that
// stand for the disorder; the zero time when there is none.
func holdStart(ctx context.Context, r postgres.Reader, o spread, nursery string) (time.Time, error) {
	restrictions, err := stock.ReadRestrictions(ctx, r, nursery, o.infected)
	if err != nil {
		return time.Time{}, err
	}
	var begin time.Time
	for _, held := range restrictions {
		if held.Disorder == o.disorder.ID && held.End.IsZero() {
			begin = later(begin, held.Start)
		}
	}
	return begin, nil
}
