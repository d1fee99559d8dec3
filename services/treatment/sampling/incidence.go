package sampling

import (
	"math/big"

	"github.com/shopspring/decimal"
)

// Interval is a range of shares from 0 to 1.
type Interval struct {
	// Low and High are rounded outward.
	Low, High decimal.Decimal
}

// PlantInterval is a range of numbers of affected plants, both ends included.
type PlantInterval struct {
	Low, High int64
}

// mostPlaces is the most decimal places of an interval; more would say nothing
// about plants.
const mostPlaces = 9

// Incidence returns the exact two-sided interval (Clopper and Pearson 1934) for
// the share of affected plants in a population that is large against the sample,
// where affected of sampled plants were found affected. The ends are rounded
// outward to so many places, from 1 to 9. It is about plants found affected: a
// sensitivity below 1 makes the true incidence higher.
func Incidence(affected, sampled int64, confidence decimal.Decimal, places int32) (Interval, error) {
	if err := checkFound(affected, sampled, confidence); err != nil {
		return Interval{}, err
	}
	if err := checkCount("places", 1, mostPlaces, int64(places)); err != nil {
		return Interval{}, err
	}
	tail := halfOf(confidence)
	high := incidenceCeiling(affected, sampled, tail, places)
	// A share of affected plants is 1 less that of healthy ones.
	low := incidenceCeiling(sampled-affected, sampled, tail, places)
	return Interval{Low: unity.Sub(low), High: high}, nil
}

func checkFound(affected, sampled int64, confidence decimal.Decimal) error {
	if err := checkPlants("sampled", sampled); err != nil {
		return err
	}
	if err := checkCount("affected", 0, sampled, affected); err != nil {
		return err
	}
	return checkConfidence(confidence)
}

// halfOf is what a two-sided confidence leaves for each side.
func halfOf(confidence decimal.Decimal) *big.Rat {
	rest := complement(confidence)
	return rest.Mul(rest, big.NewRat(1, 2))
}

// incidenceCeiling returns the least share, in steps of the places, at which so
// few affected plants or fewer have at most the probability tail.
func incidenceCeiling(affected, sampled int64, tail *big.Rat, places int32) decimal.Decimal {
	if affected == sampled {
		return unity
	}
	draw := binomial{affected: affected, sampled: sampled, steps: decimal.New(1, places).IntPart()}
	// At the share found itself the probability is at least a half, so the ceiling
	// is above it.
	found := new(big.Int).Mul(big.NewInt(affected), big.NewInt(draw.steps))
	first := found.Quo(found, big.NewInt(sampled)).Int64()
	choices := map[uint]*bounds{}
	step, _ := smallest(first+1, draw.steps, func(step int64) bool {
		return draw.atMostAffected(step, choices).atMost(tail)
	})
	return decimal.New(step, -places)
}

// binomial is a sample from a large population whose share of affected plants is
// counted in steps.
type binomial struct {
	affected, sampled, steps int64
}

// atMostAffected is the probability of at most the affected plants where the
// share is step/steps. choices keeps the bounds of C(sampled, affected) by bits.
func (b binomial) atMostAffected(step int64, choices map[uint]*bounds) probability {
	return probability{
		within: func(bits uint) *bounds {
			if choices[bits] == nil {
				choices[bits] = choose(bits, b.sampled, b.affected)
			}
			return b.sumDown(bits, step, choices[bits])
		},
		exactly: func() *big.Rat { return b.sumExactly(step) },
	}
}

// choose bounds C(n, k).
func choose(bits uint, n, k int64) *bounds {
	k = min(k, n-k)
	result := one(bits)
	for i := int64(0); i < k; i++ {
		result.scale(n-i, i+1)
	}
	return result
}

func (b binomial) sumDown(bits uint, step int64, choice *bounds) *bounds {
	sum := newBounds(bits, new(big.Rat))
	if step == b.steps {
		return sum
	}
	term := power(bits, big.NewRat(step, b.steps), b.affected)
	term.mul(power(bits, big.NewRat(b.steps-step, b.steps), b.sampled-b.affected))
	term.mul(choice)
	sum.add(term)
	for k := b.affected; k > 0; k-- {
		num, den := k*(b.steps-step), (b.sampled-k+1)*step
		if sum.addTail(term, num, den) {
			break
		}
		term.scale(num, den)
		sum.add(term)
	}
	return sum
}

