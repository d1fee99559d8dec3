package rotation

import (
	"cmp"
	"slices"
)

// conflict is a set of limits that no sequence keeps together.
type conflict struct {
	// limits are indices, in order.
	limits []int
	// irreducible is true when it was shown that without any one of them a sequence
	// keeps the rest of the set.
	irreducible bool
	// smallest is true when it was shown that no conflict has fewer limits.
	smallest bool
}

// conflict finds a smallest set of limits that no sequence keeps together. It must
// be called only where all limits together were shown to be impossible.
//
// A conflict meets every correction: a set of limits without which a sequence
// exists. So it collects corrections, takes a smallest set that meets them all, and
// asks the search whether a sequence keeps that set. If one does, what the sequence
// breaks, made as small as possible, is a correction that was missing; if none does,
// the set is a conflict, and none is smaller, for a smaller one would have met the
// corrections too (Ignatiev, Previti, Liffiton, Marques-Silva, "Smallest MUS
// extraction with minimal hitting set dualization", 2015, from memory). An irreducible
// conflict found first, by leaving out one limit after another, ends it early where
// the two have the same size, and is the answer where the budget ends before.
//
// In the worst case both the number of corrections and each search are exponential
// in the number of limits and slots.
func (p problem) conflict(b *budget) conflict {
	d := dual{problem: p, budget: b}
	upper := d.reduce(allOf(len(p.limits)))
	for {
		lower, got := d.meetAll(len(upper.limits))
		switch got {
		case impossible:
			upper.irreducible, upper.smallest = true, true
			return upper
		case unsettled:
			return upper
		}
		sequence, got := p.exists(lower, p.slots, b.part(questions))
		switch got {
		case impossible:
			return conflict{limits: lower, irreducible: true, smallest: true}
		case unsettled:
			return upper
		case found:
			d.learn(sequence)
		}
	}
}

// meetAll returns a smallest set of limits that meets every correction, if it has
// fewer than so many. Each size is tried in turn; in a size, one limit after another
// of the smallest correction that is not met yet.
func (d *dual) meetAll(fewer int) ([]int, answer) {
	for size := range fewer {
		set, got := d.meet(nil, size)
		if got != impossible {
			slices.Sort(set)
			return set, got
		}
	}
	return nil, impossible
}

// meet adds at most so many limits to a set that meets the corrections.
func (d *dual) meet(set []int, more int) ([]int, answer) {
	if !d.budget.spend(d.meeting()) {
		return nil, unsettled
	}
	open := d.unmet(set)
	if len(open) == 0 {
		return slices.Clone(set), found
	}
	if apart(open) > more {
		return nil, impossible
	}
	smallest := slices.MinFunc(open, func(a, b []int) int { return cmp.Compare(len(a), len(b)) })
	for _, index := range smallest {
		got, result := d.meet(append(slices.Clone(set), index), more-1)
		if result != impossible {
			return got, result
		}
	}
	return nil, impossible
}

// meeting is what one set costs in steps: it is held to every correction.
func (d *dual) meeting() int {
	steps := 1
	for _, correction := range d.corrections {
		steps += len(correction)
	}
	return meetingWeight * steps
}

// meetingWeight is how much dearer one limit of a correction is than one step of the
// bound: it is looked for in sets and sorted.
const meetingWeight = 20

// unmet returns the corrections that a set does not meet.
func (d *dual) unmet(set []int) [][]int {
	var open [][]int
	for _, correction := range d.corrections {
		if !slices.ContainsFunc(correction, func(index int) bool { return slices.Contains(set, index) }) {
			open = append(open, correction)
		}
	}
	return open
}

// apart counts corrections that have no limit in common, small ones first: each of
// them takes a limit of its own.
func apart(corrections [][]int) int {
	bySize := slices.Clone(corrections)
	slices.SortStableFunc(bySize, func(a, b []int) int { return cmp.Compare(len(a), len(b)) })
	taken := map[int]bool{}
	count := 0
	for _, correction := range bySize {
		if slices.ContainsFunc(correction, func(index int) bool { return taken[index] }) {
			continue
		}
		count++
		for _, index := range correction {
			taken[index] = true
		}
	}
	return count
}

// questions is what part of the budget one question may take.
const questions = 8

func allOf(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// dual is a search for a conflict by its corrections.
type dual struct {
	problem
	budget *budget
	// corrections found so far.
	corrections [][]int
}

// reduce leaves out one limit after another as long as the rest stays impossible.
func (d *dual) reduce(on []int) conflict {
	result := conflict{limits: slices.Clone(on), irreducible: true}
	for _, index := range on {
		if d.needed(index) {
			continue
		}
		without := slices.DeleteFunc(slices.Clone(result.limits), func(i int) bool { return i == index })
		sequence, got := d.exists(without, d.slots, d.budget.part(questions))
		switch got {
		case impossible:
			result.limits = without
		case unsettled:
			result.irreducible = false
		case found:
			d.learn(sequence)
		}
	}
	return result
}

// needed reports whether a limit is the whole of a correction: every conflict holds
// it.
func (d *dual) needed(index int) bool {
	return slices.ContainsFunc(d.corrections, func(c []int) bool { return len(c) == 1 && c[0] == index })
}

// learn turns a sequence into a correction: the limits that it breaks, less those
// that another sequence keeps besides all that it keeps.
func (d *dual) learn(sequence []int) {
	kept, broken := d.sort(sequence)
	// What cannot be kept along with some limits cannot be kept along with more.
	hopeless := map[int]bool{}
	for {
		at := slices.IndexFunc(broken, func(index int) bool { return !hopeless[index] })
		if at < 0 {
			break
		}
		better, got := d.exists(append(slices.Clone(kept), broken[at]), d.slots, d.budget.part(questions))
		if got != found {
			hopeless[broken[at]] = true
			continue
		}
		kept, broken = d.sort(better)
	}
	d.corrections = append(d.corrections, broken)
}

// sort splits the limits into those that a sequence keeps and those it breaks.
func (d *dual) sort(sequence []int) (kept, broken []int) {
	for i, l := range d.limits {
		if l.keeps(sequence) {
			kept = append(kept, i)
		} else {
			broken = append(broken, i)
		}
	}
	return kept, broken
}
