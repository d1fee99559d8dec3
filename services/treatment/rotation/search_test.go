package rotation

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// window allows at most so many counted applications in so many slots one after
// another.
type window struct{ most, slots, all int }

func (w window) letters() []bool { return []bool{false, true} }

func (w window) bounded() bool { return true }

func (w window) after(_ int, past string, letter int) (string, bool) {
	past += strconv.Itoa(letter)
	past = past[max(0, len(past)-w.slots):]
	return past, letter == 0 || strings.Count(past, "1") <= w.most
}

// pair allows no application of letter 2 in so many slots after one of letter 1,
// nor the other way round.
type pair struct{ apart, all int }

func (p pair) letters() []bool { return make([]bool, 3) }

func (p pair) bounded() bool { return false }

func (p pair) after(_ int, past string, letter int) (string, bool) {
	past += strconv.Itoa(letter)
	past = past[max(0, len(past)-p.apart):]
	return past, letter == 0 || !strings.Contains(past, strconv.Itoa(3-letter))
}

// block asks for as many other applications after a block of counted ones as the
// block had. One counted application fewer may break it, so that nothing bounds it.
type block struct{}

func (block) letters() []bool { return []bool{false, true} }

func (block) bounded() bool { return false }

func (block) after(_ int, past string, letter int) (string, bool) {
	past += strconv.Itoa(letter)
	if letter == 0 {
		return past, true
	}
	before := strings.TrimRight(past, "1")
	others := len(before) - len(strings.TrimRight(before, "0"))
	before = strings.TrimRight(before, "0")
	return past, len(before)-len(strings.TrimRight(before, "1")) <= others
}

// invent makes a small problem: windows over single products and over several, and
// pairs that keep apart.
func invent(random *rand.Rand) problem {
	p := problem{slots: 3 + random.IntN(5), products: 1 + random.IntN(4)}
	machines := map[string]*machine{}
	shared := func(key string, c counter) *machine {
		if machines[key] == nil {
			machines[key] = newMachine(c, p.slots)
		}
		return machines[key]
	}
	for range p.products {
		p.weight = append(p.weight, random.IntN(2))
	}
	for range 1 + random.IntN(7) {
		letter := make([]int, p.products)
		past := strings.Repeat("0", random.IntN(3)) + strings.Repeat("1", random.IntN(2))
		switch random.IntN(5) {
		case 0, 1:
			letter[random.IntN(p.products)] = 1
		case 4:
			for i := range letter {
				letter[i] = random.IntN(2)
			}
			p.limits = append(p.limits, newLimit(Limit{}, shared("block", block{}), letter, []string{past, ""}))
			continue
		case 2:
			for i := range letter {
				letter[i] = random.IntN(2)
			}
		default:
			for i := range letter {
				letter[i] = random.IntN(3)
			}
			c := pair{apart: 2 + random.IntN(3), all: p.slots}
			p.limits = append(p.limits, newLimit(Limit{}, shared(fmt.Sprint(c), c), letter, []string{past}))
			continue
		}
		c := window{most: random.IntN(3), slots: 1 + random.IntN(8), all: p.slots}
		p.limits = append(p.limits, newLimit(Limit{}, shared(fmt.Sprint(c), c), letter, []string{past, ""}))
	}
	shift := random.IntN(p.products)
	p.before = func(sequence []int) []int {
		order := make([]int, p.products)
		for i := range order {
			order[i] = (i + shift + len(sequence)) % p.products
		}
		return order
	}
	return p
}

// every calls visit with every sequence in the order of preference until it
// returns true.
func (p problem) every(visit func([]int) bool) bool {
	var sequence []int
	var down func() bool
	down = func() bool {
		if len(sequence) == p.slots {
			return visit(sequence)
		}
		for _, product := range p.before(slices.Clone(sequence)) {
			sequence = append(sequence, product)
			if down() {
				return true
			}
			sequence = sequence[:len(sequence)-1]
		}
		return false
	}
	return down()
}

// first is solve by trying everything.
func (p problem) firstOf(on []int, most int) []int {
	var got []int
	p.every(func(sequence []int) bool {
		if p.weigh(sequence) > most || slices.ContainsFunc(on, func(i int) bool { return !p.limits[i].keeps(sequence) }) {
			return false
		}
		got = slices.Clone(sequence)
		return true
	})
	return got
}

