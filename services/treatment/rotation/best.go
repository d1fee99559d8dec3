package rotation

// best finds the sequence that the planner gives: of those that keep every limit
// the ones with the fewest applications of weight 1, and of these the first in the
// order of preference. It halves the distance between what is known to do and what
// is known not to. The last result is false where the budget ended before it was
// shown that fewer will not do; the sequence then keeps every limit all the same.
func (p problem) best(b *budget) ([]int, answer, bool) {
	on := allOf(len(p.limits))
	sequence, got := p.solve(on, p.slots, b)
	if got != found {
		return nil, got, false
	}
	fewest, proven := 0, true
	for most := p.weigh(sequence); fewest < most; {
		middle := (fewest + most) / 2
		// A proof that fewer will not do may take all of the budget and is not needed
		// for a sequence that does, so each is given a part of what is left.
		part := &budget{left: b.left / 4}
		spend := part.left
		better, got := p.solve(on, middle, part)
		b.left -= spend - part.left
		if got == found {
			sequence, most = better, p.weigh(better)
			continue
		}
		proven = proven && got == impossible
		fewest = middle + 1
	}
	// The first sequence found with more room for weight than it used may have taken
	// it early: with no room to spare it is the first of its kind.
	final, got := p.solve(on, p.weigh(sequence), b)
	if got == found {
		sequence = final
	}
	return sequence, found, proven && got == found
}

// weigh counts the applications of weight 1.
func (p problem) weigh(sequence []int) int {
	sum := 0
	for _, product := range sequence {
		sum += p.weight[product]
	}
	return sum
}
