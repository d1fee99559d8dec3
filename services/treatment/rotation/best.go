package rotation

// choice is the sequence that the planner gives.
type choice struct {
	sequence []int
	// fewest is true when it was shown that fewer applications of weight 1 will not do.
	fewest bool
	// preferred is true when it is the first in the order of preference of all that
	// have as few.
	preferred bool
}

// best finds the sequence that the planner gives: of those that keep every limit
// the ones with the fewest applications of weight 1, and of these the first in the
// order of preference. It halves the distance between what is known to do and what
// is known not to. Where the budget ends before all of that is shown the sequence
// keeps every limit all the same, and the choice says what was not shown.
func (p problem) best(b *budget) (choice, answer) {
	on := allOf(len(p.limits))
	sequence, got := p.exists(on, p.slots, b.part(2))
	if got != found {
		return choice{}, got
	}
	best := choice{sequence: sequence, fewest: true}
	fewest := 0
	for most := p.weigh(sequence); fewest < most; {
		middle := (fewest + most) / 2
		better, got := p.exists(on, middle, b.part(4))
		if got == found {
			best.sequence, most = better, p.weigh(better)
			continue
		}
		best.fewest = best.fewest && got == impossible
		fewest = middle + 1
	}
	final, got := p.solve(on, p.weigh(best.sequence), b)
	if got == found {
		best.sequence, best.preferred = final, true
	}
	return best, found
}

// exists looks for any sequence: first for the preferred one, which is found at once
// where there is room to spare, then for the one that leaves most room.
func (p problem) exists(on []int, most int, b *budget) ([]int, answer) {
	sequence, got := p.search(on, most, b.part(10), false)
	if got != unsettled {
		return sequence, got
	}
	return p.search(on, most, b, true)
}

// weigh counts the applications of weight 1.
func (p problem) weigh(sequence []int) int {
	sum := 0
	for _, product := range sequence {
		sum += p.weight[product]
	}
	return sum
}
