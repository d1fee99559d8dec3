package notice

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"velamen/internal/page"
	"velamen/services/treatment/entry"
)

// Types of a sheet: it is read from a wall, aloud, or in a hurry.
var (
	shout  = page.Type{Bold: true, Size: 38, Height: 17}
	large  = page.Type{Bold: true, Size: 16, Height: 8}
	aloud  = page.Type{Size: 14, Height: 7}
	framed = page.Type{Size: 9.5, Height: 4.6}
	value  = page.Type{Size: 10, Height: 4.8}
	strong = page.Type{Bold: true, Size: 10, Height: 4.8}
	alarm  = page.Type{Bold: true, Size: 10, Height: 4.8, Ink: page.Red}
	label  = page.Type{Size: 7.5, Height: 3.6, Ink: page.Grey}

	near = page.Look{Label: label, Body: value, Alarm: alarm}
	far  = page.Look{Label: label, Body: page.Type{Bold: true, Size: 14, Height: 7}, Alarm: page.Type{Bold: true, Size: 14, Height: 7, Ink: page.Red}}
)

// drawing is the part of one house while it is drawn.
type drawing struct {
	*page.Pages
	words     texts
	nursery   Nursery
	treatment Treatment
	title     string

	house    entry.House
	closed   entry.ClosedArea
	interval entry.Interval
	due      entry.Notices
	// missing gathers what nobody entered, in all houses.
	missing *[]string
}

func newDrawing(pages *page.Pages, nursery Nursery, treatment Treatment, title string, missing *[]string) *drawing {
	house := houseOf(nursery, treatment)
	return &drawing{
		Pages: pages, words: printed(), nursery: nursery, treatment: treatment, title: title, missing: missing,
		house: house, closed: entry.ClosedAreaOf(treatment.Entry, house.Enclosed),
		interval: nursery.Law.IntervalOf(treatment.Entry),
		// Nobody says that nobody enters, so more is asked for.
		due: nursery.Law.NoticesDue(treatment.Entry, entry.Unknown),
	}
}

func (d *drawing) zone() *time.Location {
	if d.nursery.Law.Zone == nil {
		return time.UTC
	}
	return d.nursery.Law.Zone
}

// when writes a moment in the nursery's zone; "" for none.
func (d *drawing) when(moment time.Time) string {
	if moment.IsZero() {
		return ""
	}
	return moment.In(d.zone()).Format("2006-01-02 15:04 MST")
}

// head draws what every sheet begins with.
func (d *drawing) head() {
	d.Paragraph(page.Title, d.words.both(d.title))
	d.Down(1)
	d.row(near, []string{"house", "nursery", "application"}, nameOf(d.nursery, d.treatment), d.nursery.DisplayName, d.application())
	d.Paragraph(page.Small, d.words.both("zone", "zone", d.zone().String()))
	d.planned()
}

// application is its name; one that is planned has none yet.
func (d *drawing) application() string {
	if d.treatment.Planned {
		return d.words.both("application.planned")
	}
	return d.treatment.Entry.ID
}

// planned says of work that is not done that its times are no more than planned: what is
// open by the plan may still be closed.
func (d *drawing) planned() {
	if d.treatment.Planned {
		d.Down(1)
		d.say(strong, "planned")
	}
}

// tail draws what every sheet ends with.
func (d *drawing) tail() {
	d.Down(2)
	d.Room(4 * page.Strong.Height)
	d.say(page.Strong, "caution")
}

// say draws a text in every language, one paragraph for each.
func (d *drawing) say(t page.Type, key string, pairs ...string) {
	for _, language := range languages {
		d.Paragraph(t, d.words.in(language, key, pairs...))
	}
}

// heading draws the title of a section.
func (d *drawing) heading(key string) { d.Heading(d.words.both(key)) }

// fact draws a label and a text, or that it is missing.
func (d *drawing) fact(key, text string) { d.factOf("", key, text) }

// factOf is fact for one of several things, which the list of what is missing names.
func (d *drawing) factOf(of, key, text string) {
	d.Room(label.Height + value.Height)
	d.Paragraph(label, d.words.both(key))
	missing := d.words.both("missing")
	if strings.TrimSpace(text) == "" {
		d.lacks(of, key)
		text = missing
	}
	for line := range strings.Lines(text) {
		t := value
		if strings.Contains(line, missing) {
			t = alarm
		}
		if strings.TrimSpace(line) != "" {
			d.Paragraph(t, line)
		}
	}
	d.Down(1)
}

// row draws facts side by side.
func (d *drawing) row(look page.Look, keys []string, facts ...string) {
	d.rowOf("", look, keys, facts...)
}

