// Package page draws texts on pages of PDF: every text is wrapped, so that nothing is
// cut off, and the same texts give the same bytes.
package page

import (
	"bytes"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
)

// Paper is a sheet of paper, in mm.
type Paper struct{ Width, Height float64 }

// The papers.
var (
	// A4 is that of ISO 216.
	A4 = Paper{Width: 210, Height: 297}
	// Letter is 8.5 by 11 in.
	Letter = Paper{Width: 215.9, Height: 279.4}
)

// Distances of a page, in mm.
const (
	// Margin is left free on every side.
	Margin = 12.0
	foot   = 18.0 // above the lower edge
	gutter = 3.0  // between columns
)

// Type is a face and its size.
type Type struct {
	Bold bool
	// Size in points.
	Size float64
	// Height of a line, mm.
	Height float64
	Ink    Ink
}

// Ink is a colour.
type Ink int

// The inks.
const (
	Black Ink = iota
	Grey
	Red
)

// The types of a page.
var (
	Body    = Type{Size: 8.5, Height: 3.9}
	Strong  = Type{Bold: true, Size: 8.5, Height: 3.9}
	Small   = Type{Size: 7.5, Height: 3.9}
	Label   = Type{Size: 6.5, Height: 3.1, Ink: Grey}
	Title   = Type{Bold: true, Size: 14, Height: 7}
	Section = Type{Bold: true, Size: 10.5, Height: 5.5}
	Alarm   = Type{Bold: true, Size: 8.5, Height: 3.9, Ink: Red}
)

// Look is how cells are drawn.
type Look struct{ Label, Body, Alarm Type }

// Plain is the look of a report.
var Plain = Look{Label: Label, Body: Body, Alarm: Alarm}

func (l Look) of(cell Cell) Type {
	if cell.Alarm {
		return l.Alarm
	}
	return l.Body
}

const family = "go"

// Document is what is drawn.
type Document struct {
	Paper Paper
	Title string
	// Written is the moment that the file carries; the bytes depend on it.
	Written time.Time
	// Foot says what stands under a page: its number, and how many there are.
	Foot func(number, of int) string
	// Body draws it. It is called twice, and must draw the same both times.
	Body func(*Pages)
}

// PDF draws a document. The first time tells how many pages there are. It returns an
// error only for a fault of the faces or of the writer.
func PDF(document Document) ([]byte, error) {
	counted, err := draw(document, nil)
	if err != nil {
		return nil, err
	}
	drawn, err := draw(document, counted.parts)
	if err != nil {
		return nil, err
	}
	var buffer bytes.Buffer
	if err := drawn.pdf.Output(&buffer); err != nil {
		return nil, err
	}
	return buffer.Bytes(), nil
}

// Pages are the pages of a document while they are drawn.
type Pages struct {
	pdf   *fpdf.Fpdf
	glyph *sfnt.Font
	paper Paper
	// y is how far down the page is drawn, mm.
	y float64
	// parts are how many pages each part has, counted those of the first drawing.
	parts, counted []int
}

