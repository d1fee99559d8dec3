package mixing

import (
	"errors"
	"math/big"

	"velamen/internal/quantity"
)

// AirExchangeTime returns the time, min, in which fans change the air of a house
// some times: n V / Q exactly. It returns an error unless the volume and the flow
// (a volume per time such as ft3/min) are above zero and there is at least one
// change. The ten changes of 40 CFR 170.405 end one of several conditions for entry
// and never shorten a restricted-entry interval (from memory).
func AirExchangeTime(house, flow quantity.Exact, changes int64) (quantity.Exact, error) {
	inCubicMetres, err := house.In(quantity.CubicMetre)
	if err != nil {
		return quantity.Exact{}, err
	}
	perHour, err := flow.In(quantity.CubicMetrePerH)
	if err != nil {
		return quantity.Exact{}, err
	}
	if house.Sign() <= 0 || flow.Sign() <= 0 || changes < 1 {
		return quantity.Exact{}, errors.New("the house, the flow and the number of air changes must be above zero")
	}
	hours := new(big.Rat).Quo(inCubicMetres.Amount(), perHour.Amount())
	return quantity.ExactOf(hours.Mul(hours, new(big.Rat).SetInt64(changes)), quantity.Hour).In(quantity.Minute)
}