// rowOf is row for one of several things, which the list of what is missing names.
func (d *drawing) rowOf(of string, look page.Look, keys []string, facts ...string) {
	labels, cells := make([]string, len(keys)), make([]page.Cell, len(keys))
	missing := d.words.both("missing")
	for i, key := range keys {
		text := facts[i]
		if strings.TrimSpace(text) == "" {
			d.lacks(of, key)
			text = missing
		}
		labels[i], cells[i] = d.words.both(key), page.Cell{Text: text, Alarm: strings.Contains(text, missing)}
	}
	d.Cells(look, labels, cells, d.Columns(len(keys)))
}

// lacks notes that a fact is missing.
func (d *drawing) lacks(of, key string) {
	fact := d.words.in(languages[0], key)
	if of != "" {
		fact = of + ": " + fact
	}
	if !slices.Contains(*d.missing, fact) {
		*d.missing = append(*d.missing, fact)
	}
}

// stricter names facts, in the words of the rules of entry, for want of which a stricter
// rule is taken.
func (d *drawing) stricter(facts []string) {
	if len(facts) == 0 {
		return
	}
	for _, fact := range facts {
		if !slices.Contains(*d.missing, fact) {
			*d.missing = append(*d.missing, fact)
		}
	}
	for _, language := range languages {
		named := make([]string, len(facts))
		for i, fact := range facts {
			named[i], _ = d.words.fact(language, fact)
		}
		d.Paragraph(alarm, d.words.in(language, "missing")+": "+d.words.in(language, "stricter", "facts", strings.Join(named, "; ")))
	}
}

// area says in a language what is closed.
func (d *drawing) area(language string) string {
	closed := d.closed.Closed
	text := ""
	switch {
	case closed.Extent == entry.WholeSpaceAndAdjoining:
		return d.words.in(language, "area.adjoining")
	case closed.Extent == entry.WholeSpace:
		return d.words.in(language, "area.house")
	case closed.Feet > 0:
		text = d.words.in(language, "area.around", "feet", fmt.Sprint(closed.Feet))
	default:
		text = d.words.in(language, "area.treated")
	}
	if where := d.where(language); where != "" {
		text += " (" + where + ")"
	}
	return text
}

// where says in a language what was treated; "" where that is not known.
func (d *drawing) where(language string) string {
	switch len(d.treatment.Benches) {
	case 0:
		return d.treatment.Entry.Where
	case 1:
		return d.words.in(language, "where.bench", "benches", d.treatment.Benches[0])
	default:
		return d.words.in(language, "where.benches", "benches", strings.Join(d.treatment.Benches, ", "))
	}
}

// areas is the area in every language, one below the other.
func (d *drawing) areas() string {
	var all []string
	for _, language := range languages {
		all = append(all, d.area(language))
	}
	return strings.Join(all, "\n")
}

// ends is when the interval is over; "" while that is not known.
func (d *drawing) ends() string {
	ends, known := d.interval.EndFrom(d.treatment.Entry.End)
	if !known {
		return ""
	}
	return d.when(ends)
}

// length is the interval in words; "" while it is not known.
func (d *drawing) length() string {
	if !d.interval.Known {
		return ""
	}
	hours, rest := d.interval.Length/time.Hour, d.interval.Length%time.Hour
	if rest == 0 {
		return fmt.Sprintf("%d h", hours)
	}
	return fmt.Sprintf("%d h %s", hours, rest)
}

// whatIsMissingOfIt names what is missing of the interval and of the area.
func (d *drawing) whatIsMissingOfIt() {
	d.stricter(append(slices.Clone(d.interval.Missing), d.closed.Missing...))
}

// product begins the part of a product.
func (d *drawing) product(product Product) {
	d.Down(1)
	d.Room(30)
	d.Bar(strong, d.words.both("product")+": "+d.orMissing(product.Name, "product"))
}

// actives are the names of the active ingredients.
func (d *drawing) actives(product Product) string {
	names := make([]string, len(product.Actives))
	for i, active := range product.Actives {
		names[i] = active.Name
	}
	return strings.Join(names, "; ")
}

// contents are the active ingredients, each with how much of it the product holds.
func (d *drawing) contents(product Product) string {
	held := make([]string, len(product.Actives))
	for i, active := range product.Actives {
		content := active.Content
		if content == "" {
			d.lacks(product.Name+": "+active.Name, "content")
			content = d.words.both("missing")
		}
		held[i] = active.Name + ", " + content
	}
	return strings.Join(held, "; ")
}

// orMissing returns a text, or that it is missing.
func (d *drawing) orMissing(text, key string) string {
	if strings.TrimSpace(text) != "" {
		return text
	}
	d.lacks("", key)
	return d.words.both("missing")
}

// basis says where the facts of a product are from.
func (d *drawing) basis(product Product) {
	d.Down(1)
	key := "basis.now"
	switch {
	case d.treatment.Planned:
		key = "basis.planned"
	case product.Recorded:
		key = "basis.recorded"
	}
	d.say(page.Small, key)
}

// noProducts draws that there are none, which can only be a fact that is missing.
func (d *drawing) noProducts() {
	if len(d.treatment.Products) == 0 {
		d.fact("product", "")
	}
}
