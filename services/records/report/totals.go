package report

import (
	"cmp"
	"errors"
	"fmt"
	"math/big"
	"slices"

	"velamen/internal/quantity"
)

// sum adds up an active ingredient. Nothing is rounded until it is written.
type sum struct {
	// keys tell sums apart and sort them; the texts are shown.
	keys  []string
	texts []string
	grams quantity.Exact
	// unknown counts the amounts that nobody knows: a total without them is too small.
	unknown int
	// places are the applications in houses that it took part in, with their areas in
	// ha: two products of one mix treat one area.
	places []place
	// at says where each of places stands.
	at map[treatedIn]int
}

// treatedIn is an application in a house.
type treatedIn struct{ application, house string }

type place struct {
	treatedIn
	area  quantity.Exact
	known bool
}

// by is what a sum is kept by; what a table does not tell apart is empty.
type by struct{ house, active, group string }

// sums keeps its order of coming until it is sorted.
type sums struct {
	all []*sum
	at  map[by]*sum
}

func (s *sums) of(key by, keys, texts []string) *sum {
	if known := s.at[key]; known != nil {
		return known
	}
	fresh := &sum{keys: keys, texts: texts, grams: quantity.ExactOf(new(big.Rat), quantity.Gram), at: map[treatedIn]int{}}
	if s.at == nil {
		s.at = map[by]*sum{}
	}
	s.at[key] = fresh
	s.all = append(s.all, fresh)
	return fresh
}

func (s *sums) sorted() []*sum {
	slices.SortFunc(s.all, func(a, b *sum) int { return slices.Compare(a.keys, b.keys) })
	return s.all
}

// add counts one active ingredient of one use.
func (s *sum) add(use Use, active Active) error {
	if active.Amount.IsZero() {
		s.unknown++
	} else {
		grams, err := s.grams.Add(active.Amount.Exact())
		if err != nil {
			return fmt.Errorf("%s, active ingredient %s: %w", use.Entry, active.Name, err)
		}
		s.grams = grams
	}
	if neverApplied(use) {
		return nil // its area was not treated
	}
	here := place{treatedIn: treatedIn{application: cmp.Or(use.Application, use.Entry), house: use.House}}
	if area, err := use.Treated.Exact().In(quantity.Hectare); err == nil && area.Sign() > 0 {
		here.area, here.known = area, true
	}
	at, known := s.at[here.treatedIn]
	if !known {
		s.at[here.treatedIn] = len(s.places)
		s.places = append(s.places, here)
		return nil
	}
	// Two areas of one application in one house contradict each other, and neither is
	// taken.
	there := &s.places[at]
	if !there.known || !here.known {
		there.known = false
	} else if order, err := there.area.Compare(here.area); err != nil || order != 0 {
		there.known = false
	}
	return nil
}

// neverApplied reports whether the amount of a use was put right to nothing: it was
// entered, and no plant was treated with it.
func neverApplied(use Use) bool { return !use.Amount.IsZero() && !use.Amount.Positive() }

// treated returns the areas in ha; an area that was treated twice counts twice.
func (s *sum) treated() (quantity.Exact, bool) {
	area := quantity.ExactOf(new(big.Rat), quantity.Hectare)
	for _, p := range s.places {
		if !p.known {
			return quantity.Exact{}, false
		}
		sum, err := area.Add(p.area)
		if err != nil {
			return quantity.Exact{}, false
		}
		area = sum
	}
	return area, area.Sign() > 0
}

// applications counts the applications, each once in however many houses.
func (s *sum) applications() int {
	names := map[string]bool{}
	for _, p := range s.places {
		names[p.application] = true
	}
	return len(names)
}

