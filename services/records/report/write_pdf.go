package report

import (
	"fmt"

	"velamen/internal/page"
)

const fieldsPerRow = 3

// pages draws a report.
type pages struct{ *page.Pages }

// writePDF draws the report on A4.
func writePDF(document Document) ([]byte, error) {
	return page.PDF(page.Document{
		Paper: page.A4, Title: document.Title, Written: document.written,
		Foot: func(number, of int) string {
			return fmt.Sprintf("%s, %s to %s. Page %d of %d", document.Title, document.FromDate, document.ToDate, number, of)
		},
		Body: func(drawn *page.Pages) {
			p := pages{drawn}
			p.head(document)
			p.uses(document.Uses, document.none())
			for _, table := range document.Totals {
				p.totals(table)
			}
			p.gaps(document.Gaps)
			p.sources(document)
		},
	})
}

func (p pages) head(document Document) {
	p.Paragraph(page.Title, document.Title)
	p.Paragraph(page.Body, document.Section)
	p.Paragraph(page.Body, fmt.Sprintf("Period: %s to %s, time zone %s", document.FromDate, document.ToDate, document.TimeZone))
	for _, fact := range document.Facts {
		p.Paragraph(page.Body, fact.Title+": "+fact.Cell.Text)
	}
	p.Down(1.5)
	p.Paragraph(page.Strong, document.state(listed))
	p.Down(1.5)
	p.Paragraph(page.Strong, document.Caution)
	for _, text := range append(append([]string{}, document.LeftOut...), document.Notes...) {
		p.Paragraph(page.Small, text)
	}
}

// uses draws one block for each use: labels above values, three side by side.
func (p pages) uses(table Table, none string) {
	p.Heading(table.Title)
	if len(table.Rows) == 0 {
		p.Paragraph(page.Body, none)
	}
	for i, row := range table.Rows {
		p.use(fmt.Sprintf("%d of %d: %s", i+1, len(table.Rows), row.Name), table.Columns, row)
	}
}

func (p pages) use(title string, columns []Column, row Row) {
	p.Down(2)
	p.Room(page.Body.Height*4 + page.Label.Height)
	p.Bar(page.Strong, title)
	for first := 0; first < len(columns); first += fieldsPerRow {
		last := min(first+fieldsPerRow, len(columns))
		var labels []string
		for _, column := range columns[first:last] {
			labels = append(labels, column.Title)
		}
		p.Cells(page.Plain, labels, drawn(row.Cells[first:last]), p.Columns(fieldsPerRow))
	}
	for _, remark := range row.Remarks {
		p.Paragraph(page.Strong, remark)
	}
	p.Down(1)
}

// drawn returns cells as they are drawn.
func drawn(cells []Cell) []page.Cell {
	texts := make([]page.Cell, len(cells))
	for i, cell := range cells {
		texts[i] = page.Cell{Text: cell.Text, Alarm: cell.State == StateMissing || cell.State == StateDoubtful}
	}
	return texts
}

func (p pages) totals(table Table) {
	p.Heading(table.Title)
	if len(table.Rows) == 0 {
		p.Paragraph(page.Body, "None.")
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
		p.Cells(page.Plain, above, drawn(row.Cells), p.Columns(len(labels)))
	}
	if table.Note != "" {
		p.Paragraph(page.Small, table.Note)
	}
}

func (p pages) gaps(gaps []Gap) {
	p.Heading("What is missing or doubtful")
	if len(gaps) == 0 {
		p.Paragraph(page.Body, "Nothing.")
	}
	for _, gap := range gaps {
		of := gap.Use
		if of == "" {
			of = "nursery"
		}
		p.Down(0.8)
		p.Paragraph(page.Body, fmt.Sprintf("%s, %s (%s): %s Rule: %s. Put right on: %s", of, gap.Title, gap.Problem, gap.Reason, gap.Section, gap.PutRight()))
	}
}

func (p pages) sources(document Document) {
	p.Heading("Which rule asks for which field")
	columns := make([]Column, 0, len(document.Facts)+len(document.Uses.Columns))
	for _, fact := range document.Facts {
		columns = append(columns, fact.Column)
	}
	for _, column := range append(columns, document.Uses.Columns...) {
		p.Paragraph(page.Small, fmt.Sprintf("%s: %s; read in: %s", column.Title, column.Section, column.Source))
	}
}
