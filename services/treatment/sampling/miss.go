package sampling

import (
	"fmt"
	"math/big"

	"github.com/shopspring/decimal"

	"velamen/internal/fault"
)

// Look is one clean inspection of lots: plants drawn at random, or all of them,
// and no affected one seen.
type Look struct {
	// Plants is how many plants the lots had.
	Plants int64
	// Sampled is how many of them were looked at.
	Sampled int64
	// Sensitivity is the share of the affected plants looked at that are seen, from
	// 0.01 to 1.
	Sensitivity decimal.Decimal
}

func (l Look) check(field string) error {
	if err := checkPlants(field+"plants", l.Plants); err != nil {
		return err
	}
	if err := checkCount(field+"sampled", 1, l.Plants, l.Sampled); err != nil {
		return err
	}
	return checkSensitivity(field+"sensitivity", l.Sensitivity)
}

// checkLooks checks looks and returns the fewest plants that the lots had at any
// of them.
func checkLooks(looks []Look) (int64, error) {
	if len(looks) == 0 {
		return 0, fault.Field("looks", "must hold at least one inspection")
	}
	fewest := int64(MaxPlants)
	for i, look := range looks {
		if err := look.check(fmt.Sprintf("looks[%d].", i)); err != nil {
			return 0, err
		}
		fewest = min(fewest, look.Plants)
	}
	return fewest, nil
}

// missed is the probability that all looks together see none of the same
// affected plants: the product of the looks' own probabilities.
func missed(looks []Look, affected int64) probability {
	return probability{
		within: func(bits uint) *bounds {
			all := one(bits)
			for _, look := range looks {
				all.mul(look.missWithin(bits, affected))
			}
			return all
		},
		exactly: func() *big.Rat {
			all := big.NewRat(1, 1)
			for _, look := range looks {
				all.Mul(all, look.missExactly(affected))
			}
			return all
		},
	}
}

// fewestInSample is the least number of affected plants that a sample must hold.
func (l Look) fewestInSample(affected int64) int64 {
	return max(0, l.Sampled-(l.Plants-affected))
}

// missWithin bounds the probability that the look sees none of the affected.
func (l Look) missWithin(bits uint, affected int64) *bounds {
	overlooked := complement(l.Sensitivity)
	fewest := l.fewestInSample(affected)
	if overlooked.Sign() == 0 && fewest > 0 {
		return newBounds(bits, overlooked)
	}
	if ceiling := l.ceiling(bits, affected); negligible(ceiling) {
		ceiling.low.SetInt64(0)
		return ceiling
	}
	term := power(bits, overlooked, fewest)
	l.scaleByFewest(term, affected)
	return l.sumFrom(term, overlooked, affected)
}

// ceiling bounds the probability by sampling with replacement (Hoeffding 1963).
func (l Look) ceiling(bits uint, affected int64) *bounds {
	base, exponent := affected, l.Sampled
	if l.Sampled > affected {
		base, exponent = l.Sampled, affected
	}
	seen := new(big.Rat).Mul(l.Sensitivity.Rat(), big.NewRat(base, l.Plants))
	return power(bits, seen.Sub(big.NewRat(1, 1), seen), exponent)
}

// negligible reports whether a number is below 2^-64, far below any share.
func negligible(b *bounds) bool { return b.isZero() || b.high.MantExp(nil) < -64 }

// scaleByFewest multiplies by the probability that the sample holds the fewest
// affected plants that it can.
func (l Look) scaleByFewest(b *bounds, affected int64) {
	more, less := max(l.Sampled, affected), min(l.Sampled, affected)
	if more+less <= l.Plants {
		b.fallingRatio(l.Plants-more, l.Plants, less)
		return
	}
	b.fallingRatio(less, l.Plants, l.Plants-more)
}

// sumFrom adds up the terms from the one of the fewest affected plants.
func (l Look) sumFrom(term *bounds, overlooked *big.Rat, affected int64) *bounds {
	sum := newBounds(term.bits(), new(big.Rat))
	sum.add(term)
	factor := newBounds(term.bits(), overlooked)
	for k := l.fewestInSample(affected); k < min(l.Sampled, affected); k++ {
		num, den := l.step(affected, k)
		if sum.addTail(term, num, den) {
			break
		}
		term.scale(num, den)
		term.mul(factor)
		sum.add(term)
	}
	return sum
}

// step is the ratio of the probability of k+1 affected plants in the sample to
// that of k.
func (l Look) step(affected, k int64) (num, den int64) {
	return (affected - k) * (l.Sampled - k), (k + 1) * (l.Plants - affected - l.Sampled + k + 1)
}

// missExactly is the same probability in exact integers.
func (l Look) missExactly(affected int64) *big.Rat {
	overlooked := complement(l.Sensitivity)
	fewest := l.fewestInSample(affected)
	ways := new(big.Int).Binomial(affected, fewest)
	ways.Mul(ways, new(big.Int).Binomial(l.Plants-affected, l.Sampled-fewest))
	// The sum of ways * a^k * b^(most-k), for overlooked = a/b.
	a, b := overlooked.Num(), overlooked.Denom()
	aPower := new(big.Int).Exp(a, big.NewInt(fewest), nil)
	sum, term := new(big.Int).Mul(ways, aPower), new(big.Int)
	most := min(l.Sampled, affected)
	for k := fewest; k < most; k++ {
		num, den := l.step(affected, k)
		ways.Mul(ways, big.NewInt(num)).Quo(ways, big.NewInt(den))
		aPower.Mul(aPower, a)
		sum.Mul(sum, b).Add(sum, term.Mul(ways, aPower))
	}
	whole := new(big.Int).Binomial(l.Plants, l.Sampled)
	whole.Mul(whole, new(big.Int).Exp(b, big.NewInt(most), nil))
	return new(big.Rat).SetFrac(sum, whole)
}

// missedLarge is the probability that n plants of a population that is large
// against n show nothing, where each shows something with the share seen.
func missedLarge(seen *big.Rat, n int64) probability {
	clean := new(big.Rat).Sub(big.NewRat(1, 1), seen)
	return probability{
		within: func(bits uint) *bounds { return power(bits, clean, n) },
		exactly: func() *big.Rat {
			exponent := big.NewInt(n)
			return new(big.Rat).SetFrac(
				new(big.Int).Exp(clean.Num(), exponent, nil),
				new(big.Int).Exp(clean.Denom(), exponent, nil))
		},
	}
}
