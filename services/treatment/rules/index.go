package rules

import (
	"fmt"
	"slices"
	"sort"
	"sync"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/products"
)

// Indexed is a history made ready for many applications: what the rules look for
// in it is laid out once, so that a question is a search in a few numbers. It does
// not change once made; several goroutines may use it at once.
type Indexed struct {
	// keys number every product, registration and active ingredient in it.
	keys map[key]int32
	// seen are the products in it by id, laid out: the same few return all the time.
	seen map[string][]seenProduct
	// byLast are the pasts by the id of their last application.
	byLast map[string][]*lotPast
	lots   map[string]*lotPast
}

// key is the name of something that is looked for.
type key struct {
	kind kind
	name string
}

type kind int8

const (
	productKey kind = iota
	registrationKey
	activeKey
)

// absent is the number of what is nowhere in a history.
const absent int32 = -1

// seenProduct is a product of a history with the numbers of what it is and holds.
type seenProduct struct {
	registration string
	actives      []PastActive
	things       []int32
	// groups are those of its active ingredients, in their order, as GroupOf writes
	// them; classes those that each works on.
	groups  []string
	classes [][]diagnosisv1.DisorderClass
}

func (p *seenProduct) is(product *PastProduct) bool {
	if p.registration != product.RegistrationNumber || len(p.actives) != len(product.Actives) {
		return false
	}
	for i := range p.actives {
		if p.actives[i].ID != product.Actives[i].ID || p.actives[i].Group != product.Actives[i].Group {
			return false
		}
	}
	return true
}

// lotPast is what one lot was treated with.
type lotPast struct {
	past []Past
	ends []time.Time
	// things are the numbers of what was in the applications; those of application i
	// begin at firsts[i].
	things []int32
	firsts []int32
	uses   []classUses
}

// classUses are the applications against one class of disorder.
type classUses struct {
	class diagnosisv1.DisorderClass
	uses  []Use
}

// RotationVerdicts holds an application to the rules of resistance rotation only.
func (x *Indexed) RotationVerdicts(a Application) ([]Verdict, error) {
	c, err := newCheckOn(a, x)
	if err != nil {
		return nil, err
	}
	c.rotation()
	return c.sorted(), nil
}

// Index makes a history ready for Check. It returns an error when the applications
// of a lot are not in the order of their ends.
func Index(h History) (*Indexed, error) {
	lots := make([]string, 0, len(h))
	for lot := range h {
		lots = append(lots, lot)
	}
	slices.Sort(lots)
	return index(h, lots)
}

func index(h History, lots []string) (*Indexed, error) {
	x := &Indexed{
		keys: map[key]int32{}, seen: map[string][]seenProduct{}, byLast: map[string][]*lotPast{},
		lots: make(map[string]*lotPast, len(lots)),
	}
	for _, lot := range lots {
		past := h[lot]
		if len(past) == 0 || x.lots[lot] != nil {
			continue
		}
		for i := 1; i < len(past); i++ {
			if past[i].End.Before(past[i-1].End) {
				return nil, fmt.Errorf("lot %s: its applications are not in the order of their ends", lot)
			}
		}
		x.lots[lot] = x.shared(past)
	}
	return x, nil
}

// shared returns the past of a lot. Lots that stand together are treated together:
// those with the same past share it, so that it is looked at once for all of them.
func (x *Indexed) shared(past []Past) *lotPast {
	last := past[len(past)-1].ID
	for _, other := range x.byLast[last] {
		if samePast(other.past, past) {
			return other
		}
	}
	p := x.layOut(past)
	x.byLast[last] = append(x.byLast[last], p)
	return p
}

// samePast reports whether two lots were treated with the same in all that rules
// look at.
func samePast(a, b []Past) bool {
	return slices.EqualFunc(a, b, func(x, y Past) bool {
		return x.ID == y.ID && x.Start.Equal(y.Start) && x.End.Equal(y.End) && x.Disorder == y.Disorder && x.Class == y.Class &&
			slices.EqualFunc(x.Products, y.Products, sameProduct)
	})
}

func sameProduct(x, y PastProduct) bool {
	return x.ID == y.ID && x.DisplayName == y.DisplayName && x.RegistrationNumber == y.RegistrationNumber &&
		x.Formulation == y.Formulation && slices.EqualFunc(x.Actives, y.Actives, sameActive)
}

func sameActive(x, y PastActive) bool {
	if x.ID != y.ID || x.Group != y.Group || (x.PerArea == nil) != (y.PerArea == nil) {
		return false
	}
	return x.PerArea == y.PerArea || x.PerArea.Cmp(y.PerArea) == 0
}

