package report

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"
)

// schemaVersion is the form of the JSON. It changes when a reader of the old form
// would read the new one wrongly.
const schemaVersion = "velamen-use-report/1"

// State says how a cell came to its text.
type State string

// The states.
const (
	StateGiven       State = "given"
	StateMissing     State = "missing"
	StateDoubtful    State = "doubtful"
	StateNotGiven    State = "not_given"
	StateNotRequired State = "not_required"
)

// Document is a report that is laid out. Every writer writes it and adds nothing.
type Document struct {
	Schema string `json:"schema"`
	Kind   string `json:"kind"`
	Title  string `json:"title"`
	// Section is the law that asks for the report.
	Section string `json:"section"`
	// Nursery is the resource name.
	Nursery  string `json:"nursery"`
	FromDate string `json:"from_date"`
	ToDate   string `json:"to_date"`
	TimeZone string `json:"time_zone"`
	// Missing and Doubtful count the fields in Gaps.
	Missing  int    `json:"missing"`
	Doubtful int    `json:"doubtful"`
	Caution  string `json:"caution"`
	// Facts are those of the nursery.
	Facts  []Fact  `json:"facts"`
	Uses   Table   `json:"uses"`
	Totals []Table `json:"totals"`
	Gaps   []Gap   `json:"gaps"`
	// Notes are sentences of the law with their sources, LeftOut says which uses of the
	// period are not in the report and why.
	Notes   []string `json:"notes"`
	LeftOut []string `json:"left_out"`

	// purged says that uses of the period may have been purged.
	purged bool
	// written is the end of the period: the date of the files, since a report reads no
	// clock.
	written time.Time
}

// Fact is a fact of the nursery in the head of a report.
type Fact struct {
	Column
	Cell Cell `json:"cell"`
}

// Table is rows of cells under columns.
type Table struct {
	ID      string   `json:"id"`
	Title   string   `json:"title"`
	Columns []Column `json:"columns"`
	Rows    []Row    `json:"rows"`
	// Note says how the numbers are made.
	Note string `json:"note,omitempty"`
}

// Column is what a law calls a field, and where it asks for it.
type Column struct {
	ID    string `json:"id"`
	Title string `json:"title"`
	// Section is the rule and Source where it was read, or that it is from memory.
	Section string `json:"section,omitempty"`
	Source  string `json:"source,omitempty"`

	of shape
}

// Row is a use or a total.
type Row struct {
	// Name is the entry of the use; empty in a total.
	Name  string `json:"name,omitempty"`
	Cells []Cell `json:"cells"`
	// Remarks tell of corrections, rules gone against and breaches.
	Remarks []string `json:"remarks,omitempty"`
}

// Cell is one field of one row. Text is what a person reads; the rest is there for
// machines.
type Cell struct {
	State State    `json:"state"`
	Text  string   `json:"text"`
	Items []string `json:"items,omitempty"`
	// Amount is a plain decimal of Unit, the code that the rule names. Recorded is the
	// amount as it was recorded, where that was another unit.
	Amount   string `json:"amount,omitempty"`
	Unit     string `json:"unit,omitempty"`
	Recorded string `json:"recorded,omitempty"`
	// Time carries the offset of the nursery's zone.
	Time *time.Time `json:"time,omitempty"`
}

// Build lays out a report of a kind over a period. It refuses a nursery under another
// law or without a zone, a period that the kind cannot have, and an entry that is
// given twice. Missing facts are no error: the report says them.
func Build(kind Kind, nursery Nursery, period Period, uses []Use) (Document, error) {
	if err := buildable(kind, nursery, period); err != nil {
		return Document{}, err
	}
	inPeriod := period.Select(uses)
	if err := onceEach(inPeriod); err != nil {
		return Document{}, err
	}
	left := leftOut(uses, period, kind)
	// What the period selects is a copy, and nobody else's.
	covered := slices.DeleteFunc(inPeriod, func(use Use) bool { return !kind.covers(use) })
	inOrder(covered, kind.ByHouse)

	document := Document{
		Schema: schemaVersion, Kind: kind.ID, Title: kind.Title, Section: kind.Section,
		Nursery: nursery.Name, FromDate: period.from, ToDate: period.to, TimeZone: nursery.Zone.String(),
		Caution: Caution, Facts: []Fact{}, LeftOut: left, Notes: []string{},
		Gaps: append(append([]Gap{}, period.purgedGaps(kind)...), nurseryGaps(kind, nursery)...), written: period.end, purged: len(period.purges) > 0,
		Uses: Table{ID: "uses", Title: "Uses", Rows: make([]Row, 0, len(covered))},
	}
	document.fill(kind, nursery, covered)
	for _, gap := range document.Gaps {
		if gap.Problem == IsDoubtful {
			document.Doubtful++
			continue
		}
		document.Missing++
	}
	for _, note := range kind.Notes {
		document.Notes = append(document.Notes, fmt.Sprintf("%s Source: %s.", note.Text, note.Cited()))
	}
	var err error
	document.Totals, err = totals(covered)
	return document, err
}

