package report

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// Sizes of a page, in mm; type is in points. A4 is 210 by 297 mm (ISO 216).
const (
	pageWidth    = 210.0
	pageHeight   = 297.0
	margin       = 12.0
	bodyWidth    = pageWidth - 2*margin
	bottom       = pageHeight - 18.0
	lineHeight   = 3.9
	labelHeight  = 3.1
	bodySize     = 8.5
	labelSize    = 6.5
	titleSize    = 14.0
	sectionSize  = 10.5
	fieldsPerRow = 3
	gutter       = 3.0
)

const family = "go"

// pages draws a report. Every text goes through wrap and is drawn line by line, so
// that nothing is cut off.
type pages struct {
	pdf   *fpdf.Fpdf
	glyph *sfnt.Font
	y     float64
}

// writePDF draws the report twice: the first time tells how many pages there are.
func writePDF(document Document) ([]byte, error) {
	counted, err := draw(document, 0)
	if err != nil {
		return nil, err
	}
	drawn, err := draw(document, counted.PageCount())
	if err != nil {
		return nil, err
	}
	var buffer bytes.Buffer
	if err := drawn.Output(&buffer); err != nil {
		return nil, err
	}
	return buffer.Bytes(), nil
}

func draw(document Document, total int) (*fpdf.Fpdf, error) {
	glyph, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	pdf := fpdf.New("P", "mm", "A4", "")
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(document.written.UTC())
	pdf.SetModificationDate(document.written.UTC())
	pdf.SetTitle(document.Title, true)
	pdf.SetProducer("velamen", true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.AddUTF8FontFromBytes(family, "", goregular.TTF)
	pdf.AddUTF8FontFromBytes(family, "B", gobold.TTF)
	p := &pages{pdf: pdf, glyph: glyph}
	pdf.SetFooterFunc(func() {
		p.ink("", labelSize)
		footer := fmt.Sprintf("%s, %s to %s. Page %d of %d", document.Title, document.FromDate, document.ToDate, pdf.PageNo(), total)
		pdf.Text(margin, pageHeight-10, p.drawable(footer))
	})
	p.page()
	p.head(document)
	p.uses(document.Uses)
	for _, table := range document.Totals {
		p.totals(table)
	}
	p.gaps(document.Gaps)
	p.sources(document)
	return pdf, pdf.Error()
}

func (p *pages) page() {
	p.pdf.AddPage()
	p.y = margin
}

// room begins a new page when so many mm are not left.
func (p *pages) room(height float64) {
	if p.y+height > bottom {
		p.page()
	}
}

func (p *pages) ink(style string, size float64) {
	p.pdf.SetFont(family, style, size)
	p.pdf.SetTextColor(0, 0, 0)
}

// paragraph draws a text over the whole width.
func (p *pages) paragraph(style string, size, height float64, text string) {
	p.ink(style, size)
	for _, line := range p.wrap(text, bodyWidth) {
		p.room(height)
		// A new page puts the footer's face in place.
		p.ink(style, size)
		p.pdf.Text(margin, p.y+height*0.75, line)
		p.y += height
	}
}

func (p *pages) section(title string) {
	p.y += 3
	p.room(20)
	p.paragraph("B", sectionSize, 5.5, title)
}

func (p *pages) head(document Document) {
	p.paragraph("B", titleSize, 7, document.Title)
	p.paragraph("", bodySize, lineHeight, document.Section)
	p.paragraph("", bodySize, lineHeight, fmt.Sprintf("Period: %s to %s, time zone %s", document.FromDate, document.ToDate, document.TimeZone))
	for _, fact := range document.Facts {
		p.paragraph("", bodySize, lineHeight, fact.Title+": "+fact.Cell.Text)
	}
	p.y += 1.5
	p.paragraph("B", bodySize, lineHeight, document.state())
	p.y += 1.5
	p.paragraph("B", bodySize, lineHeight, document.Caution)
	for _, text := range append(append([]string{}, document.LeftOut...), document.Notes...) {
		p.paragraph("", labelSize+1, lineHeight, text)
	}
}

// uses draws one block for each use: labels above values, three side by side.
func (p *pages) uses(table Table) {
	p.section(table.Title)
	if len(table.Rows) == 0 {
		p.paragraph("", bodySize, lineHeight, noUses)
	}
	for i, row := range table.Rows {
		p.use(fmt.Sprintf("%d of %d: %s", i+1, len(table.Rows), row.Name), table.Columns, row)
	}
}

func (p *pages) use(title string, columns []Column, row Row) {
	p.y += 2
	p.room(lineHeight*4 + labelHeight)
	p.pdf.SetFillColor(226, 232, 226)
	p.pdf.Rect(margin, p.y, bodyWidth, lineHeight+1, "F")
	p.y += 0.5
	p.paragraph("B", bodySize, lineHeight, title)
	p.y++
	for first := 0; first < len(columns); first += fieldsPerRow {
		last := min(first+fieldsPerRow, len(columns))
		var labels []string
		for _, column := range columns[first:last] {
			labels = append(labels, column.Title)
		}
		p.cells(labels, row.Cells[first:last], even(fieldsPerRow))
	}
	for _, remark := range row.Remarks {
		p.paragraph("B", bodySize, lineHeight, remark)
	}
}

// even divides the width of the page into equal columns.
func even(columns int) float64 { return bodyWidth / float64(columns) }

// cells draws cells side by side, each wrapped to its column, with labels above them
// if there are any. A cell that is longer than the page goes on on the next one.
func (p *pages) cells(labels []string, cells []Cell, width float64) {
	p.ink("", labelSize)
	top := make([][]string, len(cells))
	labelLines := 0
	for i, label := range labels {
		top[i] = p.wrap(label, width-gutter)
		labelLines = max(labelLines, len(top[i]))
	}
	p.ink("B", bodySize)
	bodies := make([][]string, len(cells))
	height := 0
	for i, cell := range cells {
		// Wrapped in bold, which is never narrower than what is drawn.
		bodies[i] = p.wrap(cell.Text, width-gutter)
		height = max(height, len(bodies[i]))
	}
	p.room(min(float64(labelLines)*labelHeight+float64(height)*lineHeight+1, bottom-margin))
	for line := range labelLines {
		p.ink("", labelSize)
		p.pdf.SetTextColor(90, 90, 90)
		p.line(top, line, width, labelHeight, nil)
	}
	for line := range height {
		p.room(lineHeight)
		p.line(bodies, line, width, lineHeight, cells)
	}
	p.y++
}

// line draws one line of each cell.
func (p *pages) line(columns [][]string, line int, width, height float64, cells []Cell) {
	for i, lines := range columns {
		if line >= len(lines) {
			continue
		}
		if cells != nil {
			p.ink("", bodySize)
			if cells[i].State == StateMissing || cells[i].State == StateDoubtful {
				p.ink("B", bodySize)
				p.pdf.SetTextColor(170, 0, 0)
			}
		}
		p.pdf.Text(margin+float64(i)*width, p.y+height*0.75, lines[line])
	}
	p.y += height
}

func (p *pages) totals(table Table) {
	p.section(table.Title)
	if len(table.Rows) == 0 {
		p.paragraph("", bodySize, lineHeight, "None.")
		return
	}
	labels := make([]string, len(table.Columns))
	for i, column := range table.Columns {
		labels[i] = column.Title
	}
	for i, row := range table.Rows {
		above := labels
		if i > 0 {
			above = nil
		}
		p.cells(above, row.Cells, even(len(labels)))
	}
	if table.Note != "" {
		p.paragraph("", labelSize+1, lineHeight, table.Note)
	}
}

func (p *pages) gaps(gaps []Gap) {
	p.section("What is missing or doubtful")
	if len(gaps) == 0 {
		p.paragraph("", bodySize, lineHeight, "Nothing.")
	}
	for _, gap := range gaps {
		of := gap.Use
		if of == "" {
			of = "nursery"
		}
		p.paragraph("", bodySize, lineHeight, fmt.Sprintf("%s, %s (%s): %s Rule: %s. Put right on: %s", of, gap.Title, gap.Problem, gap.Reason, gap.Section, gap.Fix))
	}
}

func (p *pages) sources(document Document) {
	p.section("Which rule asks for which field")
	columns := make([]Column, 0, len(document.Facts)+len(document.Uses.Columns))
	for _, fact := range document.Facts {
		columns = append(columns, fact.Column)
	}
	for _, column := range append(columns, document.Uses.Columns...) {
		p.paragraph("", labelSize+1, lineHeight, fmt.Sprintf("%s: %s; read in: %s", column.Title, column.Section, column.Source))
	}
}

// drawable returns a text with nothing in it that the face cannot draw: a character
// without a glyph becomes its code point in brackets, never an empty box.
func (p *pages) drawable(text string) string {
	var built strings.Builder
	var buffer sfnt.Buffer
	for _, r := range text {
		index, err := p.glyph.GlyphIndex(&buffer, r)
		if err != nil || index == 0 {
			fmt.Fprintf(&built, "[U+%04X]", r)
			continue
		}
		built.WriteRune(r)
	}
	return built.String()
}

// wrap breaks a text into lines of at most width mm in the present face, at spaces,
// and within a word that is wider than a line.
func (p *pages) wrap(text string, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(p.drawable(text)) {
		joint := word
		if line != "" {
			joint = line + " " + word
		}
		if p.pdf.GetStringWidth(joint) <= width {
			line = joint
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for p.pdf.GetStringWidth(word) > width {
			at := p.fits(word, width)
			lines = append(lines, word[:at])
			word = word[at:]
		}
		line = word
	}
	return append(lines, line)
}

// fits returns how many bytes of a word fit into a width: whole characters, at least
// one.
func (p *pages) fits(word string, width float64) int {
	_, last := utf8.DecodeRuneInString(word)
	for at := range word {
		if p.pdf.GetStringWidth(word[:at]) > width {
			break
		}
		last = max(last, at)
	}
	return last
}