// layOut lays out the applications of one lot.
func (x *Indexed) layOut(past []Past) *lotPast {
	things, actives := 0, 0
	for i := range past {
		for j := range past[i].Products {
			things += 2 + len(past[i].Products[j].Actives)
			actives += len(past[i].Products[j].Actives)
		}
	}
	p := &lotPast{
		past: past, ends: make([]time.Time, len(past)),
		things: make([]int32, 0, things), firsts: make([]int32, len(past)+1),
	}
	// The groups of all uses stand in one array: there are thousands of them.
	groups := make([]string, 0, 2*actives)
	var held []*seenProduct
	for i := range past {
		p.ends[i], p.firsts[i] = past[i].End, int32(len(p.things))
		use := Use{Time: past[i].End, Disorder: past[i].Disorder, Class: past[i].Class}
		held = held[:0]
		for j := range past[i].Products {
			held = append(held, x.product(&past[i].Products[j]))
			p.things = append(p.things, held[j].things...)
		}
		use.Groups, use.Effective, groups = groupsOf(held, use.Class, groups)
		p.addUse(use, len(past)-i)
	}
	p.firsts[len(past)] = int32(len(p.things))
	return p
}

// product returns a product of the history laid out.
func (x *Indexed) product(product *PastProduct) *seenProduct {
	seen := x.seen[product.ID]
	for i := range seen {
		if seen[i].is(product) {
			return &seen[i]
		}
	}
	p := seenProduct{registration: product.RegistrationNumber, actives: product.Actives}
	p.things = append(p.things, x.number(productKey, product.ID), x.number(registrationKey, product.RegistrationNumber))
	for i := range product.Actives {
		active := &product.Actives[i]
		p.things = append(p.things, x.number(activeKey, active.ID))
		p.groups = append(p.groups, GroupOf(active.Group))
		p.classes = append(p.classes, classesOf()[active.ID])
	}
	x.seen[product.ID] = append(seen, p)
	return &x.seen[product.ID][len(seen)]
}

// groupsOf returns the groups of products, each once, and those of them that work
// on a class. They are appended to an array that is large enough for them.
func groupsOf(held []*seenProduct, class diagnosisv1.DisorderClass, array []string) (groups, effective, more []string) {
	start := len(array)
	for _, product := range held {
		for _, group := range product.groups {
			if !slices.Contains(array[start:], group) {
				array = append(array, group)
			}
		}
	}
	middle := len(array)
	for _, product := range held {
		for i, group := range product.groups {
			if slices.Contains(product.classes[i], class) && !slices.Contains(array[middle:], group) {
				array = append(array, group)
			}
		}
	}
	return array[start:middle:middle], array[middle:len(array):len(array)], array
}

// addUse adds a use to those of its class, of which there are at most so many.
func (p *lotPast) addUse(use Use, most int) {
	i := slices.IndexFunc(p.uses, func(of classUses) bool { return of.class == use.Class })
	if i < 0 {
		p.uses = append(p.uses, classUses{class: use.Class, uses: make([]Use, 0, most)})
		i = len(p.uses) - 1
	}
	p.uses[i].uses = append(p.uses[i].uses, use)
}

func (x *Indexed) number(kind kind, name string) int32 {
	k := key{kind, name}
	n, known := x.keys[k]
	if !known {
		n = int32(len(x.keys))
		x.keys[k] = n
	}
	return n
}

// find returns the number of something; absent when it is nowhere in the history,
// or has no name.
func (x *Indexed) find(kind kind, name string) int32 {
	if n, known := x.keys[key{kind, name}]; known && name != "" {
		return n
	}
	return absent
}

// nothing is the past of a lot that was never treated.
var nothing = &lotPast{firsts: []int32{0}}

func (x *Indexed) of(lot string) *lotPast {
	if p, treated := x.lots[lot]; treated {
		return p
	}
	return nothing
}

// since returns the position of the first application that ended after a moment.
func (p *lotPast) since(moment time.Time) int {
	return sort.Search(len(p.ends), func(i int) bool { return p.ends[i].After(moment) })
}

// in returns what was in an application.
func (p *lotPast) in(i int) []int32 { return p.things[p.firsts[i]:p.firsts[i+1]] }

// usesOf returns the uses against a class, oldest first.
func (p *lotPast) usesOf(class diagnosisv1.DisorderClass) []Use {
	for i := range p.uses {
		if p.uses[i].class == class {
			return p.uses[i].uses
		}
	}
	return nil
}

// classesOf are the classes of disorder by the active ingredient that works on
// them: a history asks for each of thousands.
var classesOf = sync.OnceValue(func() map[string][]diagnosisv1.DisorderClass {
	classes := map[string][]diagnosisv1.DisorderClass{}
	for _, active := range products.ActiveIngredients() {
		classes[active.ID] = active.WorksOn
	}
	return classes
})