func plenty() *budget { return &budget{left: 1 << 50} }

func TestTheSearchFindsWhatTryingEverythingFinds(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	none := 0
	for range 3000 {
		p := invent(random)
		on := allOf(len(p.limits))
		on = slices.DeleteFunc(on, func(int) bool { return random.IntN(5) == 0 })
		most := random.IntN(p.slots + 1)
		want := p.firstOf(on, most)
		got, result := p.solve(on, most, plenty())
		any, other := p.search(on, most, plenty(), true)
		require.Equal(t, result, other)
		if want == nil {
			none++
			require.Equal(t, impossible, result)
			continue
		}
		require.LessOrEqual(t, p.weigh(any), most)
		for _, index := range on {
			require.True(t, p.limits[index].keeps(any))
		}
		require.Equal(t, found, result)
		require.Equal(t, want, got)
	}
	require.Greater(t, none, 500, "too few impossible ones for a test")
	require.Less(t, none, 2500, "too few possible ones for a test")
}

func TestTheBestSequenceHasTheFewestOfWeightAndIsTheFirstOfThem(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	for range 1500 {
		p := invent(random)
		on := allOf(len(p.limits))
		var want []int
		for most := 0; most <= p.slots && want == nil; most++ {
			want = p.firstOf(on, most)
		}
		got, result := p.best(plenty())
		if want == nil {
			require.Equal(t, impossible, result)
			continue
		}
		require.True(t, got.fewest)
		require.True(t, got.preferred)
		require.Equal(t, want, got.sequence)
	}
}

// smallestBySize tries all sets of limits, small ones first.
func (p problem) smallestBySize() int {
	for size := range len(p.limits) + 1 {
		for set := range 1 << len(p.limits) {
			var on []int
			for i := range p.limits {
				if set>>i&1 == 1 {
					on = append(on, i)
				}
			}
			if len(on) == size && p.firstOf(on, p.slots) == nil {
				return size
			}
		}
	}
	return -1
}

func TestAConflictIsTheSmallestAndWithoutAnyOneOfItASequenceExists(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 8))
	tried := 0
	for tried < 250 {
		p := invent(random)
		if p.slots > 6 || p.firstOf(allOf(len(p.limits)), p.slots) != nil {
			continue
		}
		tried++
		c := p.conflict(plenty())
		require.True(t, c.smallest)
		require.True(t, c.irreducible)
		require.Len(t, c.limits, p.smallestBySize())
		require.Nil(t, p.firstOf(c.limits, p.slots))
		for _, index := range c.limits {
			without := slices.DeleteFunc(slices.Clone(c.limits), func(i int) bool { return i == index })
			require.NotNil(t, p.firstOf(without, p.slots))
		}
	}
}

func TestASearchWithoutBudgetSaysThatItIsUnsettled(t *testing.T) {
	random := rand.New(rand.NewPCG(9, 10))
	for range 300 {
		p := invent(random)
		for left := range 12 {
			sequence, got := p.solve(allOf(len(p.limits)), p.slots, &budget{left: 60 * left})
			want := p.firstOf(allOf(len(p.limits)), p.slots)
			switch got {
			case found:
				require.Equal(t, want, sequence)
			case impossible:
				require.Nil(t, want)
			}
		}
	}
}

func TestTheEarliestFillingOfAWindowIsTheFullestUpToEverySlot(t *testing.T) {
	random := rand.New(rand.NewPCG(11, 12))
	for range 500 {
		w := window{most: random.IntN(4), slots: 1 + random.IntN(6), all: 8}
		past := strings.Repeat("1", random.IntN(3)) + strings.Repeat("0", random.IntN(3))
		m := newMachine(w, w.all)
		room := m.room(m.at(0, past))
		for set := range 1 << w.all {
			at, count, ok := past, 0, true
			for slot := 0; slot < w.all && ok; slot++ {
				letter := set >> slot & 1
				at, ok = w.after(slot, at, letter)
				count += letter
				if ok {
					require.LessOrEqual(t, count, room[slot])
				}
			}
		}
	}
}
