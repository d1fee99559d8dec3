package mixing

import (
	"fmt"
	"math/big"
	"slices"

	"velamen/internal/fault"
	"velamen/internal/quantity"
)

// scale is how volumes of mix are read off: a unit and the marks of a tank.
type scale struct {
	unit quantity.Unit
	mark *big.Rat
}

// Marks of tanks, as far as people read them (common practice, no source): finer
// for small volumes, since a hand sprayer is filled from a jug.
var (
	litreMarks  = [2]*big.Rat{big.NewRat(1, 100), big.NewRat(1, 10)}
	gallonMarks = [2]*big.Rat{big.NewRat(1, 100), big.NewRat(1, 20)}
	// coarseFrom is the volume, L or gal, from which the coarse marks are used.
	coarseFrom = big.NewRat(10, 1)
)

// scaleFor returns the scale for a volume that a person thinks of in a unit:
// litres for metric units, gallons for US ones.
func scaleFor(volume quantity.Exact, like quantity.Unit) (scale, error) {
	s, marks := scale{unit: quantity.Litre}, litreMarks
	if isUS(like) {
		s, marks = scale{unit: quantity.Gallon}, gallonMarks
	}
	same, err := volume.In(s.unit)
	if err != nil {
		return scale{}, err
	}
	s.mark = marks[0]
	if same.Amount().Cmp(coarseFrom) >= 0 {
		s.mark = marks[1]
	}
	return s, nil
}

// isUS reports whether a unit is one of the US units of volume.
func isUS(unit quantity.Unit) bool {
	return familyOf(unit) == familyOf(quantity.Gallon)
}

// most is the largest volume that is worked with, in marks: 10 million L.
const mostMarks = 100_000_000

// marksUp returns how many marks hold a volume, rounded up.
func (s scale) marksUp(volume quantity.Exact) (int64, error) {
	down, err := s.marksDown(volume)
	if err != nil {
		return 0, err
	}
	if order, err := s.volume(down).Compare(volume); err != nil || order == 0 {
		return down, err
	}
	return down + 1, nil
}

// marksDown returns how many marks a volume fills, rounded down.
func (s scale) marksDown(volume quantity.Exact) (int64, error) {
	same, err := volume.In(s.unit)
	if err != nil {
		return 0, err
	}
	marks := whole(new(big.Rat).Quo(same.Amount(), s.mark))
	if !marks.IsInt64() || marks.Int64() > mostMarks {
		return 0, fmt.Errorf("%s is more than anybody mixes", same.Floor(0))
	}
	return marks.Int64(), nil
}

// volume returns the volume of some marks.
func (s scale) volume(marks int64) quantity.Exact {
	amount := new(big.Rat).SetInt64(marks)
	return quantity.ExactOf(amount.Mul(amount, s.mark), s.unit)
}

// loads is some tank loads of one size, in marks.
type loads struct{ times, marks int64 }

// split is a way to divide a volume into loads.
type split []loads

// Limits of the search for loads.
const (
	// mostLoads is how many loads a sheet has at most.
	mostLoads = 1000
	// mostSizes is how many sizes of load are tried for one that measures out
	// without loss.
	mostSizes = 1000
)

// tank is what loads are filled into, in marks.
type tank struct{ volume, minimum int64 }

// splits returns the ways to divide a volume into the fewest loads that the tank
// takes, each at least what the pump draws from: full loads and one with the rest,
// loads of a size that measures out without loss and one with the rest, and equal
// loads. It returns an error when there is none.
func (t tank) splits(total int64, measuresOut func(marks int64) bool) ([]split, error) {
	if t.volume < 1 {
		return nil, fault.Field("tank_volume", "is less than the smallest mark that mix is measured by")
	}
	count := (total + t.volume - 1) / t.volume
	if count > mostLoads {
		return nil, fault.Field("tank_volume", "%d loads are more than a sheet lists; at most %d", count, mostLoads)
	}
	ways := []split{restLast(t.volume, total, count)}
	if way, found := t.withoutLoss(total, count, measuresOut); found {
		ways = append(ways, way)
	}
	rest := total % count
	ways = append(ways, split{{rest, total/count + 1}, {count - rest, total / count}}.joined())
	ways = slices.DeleteFunc(ways, func(way split) bool { return !way.atLeast(t.minimum) })
	if len(ways) == 0 {
		return nil, fault.Field("tank_minimum", "the mix cannot be divided into loads that are each as much as the pump draws from; take a smaller sprayer")
	}
	return ways, nil
}

// restLast returns loads of one size and one with the rest.
func restLast(size, total, count int64) split {
	return split{{count - 1, size}, {1, total - (count-1)*size}}.joined()
}

// withoutLoss returns the largest loads, below the tank's volume, that measure out
// without loss: with their rest, where there are such, else without it.
func (t tank) withoutLoss(total, count int64, measuresOut func(marks int64) bool) (best split, found bool) {
	equal := (total + count - 1) / count
	for size := t.volume - 1; size >= equal && size >= t.volume-mostSizes; size-- {
		way := restLast(size, total, count)
		if !way.atLeast(t.minimum) || !measuresOut(size) {
			continue
		}
		if measuresOut(way[len(way)-1].marks) {
			return way, true
		}
		if !found {
			best, found = way, true
		}
	}
	return best, found
}

// joined leaves out parts without loads and joins those of the same size.
func (s split) joined() split {
	var joined split
	for _, part := range s {
		if part.times == 0 {
			continue
		}
		if last := len(joined) - 1; last >= 0 && joined[last].marks == part.marks {
			joined[last].times += part.times
			continue
		}
		joined = append(joined, part)
	}
	return joined
}

// atLeast reports whether every load has so many marks.
func (s split) atLeast(minimum int64) bool {
	for _, part := range s {
		if part.marks < max(minimum, 1) {
			return false
		}
	}
	return true
}
