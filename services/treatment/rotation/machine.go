package rotation

import "slices"

// counter is a rule with its numbers, as a machine that reads a sequence one
// application after another. What it counts is written as letters: 0 is an
// application that it does not count. What it keeps of the past is a text that
// holds only what can still matter, so that pasts with the same future are equal.
//
// Every counter is hereditary: where a sequence keeps it, the sequence with one
// counted application fewer keeps it too. Reading the letter 0 never breaks it.
type counter interface {
	// after returns the past after an application in a slot, and false when that
	// application breaks the rule.
	after(slot int, past string, letter int) (string, bool)
	// letters is how many letters there are, 0 included.
	letters() int
	// room returns for each slot from the given one on how many counted applications
	// fit at most from the given one up to and including it.
	room(slot int, past string) []int
}

// stateID names an interned state of a machine.
type stateID = int32

const (
	unknown stateID = -1
	broken  stateID = -2
)

// state is a past before a slot.
type state struct {
	slot int
	past string
	// next by letter; unknown until it is asked for.
	next []stateID
	// room is worked out when it is asked for.
	room []int
}

// machine runs a counter and remembers every step it took: the same few pasts come
// up again and again in a search.
type machine struct {
	counter counter
	slots   int
	states  []state
	ids     map[stateKey]stateID
}

type stateKey struct {
	slot int
	past string
}

func newMachine(c counter, slots int) *machine {
	return &machine{counter: c, slots: slots, ids: map[stateKey]stateID{}}
}

// at interns a past before a slot.
func (m *machine) at(slot int, past string) stateID {
	key := stateKey{slot, past}
	if id, known := m.ids[key]; known {
		return id
	}
	id := stateID(len(m.states))
	next := make([]stateID, m.counter.letters())
	for i := range next {
		next[i] = unknown
	}
	m.states = append(m.states, state{slot: slot, past: past, next: next})
	m.ids[key] = id
	return id
}

// step returns the state after a letter, or broken.
func (m *machine) step(id stateID, letter int) stateID {
	s := &m.states[id]
	if next := s.next[letter]; next != unknown {
		return next
	}
	next := broken
	if past, ok := m.counter.after(s.slot, s.past, letter); ok {
		next = m.at(s.slot+1, past)
	}
	// Interning may have moved the states.
	m.states[id].next[letter] = next
	return next
}

// room returns how many counted applications fit from the state's slot up to and
// including each slot from there on.
func (m *machine) room(id stateID) []int {
	s := &m.states[id]
	if s.room == nil && s.slot < m.slots {
		s.room = m.counter.room(s.slot, s.past)
	}
	return s.room
}

// idle reports whether nothing that follows can depend on the state: either no
// counted application fits any more, or all that remain would fit.
func (m *machine) idle(id stateID) (spent, free bool) {
	room := m.room(id)
	if len(room) == 0 {
		return true, true
	}
	last := room[len(room)-1]
	return last == 0, last == len(room) && m.takesAll(id)
}

// takesAll reports whether the state breaks at no continuation at all. Room is an
// upper bound only, so the longest continuation is read out.
func (m *machine) takesAll(id stateID) bool {
	for slot := m.states[id].slot; slot < m.slots; slot++ {
		if m.counter.letters() != 2 {
			return false
		}
		if id = m.step(id, 1); id == broken {
			return false
		}
	}
	return true
}

// earliest fills slots with letter 1 as early as a counter allows. For limits of
// the form "at most so many in every window of consecutive applications or days"
// no sequence has more counted applications up to any slot: move the first counted
// application of another sequence forward to where the earliest one has it, and
// every window that gained it has lost nothing else, so it is still kept.
func earliest(c counter, slots, slot int, past string) []int {
	room := make([]int, 0, slots-slot)
	count := 0
	for ; slot < slots; slot++ {
		next, ok := c.after(slot, past, 1)
		if ok {
			count++
		} else {
			next, _ = c.after(slot, past, 0)
		}
		past = next
		room = append(room, count)
	}
	return room
}

// limit is a limit of the report as the search runs it: a machine, what each
// product is to it, and where it stands before the first slot: once for each
// different past of the lots.
type limit struct {
	Limit
	machine *machine
	// letter of each product.
	letter []int
	starts []stateID
	// members are the products that it counts against its room.
	members []int
}

func newLimit(report Limit, m *machine, letter []int, counted func(letter int) bool, pasts []string) limit {
	l := limit{Limit: report, machine: m, letter: letter}
	for product, code := range letter {
		if code != 0 && counted(code) {
			l.members = append(l.members, product)
		}
	}
	for _, past := range pasts {
		if id := m.at(0, past); !slices.Contains(l.starts, id) {
			l.starts = append(l.starts, id)
		}
	}
	return l
}

// keeps reports whether a sequence of products keeps the limit.
func (l limit) keeps(sequence []int) bool {
	for _, id := range l.starts {
		for _, product := range sequence {
			if id = l.machine.step(id, l.letter[product]); id == broken {
				return false
			}
		}
	}
	return true
}
