package treatment

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment/rules"
)

// TreatedHouse is a house in which something was applied.
type TreatedHouse struct {
	// House and Application are ids: the application whose interval ended last.
	House, Application string
	// Ended is when its interval of restricted entry was over, at the earliest when it
	// ended itself; zero while the interval is not known, for then it does not end.
	Ended time.Time
}

// ReadTreatedHouses returns, by id, the houses in which an application that began before
// a moment ended, or its interval of restricted entry did, on the day so many days
// before another moment or later, in the nursery's zone.
func ReadTreatedHouses(ctx context.Context, r postgres.Reader, nursery identity.Nursery, from, before time.Time) (map[string]TreatedHouse, error) {
	year, month, day := from.In(nursery.Zone).Date()
	since := clock.Midnight(year, month, day-rules.WorkerTrainingDays, nursery.Zone)
	return readTreatedHouses(ctx, r, nursery.ID, since, before)
}

// checkMayWork refuses work in a house that was closed to it, or by somebody who is not
// trained for it.
func checkMayWork(ctx context.Context, tx pgx.Tx, p *program, lots []string, step Step, performer identity.Person, c confirming) error {
	if err := checkOpen(ctx, tx, p, lots, step, performer, c); err != nil {
		return err
	}
	return checkWorkerTraining(ctx, tx, p, lots, step.Kind, performer, c)
}

// checkWorkerTraining refuses work without chemical by somebody who is not trained, in
// a house where pesticide was applied within the days of the law.
func checkWorkerTraining(ctx context.Context, tx pgx.Tx, p *program, lots []string, kind Kind, performer identity.Person, c confirming) error {
	nursery, err := identity.ReadNursery(ctx, tx, p.nursery)
	if err != nil || Applies(kind) || !rules.AsksForTraining(nursery.Jurisdiction) {
		return err
	}
	start, end := c.confirmation.GetStartTime().AsTime(), c.confirmation.GetEndTime().AsTime()
	first, last := start.In(nursery.Zone).Format(time.DateOnly), end.In(nursery.Zone).Format(time.DateOnly)
	if rules.TrainedWorker(performer, first, last) {
		return nil
	}
	treated, err := ReadTreatedHouses(ctx, tx, nursery, start, end)
	if err != nil {
		return err
	}
	houses, err := workedIn(ctx, tx, p.nursery, lots, c)
	if err != nil {
		return err
	}
	for _, house := range houses {
		if in, ok := treated[house]; ok {
			return untrained(c.path+".performer", nursery, performer, in, last)
		}
	}
	return nil
}

// workedIn returns the houses of the lots and of the bench that they were moved to.
func workedIn(ctx context.Context, tx pgx.Tx, nursery string, lots []string, c confirming) ([]string, error) {
	found, err := stock.ReadLots(ctx, tx, nursery, lots)
	if err != nil {
		return nil, err
	}
	var houses []string
	for _, lot := range found {
		houses = append(houses, lot.House)
	}
	if c.confirmation.GetBench() == "" {
		return houses, nil
	}
	ids, err := resource.Parse(c.path+".bench", c.confirmation.GetBench(), "nurseries", "houses", "benches")
	if err != nil {
		return nil, err
	}
	return append(houses, ids[1]), nil
}

// untrained says who may not work where, and since when.
func untrained(field string, nursery identity.Nursery, person identity.Person, house TreatedHouse, day string) error {
	since := "none is on record"
	if ended := max(person.Lapse(identity.WorkerTraining, day), person.Lapse(identity.HandlerTraining, day)); ended != "" {
		since = "the last one counted until " + ended
	}
	applied := "an application whose restricted entry does not end while its interval is not known"
	if !house.Ended.IsZero() {
		applied = "an application or its restricted entry that ended on " + house.Ended.In(nursery.Zone).Format("2 January 2006 15:04")
	}
	return fault.FieldReason(fault.Precondition, fault.PersonUnqualified, field,
		"%s has no worker or handler training that counts on %s (%s), and house %s had %s: for %d days after that only trained people work there (%s)",
		person.DisplayName, day, since, house.House, applied, rules.WorkerTrainingDays, rules.SourceWorkerTraining).
		With("person", person.ID).With("house", house.House).With("application", house.Application)
}
