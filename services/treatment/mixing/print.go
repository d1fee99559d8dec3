package mixing

import (
	"bytes"
	"fmt"
	"math/big"
	"strings"
	"unicode"

	"velamen/internal/quantity"
)

// pageWidth is how many columns a printed sheet takes at most: a portrait A4 page
// or a US letter in a fixed-width face.
const pageWidth = 80

// Text returns the sheet as plain text of at most 80 columns, to print.
func (s Sheet) Text() string {
	var p page
	p.line("MIX SHEET")
	p.rule('=')
	p.paragraph("", "", s.Caution)
	p.rule('-')
	s.printHead(&p)
	p.section("WEAR")
	for _, wear := range s.ProtectiveEquipment {
		p.item("-", wear)
	}
	if len(s.ProtectiveEquipment) == 0 {
		p.item("-", "NOT ENTERED: read it on the labels before anything is opened.")
	}
	p.section("RE-ENTRY")
	if s.RestrictedEntryInterval.IsZero() {
		p.item("-", "NOT ENTERED: do not apply before it is read on the labels.")
	} else {
		p.item("-", fmt.Sprintf("Nobody enters for %s after the work has ended (longest of the labels).", s.RestrictedEntryInterval))
	}
	for _, missing := range s.Missing {
		p.item("!", missing)
	}
	if len(s.ToMind) > 0 {
		p.section("MIND")
		for _, mind := range s.ToMind {
			p.item("!", mind.String())
		}
	}
	p.section("MEASURE OUT")
	for i, load := range s.Loads {
		if i > 0 {
			p.line("")
		}
		first, all := s.among(i)
		load.print(&p, first, all)
	}
	s.printTotals(&p)
	p.section("ORDER")
	for i, step := range s.Steps {
		p.item(fmt.Sprintf("%d.", i+1), step.String())
	}
	if len(s.Notes) > 0 {
		p.section("NOTES")
		for _, note := range s.Notes {
			p.item("-", note.String())
		}
	}
	p.line("")
	p.line("Mixed by ____________________________  Date and time _________________________")
	return p.String()
}

// among returns the number of some loads among those for the same purpose, and how
// many of these there are.
func (s Sheet) among(index int) (first, all int64) {
	first = 1
	for i, load := range s.Loads {
		if load.Purpose != s.Loads[index].Purpose {
			continue
		}
		if i < index {
			first += load.Times
		}
		all += load.Times
	}
	return first, all
}

// printTotals writes what is taken from the store for all loads, where that is more
// than one load.
func (s Sheet) printTotals(p *page) {
	if len(s.Loads) == 1 && s.Loads[0].Times == 1 {
		return
	}
	p.line("")
	for i, product := range s.Loads[0].Products {
		sum := quantity.ExactOf(new(big.Rat), product.Amount.Unit)
		for _, load := range s.Loads {
			more, err := sum.Add(load.Products[i].Amount.Exact().Times(new(big.Rat).SetInt64(load.Times)))
			if err != nil {
				return // one product is measured in one dimension
			}
			sum = more
		}
		p.paragraph("", "      ", fmt.Sprintf("For all of it: %s of %s", sum.Ceil(quantity.Places), product.Product.DisplayName))
	}
}

func (s Sheet) printHead(p *page) {
	p.fact("Where", s.Where)
	p.fact("Against", s.Against)
	p.fact("How", strings.ToLower(strings.TrimPrefix(s.Method.String(), "METHOD_")))
	if !s.Area.IsZero() {
		p.fact("Area", s.Area.String())
	}
	if s.Plants > 0 {
		p.fact("Plants", fmt.Sprint(s.Plants))
	}
	p.fact("Mix", s.TotalVolume.String()+" in all")
	for _, rate := range s.Rates {
		p.fact("Rate", rate)
	}
}

// print writes what is measured out for some loads that are alike, the first of
// which has a number among all for the same purpose.
func (l Load) print(p *page, first, all int64) {
	name := "Load"
	if l.Purpose != "" {
		name = strings.ToUpper(l.Purpose[:1]) + l.Purpose[1:]
	}
	title := fmt.Sprintf("%s %d of %d: %s", name, first, all, l.Volume)
	if l.Times > 1 {
		title = fmt.Sprintf("%ss %d to %d of %d, all alike: %s each", name, first, first+l.Times-1, all, l.Volume)
	}
	if !l.Area.IsZero() {
		title += ", for " + shownArea(l.Area)
	}
	if !l.Area.IsZero() && l.Times > 1 {
		title += " each"
	}
	p.paragraph("", "", title)
	for _, product := range l.Products {
		amount := product.Amount.String()
		if product.AmountInOtherUnits.Positive() {
			amount += fmt.Sprintf("  (%s)", product.AmountInOtherUnits)
		}
		p.paragraph("  [ ] ", "      ", fmt.Sprintf("%s: %s", product.Product.DisplayName, amount))
		for _, filling := range product.Measuring {
			p.paragraph("        ", "          ", fmt.Sprintf("%s: %s to %s", filling.Measure, times(filling.Times), filling.Amount))
		}
		if product.BelowLabel {
			p.line("        BELOW THE LABEL'S LOWEST RATE")
		}
		if product.Rounding != "" {
			p.paragraph("        ", "        ", product.Rounding)
		}
	}
}

// shownArea gives an area to one place, rounded up: spread over a little more, an
// amount stays within the label.
func shownArea(area quantity.Quantity) string { return area.Exact().Ceil(1).String() }

// page is a text that is being written.
type page struct{ bytes.Buffer }

func (p *page) line(text string) {
	p.WriteString(strings.TrimRight(text, " "))
	p.WriteByte('\n')
}

func (p *page) rule(of rune) { p.line(strings.Repeat(string(of), pageWidth)) }

func (p *page) section(title string) {
	p.line("")
	p.line(title)
}

// fact writes a name and a value; nothing when there is no value.
func (p *page) fact(name, value string) {
	if value != "" {
		p.paragraph(fmt.Sprintf("%-8s ", name), strings.Repeat(" ", 9), value)
	}
}

// item writes an entry of a list.
func (p *page) item(mark, text string) {
	lead := fmt.Sprintf("%3s ", mark)
	p.paragraph(lead, strings.Repeat(" ", len(lead)), text)
}

// paragraph writes a text wrapped to the page, with a lead-in before its first line
// and another, of at most its width, before the rest.
func (p *page) paragraph(first, rest, text string) {
	lead := first
	for _, line := range wrap(text, pageWidth-len(first)) {
		p.line(lead + line)
		lead = rest
	}
}

// wrap breaks a text into lines of at most width characters, at spaces where there
// are any. Nothing is cut off. Control characters become spaces, so that a name
// cannot draw over the sheet.
func wrap(text string, width int) []string {
	clean := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, text)
	rest := []rune(strings.TrimRight(clean, " "))
	var lines []string
	for len(rest) > width {
		at := width
		for at > 0 && rest[at] != ' ' {
			at--
		}
		if at == 0 {
			at = width
		}
		lines = append(lines, strings.TrimRight(string(rest[:at]), " "))
		rest = []rune(strings.TrimLeft(string(rest[at:]), " "))
	}
	return append(lines, string(rest))
}
