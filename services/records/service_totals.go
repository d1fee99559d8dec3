package records

import (
	"cmp"
	"context"
	"fmt"
	"math/big"

	"github.com/jackc/pgx/v5"

	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/records/report"
	"velamen/services/stock"
)

// GetUseTotals adds up each active ingredient that was applied on some days, as the totals
// of a use report do, and never holds more than the sums.
func (s *Service) GetUseTotals(ctx context.Context, request *recordsv1.GetUseTotalsRequest) (*recordsv1.GetUseTotalsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	if request.GetHouse() != "" {
		if _, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses"); err != nil {
			return nil, err
		}
	}
	var response *recordsv1.GetUseTotalsResponse
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) (err error) {
		response, err = totalsOf(ctx, tx, ids[0], request)
		return err
	})
	return response, err
}

func totalsOf(ctx context.Context, tx pgx.Tx, id string, request *recordsv1.GetUseTotalsRequest) (*recordsv1.GetUseTotalsResponse, error) {
	nursery, err := identity.ReadNursery(ctx, tx, id)
	if err != nil {
		return nil, err
	}
	days, err := readPeriod("", &recordsv1.GetUseRecordRequest{FromDate: request.GetFromDate(), ToDate: request.GetToDate()}, nursery.Zone)
	if err != nil {
		return nil, err
	}
	houses, err := stock.ReadHouses(ctx, tx, id)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	for _, house := range houses {
		names[resource.Of("nurseries", id, "houses", house.ID)] = house.DisplayName
	}
	if _, found := names[request.GetHouse()]; request.GetHouse() != "" && !found {
		return nil, fault.Missing("house", request.GetHouse())
	}
	response := &recordsv1.GetUseTotalsResponse{Caution: report.Caution, TimeZone: nursery.Zone.String()}
	err = useTotals(ctx, tx, id, request.GetHouse(), report.Missing, days.begin, days.end, func(total useTotal) {
		message := total.contract()
		switch {
		case total.house != nil:
			message.HouseDisplayName = cmp.Or(total.houseName, names[*total.house], *total.house)
			response.ByHouse = append(response.ByHouse, message)
			response.Gaps = append(response.Gaps, total.gaps(id, message)...)
		case total.active != nil:
			response.ByActive = append(response.ByActive, message)
		default:
			response.ByGroup = append(response.ByGroup, message)
		}
	})
	return response, err
}

// contract returns the total as the contract carries it, each number rounded once.
func (u useTotal) contract() *recordsv1.UseTotal {
	message := &recordsv1.UseTotal{
		FracCode: u.code, Amount: quantity.ExactOf(u.grams, quantity.Gram).Round().Contract(), MissingAmounts: u.amountsMissing,
		Applications: u.applications,
	}
	if u.active == nil {
		return message
	}
	message.ActiveIngredient, message.MissingAreas = *u.active, u.areasMissing
	if u.house != nil {
		message.House = *u.house
	}
	if u.areasMissing > 0 || u.squareMetres.Sign() == 0 {
		return message
	}
	hectares := new(big.Rat).Quo(u.squareMetres, squareMetresPerHectare)
	message.Area = quantity.ExactOf(hectares, quantity.Hectare).Round().Contract()
	message.PerHectare = quantity.ExactOf(new(big.Rat).Quo(u.grams, hectares), "g/ha").Round().Contract()
	return message
}

// squareMetresPerHectare is never changed.
var squareMetresPerHectare = big.NewRat(10_000, 1)

// gaps names what a total by house lacks, with the first entry that lacks it.
func (u useTotal) gaps(nursery string, message *recordsv1.UseTotal) []string {
	var gaps []string
	of := fmt.Sprintf("%s of FRAC group %s in %s", message.GetActiveIngredient(), u.code, message.GetHouseDisplayName())
	if u.amountsMissing > 0 {
		gaps = append(gaps, fmt.Sprintf("%s: amounts that are not known: %d, the first in %s.", of, u.amountsMissing, entryName(nursery, *u.firstAmount)))
	}
	if u.areasMissing > 0 {
		gaps = append(gaps, fmt.Sprintf("%s: applications whose area is not known or contradicts itself: %d, the first in %s.",
			of, u.areasMissing, entryName(nursery, *u.firstArea)))
	}
	return gaps
}
