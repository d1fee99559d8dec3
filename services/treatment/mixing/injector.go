package mixing

import (
	"errors"
	"math/big"

	"velamen/internal/quantity"
)

// Injector draws one volume of stock solution into some volumes of water.
type Injector struct {
	// PartsWater to one part of stock solution, the n of 1:n.
	PartsWater int64
}

// Stock is how strong a stock solution must be.
type Stock struct {
	// Rate makes the final mix exactly as strong as asked for: the final rate times
	// n + 1, since one part in n + 1 is stock.
	Rate quantity.Exact
	// AsWritten is the final rate times n, as extension leaflets give it.
	AsWritten quantity.Exact
	// Shortfall is how much weaker the final mix is with AsWritten, in %:
	// 100/(n + 1).
	Shortfall *big.Rat
}

// Stock returns how strong the stock solution must be for a rate in the final
// mix. It returns an error for a ratio below 1:1.
func (i Injector) Stock(final quantity.Exact) (Stock, error) {
	if i.PartsWater < 1 {
		return Stock{}, errors.New("an injector draws 1 part of stock solution into at least 1 part of water")
	}
	parts := new(big.Rat).SetInt64(i.PartsWater)
	all := new(big.Rat).SetInt64(i.PartsWater + 1)
	return Stock{
		Rate:      final.Times(all),
		AsWritten: final.Times(parts),
		Shortfall: new(big.Rat).Quo(big.NewRat(100, 1), all),
	}, nil
}
