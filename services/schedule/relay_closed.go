package schedule

import (
	"context"
	"fmt"
	"slices"

	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
	"velamen/services/treatment"
)

// applied tells the planner of an application by which people would be sent into a
// house that is closed, and of every one outside of the steps of programs: nobody was
// told of it, and the rules count it.
func (r relay) applied(ctx context.Context, nursery string, applied treatment.ApplicationConfirmed) error {
	reason, err := r.closedReason(ctx, nursery, applied)
	if err != nil || reason == "" {
		return err
	}
	return r.changed(ctx, nursery, ConditionsChanged{Reason: reason, At: r.db.Now()})
}

// closedReason says what an application changes for those who were told to work, empty
// when nothing. What is closed and until when is read as a plan reads it.
func (r relay) closedReason(ctx context.Context, nursery string, applied treatment.ApplicationConfirmed) (string, error) {
	if applied.Breach != "" {
		return "something was applied outside of the steps of programs", nil
	}
	return r.closedToTold(ctx, nursery, productsOf(applied))
}

// closuresChanged tells the planner of airings, measured air and signs by which people
// would be sent into a house that is closed longer than it was. That a house opens sooner
// makes no plan wrong.
func (r relay) closuresChanged(ctx context.Context, nursery string) error {
	reason, err := r.closedToTold(ctx, nursery, nil)
	if err != nil || reason == "" {
		return err
	}
	return r.changed(ctx, nursery, ConditionsChanged{Reason: reason, At: r.db.Now()})
}

// closedToTold names a house in which people were told to work while it is closed, as
// things stand now; empty when there is none. Work with one of some products (names) is
// left: it may share a closure with them.
func (r relay) closedToTold(ctx context.Context, nursery string, products []string) (string, error) {
	told, err := readTold(ctx, r.db, nursery)
	if err != nil || len(told) == 0 {
		return "", err
	}
	in := Input{Now: r.db.Now(), From: r.db.Now(), Until: r.db.Now(), Told: told}
	if in.Nursery, err = identity.ReadNursery(ctx, r.db, nursery); err != nil {
		return "", err
	}
	if err := in.readHouses(ctx, r.db); err != nil {
		return "", err
	}
	lots, err := stock.ReadStocked(ctx, r.db, nursery)
	if err != nil {
		return "", err
	}
	return in.sentIntoClosed(products, lots), nil
}

func productsOf(applied treatment.ApplicationConfirmed) []string {
	var names []string
	for _, house := range applied.Houses {
		for _, product := range house.Products {
			names = append(names, product.Product)
		}
	}
	return names
}

// sentIntoClosed names a house in which people were told to work while it is closed;
// empty when there is none. Work that has begun is left, and so is work with one of
// some products (names), which may share a closure with them.
func (in *Input) sentIntoClosed(products []string, lots []stock.Lot) string {
	for _, told := range in.Told {
		if told.begins().Before(in.From) || slices.Contains(products, told.As.GetProduct()) {
			continue
		}
		for i := range in.Houses {
			house := &in.Houses[i]
			if slices.Contains(told.As.GetHouses(), resource.Of("nurseries", in.Nursery.ID, "houses", house.ID)) && in.closedTo(told, house, lots) {
				return fmt.Sprintf("%s is closed at a time at which people were told to work in it", house.DisplayName)
			}
		}
	}
	return ""
}

// closedTo reports whether a house, or the bench of one of the lots of a job, is closed
// while the job is to be done.
func (in *Input) closedTo(told Told, house *HousePlace, lots []stock.Lot) bool {
	return slices.ContainsFunc(house.Closed, func(closure Closure) bool {
		if !told.Start.Before(closure.End) || !closure.Start.Before(told.End) {
			return false
		}
		return closure.Bench == "" || slices.ContainsFunc(lots, func(lot stock.Lot) bool {
			return lot.House == house.ID && lot.Bench == closure.Bench && slices.Contains(told.As.GetLots(), resource.Of("nurseries", in.Nursery.ID, "lots", lot.ID))
		})
	})
}