func buildable(kind Kind, nursery Nursery, period Period) error {
	if err := kind.Applies(nursery.Jurisdiction); err != nil {
		return err
	}
	if nursery.Zone == nil {
		return errors.New("the nursery has no time zone, so no local day can be told")
	}
	if period.begin.IsZero() {
		return errors.New("the report has no period")
	}
	if kind.Monthly && !period.wholeMonth() {
		return fmt.Errorf("%q is made of one calendar month, not of %s to %s", kind.Title, period.from, period.to)
	}
	return nil
}

// onceEach refuses an entry without a name or with that of another: its amounts would
// count twice.
func onceEach(uses []Use) error {
	seen := map[string]bool{}
	for _, use := range uses {
		if use.Entry == "" {
			return errors.New("a use has no entry, so no report can name it")
		}
		if seen[use.Entry] {
			return fmt.Errorf("entry %s is given twice", use.Entry)
		}
		seen[use.Entry] = true
	}
	return nil
}

// inOrder sorts by start, house and product, or by house first; what is alike keeps
// its order, which is that of the ledger.
func inOrder(uses []Use, byHouse bool) {
	slices.SortStableFunc(uses, func(a, b Use) int {
		first := 0
		if byHouse {
			first = cmp.Compare(a.House, b.House)
		}
		return cmp.Or(first, a.Start.Compare(b.Start), cmp.Compare(a.House, b.House), cmp.Compare(a.Product, b.Product))
	})
}

// leftOut counts the uses of the period that are not in the report.
func leftOut(uses []Use, period Period, kind Kind) []string {
	var corrected, general, later int
	for _, use := range uses {
		switch {
		case period.leaves(use) && kind.covers(use):
			later++
		case !period.Holds(use):
		case use.CorrectedBy != "":
			corrected++
		case !kind.covers(use):
			general++
		}
	}
	out := []string{}
	if corrected > 0 {
		out = append(out, fmt.Sprintf("Entries that another entry corrects, and that are not counted: %d.", corrected))
	}
	if later > 0 {
		out = append(out, fmt.Sprintf("Uses that began in this period and were finished after it, and that the report of the day on which they were finished has: %d.", later))
	}
	if general > 0 {
		out = append(out, fmt.Sprintf("Uses of products that are not restricted-use, and that this record does not cover: %d.", general))
	}
	return out
}

// fill lays out the facts of the nursery and the uses, with their gaps in the order of
// Check: every field is judged once.
func (d *Document) fill(kind Kind, nursery Nursery, uses []Use) {
	var fields []Field
	for _, field := range kind.Fields {
		column := Column{ID: field.Fact, Title: field.Title, Section: field.Section, Source: field.Cited(), of: facts[field.Fact].of}
		if facts[field.Fact].head {
			cell, gap := judge(field, nursery, Use{})
			d.Facts = append(d.Facts, Fact{Column: column, Cell: cell})
			d.note(gap)
			continue
		}
		fields = append(fields, field)
		d.Uses.Columns = append(d.Uses.Columns, column)
	}
	for _, use := range uses {
		row := Row{Name: use.Entry, Remarks: remarks(kind, use), Cells: make([]Cell, 0, len(fields))}
		for _, field := range fields {
			cell, gap := judge(field, nursery, use)
			row.Cells = append(row.Cells, cell)
			d.note(gap)
		}
		d.Uses.Rows = append(d.Uses.Rows, row)
	}
}

// note keeps a gap, where there is one.
func (d *Document) note(gap *Gap) {
	if gap != nil {
		d.Gaps = append(d.Gaps, *gap)
	}
}

// later returns what of a report of the kind is taken from what is entered now, as the
// law calls it.
func (k Kind) later(use Use) []string {
	var titles []string
	for _, field := range k.Fields {
		title := field.Title
		if slices.Contains(use.Later, field.Need) {
			title = "whether " + conditions[field.Need].words
		} else if !slices.Contains(use.Later, field.Fact) {
			continue
		}
		if !slices.Contains(titles, title) {
			titles = append(titles, title)
		}
	}
	return titles
}

// remarks are what an inspector must see beside a use.
func remarks(kind Kind, use Use) []string {
	var texts []string
	if use.Corrects != "" {
		texts = append(texts, fmt.Sprintf("Takes the place of %s: %s", clean(use.Corrects), cmp.Or(clean(use.CorrectionNote), "no reason is on record")))
	}
	if titles := kind.later(use); len(titles) > 0 {
		texts = append(texts, "Not in the record of the day and taken from what is entered now: "+joined(titles)+".")
	}
	for _, o := range use.Overrides {
		texts = append(texts, fmt.Sprintf("Rule overridden, %s, by %s: %s", clean(o.Rule), clean(o.Person), cmp.Or(clean(o.Note), "no reason is on record")))
	}
	if note := clean(use.Breach); note != "" {
		texts = append(texts, "Applied against a rule or outside a program: "+note)
	}
	if len(use.BreachRules) > 0 {
		texts = append(texts, "Rules that it broke: "+clean(joined(use.BreachRules)))
	}
	return texts
}