// totals lays out what was applied of each active ingredient: by house and per
// hectare treated, in the nursery, and by FRAC group.
func totals(uses []Use) ([]Table, error) {
	var byHouse, byActive, byGroup sums
	for _, use := range uses {
		actives := use.Actives
		if len(actives) == 0 {
			// A use of which nothing is known is in the totals too, as missing: without it
			// they would look whole.
			actives = []Active{{}}
		}
		for _, active := range actives {
			name, code := cmp.Or(clean(active.Name), Missing), cmp.Or(clean(active.FRAC), Missing)
			house := cmp.Or(clean(use.HouseName), clean(use.House), Missing)
			err := errors.Join(
				byHouse.of(by{use.House, name, code}, []string{use.House, name, code}, []string{house, name, code}).add(use, active),
				byActive.of(by{active: name, group: code}, []string{name, code}, []string{name, code}).add(use, active),
				byGroup.of(by{group: code}, []string{code}, []string{code}).add(use, active),
			)
			if err != nil {
				return nil, err
			}
		}
	}
	return []Table{
		totalTable("totals-by-house", "Active ingredients by house", &byHouse, true, "House", "Active ingredient", "FRAC group"),
		totalTable("totals-by-active", "Active ingredients of the nursery", &byActive, true, "Active ingredient", "FRAC group"),
		totalTable("totals-by-group", "Active ingredients by FRAC group", &byGroup, false, "FRAC group"),
	}, nil
}

// perHectareNote says how the mean is made.
const perHectareNote = "g/ha is the amount over the area that was treated with it; an area counts as often as it was treated. " +
	"Amounts are added exactly and rounded once, to 6 places."

func totalTable(id, title string, of *sums, perHectare bool, titles ...string) Table {
	table := Table{ID: id, Title: title, Rows: []Row{}}
	for _, title := range titles {
		table.Columns = append(table.Columns, Column{ID: columnID[title], Title: title})
	}
	table.Columns = append(table.Columns, Column{ID: "amount", Title: "Amount", of: ofQuantity})
	if perHectare {
		table.Note = perHectareNote
		table.Columns = append(table.Columns,
			Column{ID: "area", Title: "Area treated", of: ofQuantity}, Column{ID: "per-hectare", Title: "Per hectare treated", of: ofQuantity})
	}
	table.Columns = append(table.Columns, Column{ID: "applications", Title: "Applications"})
	for _, total := range of.sorted() {
		table.Rows = append(table.Rows, total.row(perHectare))
	}
	return table
}

var columnID = map[string]string{"House": "house", "Active ingredient": "active", "FRAC group": "frac"}

func (s *sum) row(perHectare bool) Row {
	var row Row
	for _, text := range s.texts {
		row.Cells = append(row.Cells, totalText(text))
	}
	row.Cells = append(row.Cells, s.totalCell(s.grams))
	if perHectare {
		row.Cells = append(row.Cells, s.areaCells()...)
	}
	row.Cells = append(row.Cells, totalText(fmt.Sprint(s.applications())))
	return row
}

func totalText(text string) Cell {
	if text == Missing {
		return Cell{State: StateMissing, Text: Missing}
	}
	return Cell{State: StateGiven, Text: text}
}

// totalCell shows a sum; one that lacks an amount says so, since it is too small.
func (s *sum) totalCell(total quantity.Exact) Cell {
	round := total.Round()
	cell := quantityCell(round, string(round.Unit))
	if s.unknown > 0 {
		return Cell{State: StateMissing, Text: fmt.Sprintf("%s (amounts not known: %d); known: %s", Missing, s.unknown, cell.Text)}
	}
	return cell
}

func (s *sum) areaCells() []Cell {
	if len(s.places) == 0 {
		none := Cell{State: StateNotRequired, Text: NotRequired}
		return []Cell{none, none}
	}
	area, known := s.treated()
	if !known {
		return []Cell{{State: StateMissing, Text: Missing}, {State: StateMissing, Text: Missing}}
	}
	round := area.Round()
	cells := []Cell{quantityCell(round, string(round.Unit))}
	number := s.grams.Amount()
	return append(cells, s.totalCell(quantity.ExactOf(number.Quo(number, area.Amount()), "g/ha")))
}
