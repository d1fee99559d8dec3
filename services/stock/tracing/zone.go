package tracing

import (
	"math/big"
	"slices"
	"time"

	"github.com/shopspring/decimal"
)

// NeighbourWithin is how far apart two measured benches are at most that count as
// beside each other, in m: design value, about as far as water splashes and leaves
// touch across a path.
var NeighbourWithin = decimal.New(15, -1)

// Rectangle is where a bench stands on the nursery's plan, its sides along the
// plan's axes; all in m.
type Rectangle struct{ X, Y, Length, Width decimal.Decimal }

// Distance is a length of zero or more, kept as its square so that it compares
// exactly.
type Distance struct{ squared decimal.Decimal }

// Metres is a distance of so many metres.
func Metres(m decimal.Decimal) Distance { return Distance{squared: m.Mul(m)} }

// Between is the gap between two rectangles; 0 when they touch or overlap.
func Between(a, b Rectangle) Distance {
	across := gap(a.X, a.Length, b.X, b.Length)
	along := gap(a.Y, a.Width, b.Y, b.Width)
	return Distance{squared: across.Mul(across).Add(along.Mul(along))}
}

func gap(from, extent, otherFrom, otherExtent decimal.Decimal) decimal.Decimal {
	return decimal.Max(decimal.Zero, otherFrom.Sub(from.Add(extent)), from.Sub(otherFrom.Add(otherExtent)))
}

// AtMost reports whether the distance is at most so many metres, exactly that many
// included: texts of law say "within".
func (d Distance) AtMost(m decimal.Decimal) bool { return d.squared.Cmp(m.Mul(m)) <= 0 }

// Compare orders distances.
func (d Distance) Compare(other Distance) int { return d.squared.Cmp(other.squared) }

// Centimetres is the distance rounded up to whole centimetres, so that one that is
// shown as a limit lies within it.
func (d Distance) Centimetres() int64 {
	square := d.squared.Shift(4).Ceil().BigInt()
	root := new(big.Int).Sqrt(square)
	if new(big.Int).Mul(root, root).Cmp(square) < 0 {
		root.Add(root, big.NewInt(1))
	}
	return root.Int64()
}

// Zone is where a lot lies in the zones that a law sets.
type Zone int

// The zones.
const (
	Free Zone = iota
	HoldZone
	DestroyZone
)

// Around is from where a law counts its hold zone.
type Around int

// What holds are counted from.
const (
	// InfectedPlants: metres from the infected plants.
	InfectedPlants Around = iota
	// DestructionBlock: metres from the edge of what is destroyed.
	DestructionBlock
)

// Zones are what a law sets around infected plants.
type Zones struct {
	// Destroy and Hold in m; zero where the law sets none.
	Destroy, Hold decimal.Decimal
	// Around is from where Hold counts.
	Around Around
}

// Of returns the zone of a distance from infected plants. Boundaries are inside.
func (z Zones) Of(d Distance) Zone {
	if z.Destroy.IsPositive() && d.AtMost(z.Destroy) {
		return DestroyZone
	}
	if z.Hold.IsPositive() && d.AtMost(z.Reach()) {
		return HoldZone
	}
	return Free
}

// Reach is how far from infected plants the hold zone reaches, m.
func (z Zones) Reach() decimal.Decimal {
	if z.Around == DestructionBlock {
		return z.Destroy.Add(z.Hold)
	}
	return z.Hold
}

// EarliestRelease is the first day on which a hold can end that began, or whose
// survey was completed, on a day: so many calendar months later where the law counts
// months, else so many days. A month without that day ends on its last.
func EarliestRelease(begin time.Time, months, days int) time.Time {
	if months == 0 {
		return begin.AddDate(0, 0, days)
	}
	year, month, day := begin.Date()
	lastOfMonth := time.Date(year, month+time.Month(months)+1, 0, 0, 0, 0, 0, begin.Location())
	return time.Date(year, month+time.Month(months), min(day, lastOfMonth.Day()), 0, 0, 0, 0, begin.Location())
}

// neighbours says which benches stand beside each: those that people named and those
// measured within NeighbourWithin.
func neighbours(benches []Bench) map[BenchID][]BenchID {
	beside := map[BenchID][]BenchID{}
	pair := func(a, b BenchID) {
		if a != b && !slices.Contains(beside[a], b) {
			beside[a] = append(beside[a], b)
			beside[b] = append(beside[b], a)
		}
	}
	for _, bench := range benches {
		for _, other := range bench.Neighbours {
			pair(bench.ID, other)
		}
	}
	for _, two := range closePairs(benches) {
		pair(two[0], two[1])
	}
	return beside
}

// closePairs returns the measured benches within NeighbourWithin of each other. They
// are swept along the first axis, so that a nursery of thousands of benches is not
// compared each with each.
func closePairs(benches []Bench) [][2]BenchID {
	measured := slices.DeleteFunc(slices.Clone(benches), func(b Bench) bool { return b.Place == nil })
	slices.SortFunc(measured, func(a, b Bench) int {
		if byX := a.Place.X.Cmp(b.Place.X); byX != 0 {
			return byX
		}
		return a.ID.compare(b.ID)
	})
	var pairs [][2]BenchID
	var open []Bench
	for _, bench := range measured {
		open = slices.DeleteFunc(open, func(before Bench) bool {
			return before.Place.X.Add(before.Place.Length).Add(NeighbourWithin).LessThan(bench.Place.X)
		})
		for _, before := range open {
			if Between(*before.Place, *bench.Place).AtMost(NeighbourWithin) {
				pairs = append(pairs, [2]BenchID{before.ID, bench.ID})
			}
		}
		open = append(open, bench)
	}
	return pairs
}
