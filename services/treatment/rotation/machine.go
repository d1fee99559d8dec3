package rotation

import "slices"

// counter is a rule with its numbers, as a machine that reads a sequence one
// application after another. What it counts is written as letters: 0 is an
// application that it does not count. What it keeps of the past is a text that
// holds only what can still matter, so that pasts with the same future are equal.
//
// Reading the letter 0 never breaks it.
type counter interface {
	// after returns the past after an application in a slot, and false when that
	// application breaks the rule.
	after(slot int, past string, letter int) (string, bool)
	// letters says of each letter, 0 included, whether it is counted.
	letters() []bool
	// bounded is true for a rule of the form "at most so many in every window of
	// applications or days": where a sequence keeps it, so does the sequence with one
	// counted application fewer. Of any other nothing bounds how many applications fit.
	bounded() bool
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
	// room and stand are worked out when they are asked for.
	room  []int
	stand stateID
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
	next := make([]stateID, len(m.counter.letters()))
	for i := range next {
		next[i] = unknown
	}
	m.states = append(m.states, state{slot: slot, past: past, next: next, stand: unknown})
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

// room returns, for each slot from the state's on, how many counted applications fit
// at most from there up to and including it.
//
// Where the counter is bounded the slots are filled as early as it allows, and no
// sequence has more counted applications up to any slot: move the first counted
// application of another sequence forward to where the earliest one has it, and
// every window that gained it has lost nothing else, so it is still kept.
func (m *machine) room(id stateID) []int {
	from := m.states[id].slot
	if m.states[id].room != nil || from == m.slots {
		return m.states[id].room
	}
	room := wide(m.slots - from)
	if m.counter.bounded() {
		count, at := 0, id
		for i := range room {
			next := m.step(at, 0)
			for letter, counts := range m.counter.letters() {
				if !counts {
					continue
				}
				if taken := m.step(at, letter); taken != broken {
					next = taken
					count++
					break
				}
			}
			at, room[i] = next, count
		}
	}
	m.states[id].room = room
	return room
}

// Stands on which nothing that follows depends: no counted application fits any
// more, or all that remain would.
const (
	spent stateID = -3
	free  stateID = -4
)

// stand returns what of a state what follows depends on: the state itself, or that
// it is spent or free.
func (m *machine) stand(id stateID) stateID {
	if m.states[id].stand != unknown {
		return m.states[id].stand
	}
	stand, room := id, m.room(id)
	switch last := len(room) - 1; {
	case last < 0, room[last] == len(room) && m.takesAll(id):
		stand = free
	case room[last] == 0:
		stand = spent
	}
	m.states[id].stand = stand
	return stand
}

// takesAll reports whether the state breaks at no continuation at all: a bounded
// counter that takes a counted application in every slot takes any other sequence.
func (m *machine) takesAll(id stateID) bool {
	if !m.counter.bounded() || len(m.counter.letters()) != 2 {
		return false
	}
	for m.states[id].slot < m.slots {
		if id = m.step(id, 1); id == broken {
			return false
		}
	}
	return true
}

// wide is the room of a counter that nothing bounds.
func wide(slots int) []int {
	room := make([]int, slots)
	fill(room)
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

func newLimit(report Limit, m *machine, letter []int, pasts []string) limit {
	l := limit{Limit: report, machine: m, letter: letter}
	counted := m.counter.letters()
	for product, code := range letter {
		if counted[code] {
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

// roomAtStart is how many counted applications fit at most before any was made.
func (l limit) roomAtStart() int {
	least := l.machine.slots
	for _, id := range l.starts {
		if room := l.machine.room(id); len(room) > 0 {
			least = min(least, room[len(room)-1])
		}
	}
	return least
}

// idle reports whether no sequence of the candidates can break the limit.
func (l limit) idle() bool {
	if !slices.ContainsFunc(l.letter, func(letter int) bool { return letter != 0 }) {
		return true
	}
	if l.machine.counter.bounded() && len(l.members) == 0 {
		return true
	}
	return !slices.ContainsFunc(l.starts, func(id stateID) bool { return l.machine.stand(id) != free })
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