func (b binomial) sumExactly(step int64) *big.Rat {
	with, without := big.NewInt(step), big.NewInt(b.steps-step)
	sum := new(big.Int)
	for k := int64(0); k <= b.affected; k++ {
		term := new(big.Int).Binomial(b.sampled, k)
		term.Mul(term, new(big.Int).Exp(with, big.NewInt(k), nil))
		term.Mul(term, new(big.Int).Exp(without, big.NewInt(b.sampled-k), nil))
		sum.Add(sum, term)
	}
	whole := new(big.Int).Exp(big.NewInt(b.steps), big.NewInt(b.sampled), nil)
	return new(big.Rat).SetFrac(sum, whole)
}

// IncidenceOf returns the exact two-sided interval for the number of affected
// plants among plants, where affected of sampled plants, drawn at random, were
// found affected: all numbers under which neither so few nor so many have a
// probability of at most half of what the confidence leaves. It is about plants
// found affected, as Incidence is.
func IncidenceOf(affected, sampled, plants int64, confidence decimal.Decimal) (PlantInterval, error) {
	if err := checkPlants("plants", plants); err != nil {
		return PlantInterval{}, err
	}
	if err := checkCount("sampled", 1, plants, sampled); err != nil {
		return PlantInterval{}, err
	}
	if err := checkFound(affected, sampled, confidence); err != nil {
		return PlantInterval{}, err
	}
	tail := halfOf(confidence)
	high := mostAffected(affected, sampled, plants, tail)
	low := plants - mostAffected(sampled-affected, sampled, plants, tail)
	return PlantInterval{Low: low, High: high}, nil
}

// mostAffected returns the largest number of affected plants under which at most
// so many in the sample still have more than the probability tail.
func mostAffected(affected, sampled, plants int64, tail *big.Rat) int64 {
	last := plants - sampled + affected
	refused, found := smallest(affected, last, func(d int64) bool {
		return draw{plants: plants, affected: d, sampled: sampled}.atMost(affected).atMost(tail)
	})
	if !found {
		return last
	}
	return refused - 1
}

// draw is a sample from lots with affected plants.
type draw struct {
	plants, affected, sampled int64
}

// atMost is the probability that at most k affected plants are in the sample.
func (d draw) atMost(k int64) probability {
	return probability{
		within:  func(bits uint) *bounds { return d.sumDown(bits, k) },
		exactly: func() *big.Rat { return d.sumExactly(k) },
	}
}

func (d draw) fewest() int64 { return max(0, d.sampled-(d.plants-d.affected)) }

func (d draw) sumDown(bits uint, most int64) *bounds {
	most = min(most, d.affected, d.sampled)
	sum := newBounds(bits, new(big.Rat))
	if most < d.fewest() {
		return sum
	}
	term := d.term(bits, most)
	sum.add(term)
	for k := most; k > d.fewest(); k-- {
		num, den := k*(d.plants-d.affected-d.sampled+k), (d.affected-k+1)*(d.sampled-k+1)
		if sum.addTail(term, num, den) {
			break
		}
		term.scale(num, den)
		sum.add(term)
	}
	return sum
}

// term bounds the probability of exactly k affected plants in the sample. The
// sampled and the affected plants, and each and its complement, can trade places;
// it takes the smallest of the four as the sample, for the shortest product.
func (d draw) term(bits uint, k int64) *bounds {
	if 2*d.sampled > d.plants {
		d.sampled, k = d.plants-d.sampled, d.affected-k
	}
	if 2*d.affected > d.plants {
		d.affected, k = d.plants-d.affected, d.sampled-k
	}
	if d.affected < d.sampled {
		d.affected, d.sampled = d.sampled, d.affected
	}
	result := choose(bits, d.sampled, k)
	result.fallingRatio(d.affected, d.plants, k)
	result.fallingRatio(d.plants-d.affected, d.plants-k, d.sampled-k)
	return result
}

func (d draw) sumExactly(most int64) *big.Rat {
	sum := new(big.Int)
	for k := d.fewest(); k <= min(most, d.affected, d.sampled); k++ {
		ways := new(big.Int).Binomial(d.affected, k)
		sum.Add(sum, ways.Mul(ways, new(big.Int).Binomial(d.plants-d.affected, d.sampled-k)))
	}
	return new(big.Rat).SetFrac(sum, new(big.Int).Binomial(d.plants, d.sampled))
}
