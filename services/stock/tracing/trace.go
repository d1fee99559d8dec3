package tracing

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"
)

// Trace returns the lots that could have caught the disorder, the most exposed
// first, lots of one exposure by id.
func Trace(facts Facts, q Question, weights *Weights) []Exposed {
	t := &trace{
		facts: facts, question: q, weights: weights, infected: map[string]bool{}, full: map[Kind]float64{},
		found: map[contactKey][]span{}, contacts: map[string][]Contact{},
	}
	for _, lot := range q.Infected {
		t.infected[lot] = true
	}
	for _, kind := range Kinds {
		t.full[kind] = weights.of(kind, q.Routes)
	}
	t.sharePlants()
	t.sharePlaces()
	t.shareHandlings()
	return t.ranked()
}

// span is a time with both ends.
type span struct{ from, until time.Time }

func (s span) overlap(other span) (span, bool) {
	both := span{from: later(s.from, other.from), until: earlier(s.until, other.until)}
	return both, both.until.After(both.from)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

// contactKey is what times together are gathered by.
type contactKey struct {
	lot, infected string
	kind          Kind
	through       string
}

type trace struct {
	facts    Facts
	question Question
	weights  *Weights
	infected map[string]bool
	// full is what a full contact of each kind counts; 0 means that it carries
	// nothing of this disorder.
	full     map[Kind]float64
	found    map[contactKey][]span
	contacts map[string][]Contact
}

func (t *trace) window() span { return span{from: t.question.Start, until: t.question.End} }

func (t *trace) inWindow(at time.Time) bool {
	return !at.Before(t.question.Start) && !at.After(t.question.End)
}

func (t *trace) add(lot string, c Contact) {
	if t.infected[lot] || t.full[c.Kind] == 0 {
		return
	}
	t.contacts[lot] = append(t.contacts[lot], c)
}

func (t *trace) sharePlants() {
	for _, line := range t.facts.Lines {
		if line.Lot == line.Ancestor || !t.inWindow(line.Until) {
			continue
		}
		c := Contact{Kind: Plants, Through: line.Ancestor, Start: line.Until, End: line.Until}
		if t.infected[line.Ancestor] {
			c.Infected = line.Ancestor
			t.add(line.Lot, c)
		}
		if t.infected[line.Lot] {
			c.Infected = line.Lot
			t.add(line.Ancestor, c)
		}
	}
}

// presence is a time in the window at which plants of a lot stood on a bench.
type presence struct {
	lot   string
	bench BenchID
	span
}

// presences returns where the plants of every lot stood inside the window, along
// their lineage.
func (t *trace) presences() []presence {
	stays := map[string][]Stay{}
	for _, stay := range t.facts.Stays {
		stays[stay.Lot] = append(stays[stay.Lot], stay)
	}
	var all []presence
	add := func(lot string, stay Stay, until time.Time) {
		if in, ok := t.window().overlap(span{from: stay.From, until: earlier(stay.Until, until)}); ok {
			all = append(all, presence{lot: lot, bench: stay.Bench, span: in})
		}
	}
	for lot, own := range stays {
		for _, stay := range own {
			add(lot, stay, stay.Until)
		}
	}
	for _, line := range t.facts.Lines {
		if line.Lot == line.Ancestor {
			continue
		}
		for _, stay := range stays[line.Ancestor] {
			add(line.Lot, stay, line.Until)
		}
	}
	return all
}

// sharePlaces finds who stood together with infected lots.
func (t *trace) sharePlaces() {
	benches := benchIndex(t.facts.Benches)
	var infected []presence
	byHouse := map[string][]presence{}
	byLine := map[string][]presence{}
	for _, p := range t.presences() {
		if t.infected[p.lot] {
			infected = append(infected, p)
			continue
		}
		byHouse[p.bench.House] = append(byHouse[p.bench.House], p)
		if line := benches[p.bench].WaterLine; line != "" {
			byLine[line] = append(byLine[line], p)
		}
	}
	beside := neighbours(t.facts.Benches)
	for _, source := range infected {
		for _, other := range byHouse[source.bench.House] {
			t.together(source, other, House, source.bench.House)
			if other.bench == source.bench {
				t.together(source, other, SameBench, source.bench.String())
			}
		}
		for _, bench := range beside[source.bench] {
			for _, other := range byHouse[bench.House] {
				if other.bench == bench {
					t.together(source, other, NeighbourBench, source.bench.String())
				}
			}
		}
		if line := benches[source.bench].WaterLine; line != "" {
			for _, other := range byLine[line] {
				t.together(source, other, WaterLine, line)
			}
		}
	}
	t.gather()
}

func benchIndex(benches []Bench) map[BenchID]Bench {
	index := map[BenchID]Bench{}
	for _, bench := range benches {
		index[bench.ID] = bench
	}
	return index
}

func (t *trace) together(source, other presence, kind Kind, through string) {
	if t.full[kind] == 0 {
		return
	}
	both, ok := source.overlap(other.span)
	if !ok {
		return
	}
	key := contactKey{lot: other.lot, infected: source.lot, kind: kind, through: through}
	t.found[key] = append(t.found[key], both)
}

// gather makes one contact of all times that two lots shared a thing. Times that
// overlap, because plants of both came along two ways, count once.
func (t *trace) gather() {
	for key, spans := range t.found {
		slices.SortFunc(spans, func(a, b span) int { return cmp.Or(a.from.Compare(b.from), a.until.Compare(b.until)) })
		c := Contact{Kind: key.kind, Infected: key.infected, Through: key.through, Start: spans[0].from, End: spans[0].from}
		for _, s := range spans {
			if s.until.After(c.End) {
				c.Together += s.until.Sub(later(s.from, c.End))
				c.End = s.until
			}
		}
		t.add(key.lot, c)
	}
}

// ranked puts the lots in order.
func (t *trace) ranked() []Exposed {
	exposed := make([]Exposed, 0, len(t.contacts))
	for lot, contacts := range t.contacts {
		for i := range contacts {
			contacts[i].weight = t.full[contacts[i].Kind] * t.weights.share(contacts[i])
		}
		slices.SortFunc(contacts, heaviestFirst)
		missed := 1.0
		for _, c := range contacts {
			missed *= 1 - c.weight
		}
		exposed = append(exposed, Exposed{Lot: lot, Tenths: int(math.Round(1000 * (1 - missed))), Contacts: contacts})
	}
	slices.SortFunc(exposed, func(a, b Exposed) int {
		return cmp.Or(cmp.Compare(b.Tenths, a.Tenths), strings.Compare(a.Lot, b.Lot))
	})
	return exposed
}

func heaviestFirst(a, b Contact) int {
	return cmp.Or(
		cmp.Compare(b.weight, a.weight), cmp.Compare(slices.Index(Kinds, a.Kind), slices.Index(Kinds, b.Kind)),
		a.Start.Compare(b.Start), a.End.Compare(b.End), strings.Compare(a.Infected, b.Infected), strings.Compare(a.Through, b.Through),
	)
}
