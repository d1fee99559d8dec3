package sampling

import "math/big"

// Bits of the bounds. The first decides nearly everything.
const (
	fewBits  = 128
	manyBits = 1024
)

// bounds is a number of at least zero that lies between low and high.
type bounds struct {
	low, high big.Float
	operand   big.Float // saves an allocation in each step
}

// newBounds returns the tightest bounds of an exact number at a precision.
func newBounds(bits uint, value *big.Rat) *bounds {
	b := &bounds{}
	b.low.SetPrec(bits).SetMode(big.ToNegativeInf).SetRat(value)
	b.high.SetPrec(bits).SetMode(big.ToPositiveInf).SetRat(value)
	return b
}

// one returns bounds of exactly 1.
func one(bits uint) *bounds { return newBounds(bits, big.NewRat(1, 1)) }

func (b *bounds) bits() uint { return b.low.Prec() }

// isZero reports whether the number is exactly zero.
func (b *bounds) isZero() bool { return b.high.Sign() == 0 }

// scale multiplies by num/den; num >= 0, den > 0.
func (b *bounds) scale(num, den int64) {
	b.operand.SetInt64(num)
	b.low.Mul(&b.low, &b.operand)
	b.high.Mul(&b.high, &b.operand)
	b.operand.SetInt64(den)
	b.low.Quo(&b.low, &b.operand)
	b.high.Quo(&b.high, &b.operand)
}

func (b *bounds) mul(other *bounds) {
	b.low.Mul(&b.low, &other.low)
	b.high.Mul(&b.high, &other.high)
}

func (b *bounds) add(other *bounds) {
	b.low.Add(&b.low, &other.low)
	b.high.Add(&b.high, &other.high)
}

// power returns value^n by repeated squaring; n >= 0, and 0^0 is 1.
func power(bits uint, value *big.Rat, n int64) *bounds {
	result, square := one(bits), newBounds(bits, value)
	for ; n > 0; n >>= 1 {
		if n&1 == 1 {
			result.mul(square)
		}
		square.mul(square)
	}
	return result
}

// fallingRatio multiplies by a(a-1)...(a-m+1) / (c(c-1)...(c-m+1)), for
// m <= a, c <= MaxPlants: two factors at a time fit an int64.
func (b *bounds) fallingRatio(a, c, m int64) {
	i := int64(0)
	for ; i+1 < m; i += 2 {
		b.scale((a-i)*(a-i-1), (c-i)*(c-i-1))
	}
	if i < m {
		b.scale(a-i, c-i)
	}
}

// addTail closes a sum of positive terms whose ratios fall from one term to the
// next. term is the last one added and num/den bounds the ratio of the next to
// it, so all that follow add up to at most term * num/(den-num). It adds that to
// the upper bound and reports true where it is too small to matter.
func (b *bounds) addTail(term *bounds, num, den int64) bool {
	if term.isZero() || num == 0 {
		return true
	}
	if num >= den {
		return false
	}
	rest := new(big.Float).SetPrec(b.bits()).SetMode(big.ToPositiveInf).SetInt64(num)
	rest.Mul(rest, &term.high)
	rest.Quo(rest, new(big.Float).SetInt64(den-num))
	if b.low.Sign() == 0 || rest.MantExp(nil)+int(b.bits()) > b.low.MantExp(nil) {
		return false
	}
	b.high.Add(&b.high, rest)
	return true
}

// probability is a probability that can be bounded at any precision and, at a
// price, computed exactly.
type probability struct {
	within  func(bits uint) *bounds
	exactly func() *big.Rat
}

// atMost decides exactly whether the probability is at most a limit.
func (p probability) atMost(limit *big.Rat) bool {
	for _, bits := range []uint{fewBits, manyBits} {
		found, allowed := p.within(bits), newBounds(bits, limit)
		if found.high.Cmp(&allowed.low) <= 0 {
			return true
		}
		if found.low.Cmp(&allowed.high) > 0 {
			return false
		}
	}
	return p.exactly().Cmp(limit) <= 0
}

// smallest returns the smallest value from first to last for which a rule holds
// that, once it holds, holds for all larger values; false if it never does. It
// doubles its steps from first, because large values cost more to try.
func smallest(first, last int64, holds func(int64) bool) (int64, bool) {
	fails, step := first-1, int64(1)
	for {
		try := min(fails+step, last)
		if holds(try) {
			return bisect(fails, try, holds), true
		}
		if try == last {
			return 0, false
		}
		fails, step = try, step*2
	}
}

// bisect narrows (fails, holdsAt] down to the smallest value for which the rule
// holds.
func bisect(fails, holdsAt int64, holds func(int64) bool) int64 {
	for holdsAt-fails > 1 {
		middle := fails + (holdsAt-fails)/2
		if holds(middle) {
			holdsAt = middle
		} else {
			fails = middle
		}
	}
	return holdsAt
}
