package sampling

import (
	"math/big"

	"github.com/shopspring/decimal"

	"velamen/internal/fault"
)

// Size is how many plants one inspection must look at.
type Size struct {
	// Plants is the least number of plants to look at, drawn at random; it is the
	// whole population where even that is not enough.
	Plants int64
	// Affected is how many affected plants the prevalence makes.
	Affected int64
	// Attainable is false where one inspection of every plant does not reach the
	// confidence, because it overlooks too many: inspect again.
	Attainable bool
	// Confidence is what looking at Plants reaches, rounded down to 6 places.
	Confidence decimal.Decimal
}

// SampleSize returns the least number of plants out of plants that one clean
// inspection must look at, so that with the prevalence at least one affected
// plant would have been seen with the confidence. All shares are from 0 to 1 with
// at most 6 places. Bad input gives a fault that names the field.
func SampleSize(plants int64, confidence, prevalence, sensitivity decimal.Decimal) (Size, error) {
	if err := checkConfidence(confidence); err != nil {
		return Size{}, err
	}
	affected, err := AffectedPlants(plants, prevalence)
	if err != nil {
		return Size{}, err
	}
	if err := checkSensitivity("sensitivity", sensitivity); err != nil {
		return Size{}, err
	}
	allowed := complement(confidence)
	look := Look{Plants: plants, Sensitivity: sensitivity}
	size := Size{Affected: affected}
	size.Plants, size.Attainable = smallest(1, plants, func(n int64) bool {
		look.Sampled = n
		return missed([]Look{look}, affected).atMost(allowed)
	})
	if !size.Attainable {
		size.Plants = plants
	}
	look.Sampled = size.Plants
	size.Confidence = confidenceOf(missed([]Look{look}, affected))
	return size, nil
}

// SampleSizeLarge returns the least number of plants that one clean inspection
// must look at in a population that is large against the sample (binomial).
func SampleSizeLarge(confidence, prevalence, sensitivity decimal.Decimal) (int64, error) {
	if err := checkConfidence(confidence); err != nil {
		return 0, err
	}
	if err := checkPrevalence(prevalence); err != nil {
		return 0, err
	}
	if err := checkSensitivity("sensitivity", sensitivity); err != nil {
		return 0, err
	}
	seen, allowed := prevalence.Mul(sensitivity).Rat(), complement(confidence)
	// The least prevalence and sensitivity need 14 / (1e-6 * 1e-2) plants.
	const most = 10_000_000_000
	n, _ := smallest(1, most, func(n int64) bool { return missedLarge(seen, n).atMost(allowed) })
	return n, nil
}

// Ruling is what clean inspections rule out at a confidence.
type Ruling struct {
	// Possible is false where nothing is ruled out, not even that every plant is
	// affected: too few plants were looked at.
	Possible bool
	// Affected is the least number of affected plants that is ruled out; one less
	// may be there. It is zero for a large population.
	Affected int64
	// Plants is the number of plants that Affected is out of; zero for a large
	// population.
	Plants int64
	// Prevalence is the share that is ruled out, with all larger ones, rounded up
	// to 6 places.
	Prevalence decimal.Decimal
}

// RuledOut returns the least number of affected plants that clean looks at the
// same lots rule out at the confidence. The number is out of the fewest plants
// that the lots had at any look: plants that left since only add to what was
// there to be seen.
func RuledOut(confidence decimal.Decimal, looks ...Look) (Ruling, error) {
	if err := checkConfidence(confidence); err != nil {
		return Ruling{}, err
	}
	plants, err := checkLooks(looks)
	if err != nil {
		return Ruling{}, err
	}
	return ruledOut(complement(confidence), plants, looks), nil
}

func ruledOut(allowed *big.Rat, plants int64, looks []Look) Ruling {
	affected, possible := smallest(1, plants, func(d int64) bool {
		return missed(looks, d).atMost(allowed)
	})
	if !possible {
		return Ruling{Plants: plants}
	}
	return Ruling{Possible: true, Affected: affected, Plants: plants, Prevalence: shareOf(affected, plants)}
}

// RuledOutLarge returns the least prevalence, in steps of a millionth, that n
// clean plants of a population that is large against n rule out.
func RuledOutLarge(n int64, confidence, sensitivity decimal.Decimal) (Ruling, error) {
	if err := checkPlants("sampled", n); err != nil {
		return Ruling{}, err
	}
	if err := checkConfidence(confidence); err != nil {
		return Ruling{}, err
	}
	if err := checkSensitivity("sensitivity", sensitivity); err != nil {
		return Ruling{}, err
	}
	allowed := complement(confidence)
	millionths, possible := smallest(1, 1_000_000, func(m int64) bool {
		seen := decimal.New(m, -SharePlaces).Mul(sensitivity).Rat()
		return missedLarge(seen, n).atMost(allowed)
	})
	if !possible {
		return Ruling{}, nil
	}
	return Ruling{Possible: true, Prevalence: decimal.New(millionths, -SharePlaces)}, nil
}

// ConfidenceReached returns the probability that clean looks at the same lots
// would have seen at least one of so many affected plants, rounded down to 6
// places: 1 means certainty, everything short of it is at most 0.999999.
func ConfidenceReached(affected int64, looks ...Look) (decimal.Decimal, error) {
	plants, err := checkLooks(looks)
	if err != nil {
		return decimal.Decimal{}, err
	}
	if err := checkCount("affected", 1, plants, affected); err != nil {
		return decimal.Decimal{}, err
	}
	return confidenceOf(missed(looks, affected)), nil
}

// confidenceOf returns 1 less a probability, rounded down to 6 places.
func confidenceOf(miss probability) decimal.Decimal {
	for _, bits := range []uint{fewBits, manyBits} {
		b := miss.within(bits)
		if b.isZero() {
			return unity
		}
		if negligible(b) {
			return unity.Sub(decimal.New(1, -SharePlaces))
		}
		high, _ := b.high.Rat(nil)
		low, _ := b.low.Rat(nil)
		if least := restDown(high); least.Equal(restDown(low)) {
			return least
		}
	}
	return restDown(miss.exactly())
}

// restDown returns 1 less a share, rounded down to 6 places and never negative.
func restDown(share *big.Rat) decimal.Decimal {
	rest := new(big.Rat).Sub(big.NewRat(1, 1), share)
	if rest.Sign() <= 0 {
		return decimal.Decimal{}
	}
	millionths := new(big.Int).Mul(rest.Num(), big.NewInt(1_000_000))
	return decimal.NewFromBigInt(millionths.Quo(millionths, rest.Denom()), -SharePlaces)
}

// CombinedSensitivity returns the share of affected plants that at least one of
// several inspections sees, when each looks at every plant: 1 less the product of
// what each overlooks, exactly. It assumes that a plant overlooked once is no more
// likely to be overlooked again, which holds for plants with signs at every
// inspection and eyes that are fresh each time, and not for latent ones.
func CombinedSensitivity(sensitivities ...decimal.Decimal) (decimal.Decimal, error) {
	if len(sensitivities) == 0 {
		return decimal.Decimal{}, fault.Field("sensitivities", "must hold at least one")
	}
	overlooked := unity
	for _, sensitivity := range sensitivities {
		if err := checkSensitivity("sensitivities", sensitivity); err != nil {
			return decimal.Decimal{}, err
		}
		overlooked = overlooked.Mul(unity.Sub(sensitivity))
	}
	return unity.Sub(overlooked), nil
}