func draw(document Document, counted []int) (*Pages, error) {
	glyph, err := sfnt.Parse(goregular.TTF)
	if err != nil {
		return nil, err
	}
	pdf := fpdf.NewCustom(&fpdf.InitType{
		OrientationStr: "P", UnitStr: "mm",
		Size: fpdf.SizeType{Wd: document.Paper.Width, Ht: document.Paper.Height},
	})
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(document.Written.UTC())
	pdf.SetModificationDate(document.Written.UTC())
	pdf.SetTitle(document.Title, true)
	pdf.SetProducer("velamen", true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.AddUTF8FontFromBytes(family, "", goregular.TTF)
	pdf.AddUTF8FontFromBytes(family, "B", gobold.TTF)
	p := &Pages{pdf: pdf, glyph: glyph, paper: document.Paper, counted: counted}
	pdf.SetFooterFunc(func() {
		p.face(Type{Size: Label.Size})
		pdf.Text(Margin, p.paper.Height-10, p.drawable(document.Foot(p.number(), p.of())))
	})
	p.Part()
	document.Body(p)
	// The last page ends when the file does, and its foot is drawn then.
	pdf.Close()
	return p, pdf.Error()
}

func (p *Pages) number() int { return p.parts[len(p.parts)-1] }

// of is how many pages the present part has; 0 while that is counted.
func (p *Pages) of() int {
	if len(p.counted) < len(p.parts) {
		return 0
	}
	return p.counted[len(p.parts)-1]
}

// Part begins a part on a new page. Pages are numbered anew in it.
func (p *Pages) Part() {
	p.add()
	p.parts = append(p.parts, 1)
}

// NewPage begins a page.
func (p *Pages) NewPage() {
	p.add()
	p.parts[len(p.parts)-1]++
}

func (p *Pages) add() {
	p.pdf.AddPage()
	p.y = Margin
}

// Width is how wide the texts of a page are, mm.
func (p *Pages) Width() float64 { return p.paper.Width - 2*Margin }

func (p *Pages) bottom() float64 { return p.paper.Height - foot }

// Left is how much of the page is left, mm.
func (p *Pages) Left() float64 { return p.bottom() - p.y }

// Room begins a new page when so many mm are not left.
func (p *Pages) Room(height float64) {
	if p.y+height > p.bottom() {
		p.NewPage()
	}
}

// Down leaves so many mm free.
func (p *Pages) Down(height float64) { p.y += height }

func (p *Pages) face(t Type) {
	style := ""
	if t.Bold {
		style = "B"
	}
	p.pdf.SetFont(family, style, t.Size)
	switch t.Ink {
	case Red:
		p.pdf.SetTextColor(170, 0, 0)
	case Grey:
		p.pdf.SetTextColor(90, 90, 90)
	default:
		p.pdf.SetTextColor(0, 0, 0)
	}
}

func (p *Pages) line(x float64, t Type, text string) {
	p.pdf.Text(x, p.y+t.Height*0.75, text)
}

// Paragraph draws a text over the whole width.
func (p *Pages) Paragraph(t Type, text string) { p.Indented(t, 0, text) }

// Indented draws a text that begins so many mm to the right.
func (p *Pages) Indented(t Type, by float64, text string) {
	p.face(t)
	for _, line := range p.wrap(text, p.Width()-by) {
		p.Room(t.Height)
		// A new page puts the footer's face in place.
		p.face(t)
		p.line(Margin+by, t, line)
		p.y += t.Height
	}
}

// Centred draws a text in the middle of the page.
func (p *Pages) Centred(t Type, text string) {
	p.face(t)
	for _, line := range p.wrap(text, p.Width()) {
		p.Room(t.Height)
		p.face(t)
		p.line(Margin+(p.Width()-p.pdf.GetStringWidth(line))/2, t, line)
		p.y += t.Height
	}
}

// Heading draws the title of a section, not as the last line of a page.
func (p *Pages) Heading(title string) {
	p.y += 3
	p.Room(20)
	p.Paragraph(Section, title)
}

// Bar draws a text on a bar of light green, of which a long one has a line under the
// other.
func (p *Pages) Bar(t Type, text string) {
	p.face(t)
	for _, line := range p.wrap(text, p.Width()) {
		p.Room(t.Height + 1)
		p.face(t)
		p.pdf.SetFillColor(226, 232, 226)
		p.pdf.Rect(Margin, p.y, p.Width(), t.Height+1, "F")
		p.y += 0.5
		p.line(Margin, t, line)
		p.y += t.Height
	}
	p.y++
}

// Box draws a frame over the whole width, so many mm high, with a text in its middle.
// It is drawn on one page, and a text that does not fit makes it higher.
func (p *Pages) Box(t Type, height float64, texts ...string) {
	p.face(t)
	var lines []string
	for _, text := range texts {
		lines = append(lines, p.wrap(text, p.Width()-2*gutter)...)
	}
	height = max(height, float64(len(lines))*t.Height+2*gutter)
	p.Room(height)
	p.face(t)
	p.pdf.Rect(Margin, p.y, p.Width(), height, "D")
	end := p.y + height
	p.y += (height - float64(len(lines))*t.Height) / 2
	for _, line := range lines {
		p.line(Margin+(p.Width()-p.pdf.GetStringWidth(line))/2, t, line)
		p.y += t.Height
	}
	p.y = end
}

// Tick draws a box to tick and texts beside it, one under the other.
func (p *Pages) Tick(t Type, texts ...string) {
	const by = 8
	side := t.Height
	p.Room(t.Height * float64(len(texts)))
	p.pdf.Rect(Margin, p.y, side, side, "D")
	for _, text := range texts {
		p.Indented(t, by, text)
	}
}

// FillIn draws a label and under it a line to write on.
func (p *Pages) FillIn(t Type, label string) {
	const space = 8
	p.Room(t.Height + space)
	p.Paragraph(t, label)
	p.y += space - 1
	p.pdf.Line(Margin, p.y, Margin+p.Width(), p.y)
	p.y++
}

// Cell is a text of a table.
type Cell struct {
	Text string
	// Alarm is true for what must be seen: something is missing or doubtful.
	Alarm bool
}

// Columns divides the width of the page into equal columns.
func (p *Pages) Columns(columns int) float64 { return p.Width() / float64(columns) }

// Cells draws cells side by side, each wrapped to its column, with labels above them
// if there are any. A cell that is longer than the page goes on on the next one.
func (p *Pages) Cells(look Look, labels []string, cells []Cell, width float64) {
	p.face(look.Label)
	top := make([][]string, len(cells))
	labelLines := 0
	for i, label := range labels {
		top[i] = p.wrap(label, width-gutter)
		labelLines = max(labelLines, len(top[i]))
	}
	bodies := make([][]string, len(cells))
	height := 0
	for i, cell := range cells {
		p.face(look.of(cell))
		bodies[i] = p.wrap(cell.Text, width-gutter)
		height = max(height, len(bodies[i]))
	}
	p.Room(min(float64(labelLines)*look.Label.Height+float64(height)*look.Body.Height+1, p.bottom()-Margin))
	for line := range labelLines {
		p.across(top, line, width, func(int) Type { return look.Label })
	}
	for line := range height {
		p.Room(look.Body.Height)
		p.across(bodies, line, width, func(i int) Type { return look.of(cells[i]) })
	}
	p.y++
}

// across draws one line of each column.
func (p *Pages) across(columns [][]string, line int, width float64, of func(column int) Type) {
	height := 0.0
	for i, lines := range columns {
		t := of(i)
		height = t.Height
		if line >= len(lines) {
			continue
		}
		p.face(t)
		p.line(Margin+float64(i)*width, t, lines[line])
	}
	p.y += height
}

// drawable returns a text with nothing in it that the face cannot draw: a character
// without a glyph becomes its code point in brackets, never an empty box.
func (p *Pages) drawable(text string) string {
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
// and within a word that is wider than a line: after a hyphen or a slash if it has one.
func (p *Pages) wrap(text string, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		word = p.drawable(word)
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
// one, up to the last hyphen or slash among them.
func (p *Pages) fits(word string, width float64) int {
	_, last := utf8.DecodeRuneInString(word)
	for at := range word {
		if p.pdf.GetStringWidth(word[:at]) > width {
			break
		}
		last = max(last, at)
	}
	if joint := strings.LastIndexAny(word[:last], "-/"); joint > 0 {
		return joint + 1
	}
	return last
}
