package mixing

import (
	"errors"
	"math/big"

	"velamen/internal/quantity"
)

// Rinsing of a tank where no label says more (common practice, no source).
const (
	rinses     = 3
	rinseShare = 10 // % of the tank, each time
)

// ResidueShare returns the share of the mix left in a tank that is still there
// after rinsing it some times: (r/(r+v))^n exactly, where r is the residue that the
// pump cannot draw and v the water of each rinse. It assumes that each rinse mixes
// with the residue completely and is pumped out. It returns an error for volumes
// that are not above zero and for fewer than 0 rinses.
func ResidueShare(residue, rinse quantity.Exact, count int) (*big.Rat, error) {
	if residue.Sign() <= 0 || rinse.Sign() <= 0 || count < 0 {
		return nil, errors.New("a residue and a rinse must be above zero")
	}
	both, err := residue.Add(rinse)
	if err != nil {
		return nil, err
	}
	once, err := residue.Over(both)
	if err != nil {
		return nil, err
	}
	exponent := big.NewInt(int64(count))
	return new(big.Rat).SetFrac(
		new(big.Int).Exp(once.Num(), exponent, nil),
		new(big.Int).Exp(once.Denom(), exponent, nil),
	), nil
}
