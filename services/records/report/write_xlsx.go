package report

import (
	"bytes"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// longestCell is how many characters a spreadsheet's cell holds; what is longer would
// be cut off without a word.
const longestCell = 32767

// workbook collects the first error, so that each cell need not be asked.
type workbook struct {
	file *excelize.File
	// bold is the style of titles, stamps those of times, by offset.
	bold   int
	stamps map[string]int
	err    error
}

// writeXLSX writes a sheet for the head, one for the uses, one for each of the totals
// and one for what is missing. Amounts are text, because a spreadsheet's number is a
// float; times are typed, in local time with the offset in their format.
func writeXLSX(document Document) (data []byte, err error) {
	book := &workbook{file: excelize.NewFile(), stamps: map[string]int{}}
	defer func() {
		if closing := book.file.Close(); err == nil {
			err = closing
		}
	}()
	book.bold = book.style(&excelize.Style{Font: &excelize.Font{Bold: true}})
	book.properties(document)
	book.head(document)
	book.table("Uses", document.Uses, document.none())
	for _, total := range document.Totals {
		book.table(sheetNames[total.ID], total, "")
	}
	book.gaps(document.Gaps)
	if book.err != nil {
		return nil, book.err
	}
	var buffer bytes.Buffer
	if err := book.file.Write(&buffer); err != nil {
		return nil, err
	}
	return buffer.Bytes(), nil
}

var sheetNames = map[string]string{
	"totals-by-house": "Totals by house", "totals-by-active": "Totals by active", "totals-by-group": "Totals by FRAC group",
}

func (b *workbook) keep(err error) {
	if b.err == nil {
		b.err = err
	}
}

func (b *workbook) style(style *excelize.Style) int {
	id, err := b.file.NewStyle(style)
	b.keep(err)
	return id
}

// properties sets the dates of the file to the end of the period: a report reads no
// clock.
func (b *workbook) properties(document Document) {
	date := document.written.UTC().Format(time.RFC3339)
	b.keep(b.file.SetDocProps(&excelize.DocProperties{
		Title: document.Title, Creator: "velamen", LastModifiedBy: "velamen", Created: date, Modified: date,
	}))
}

func (b *workbook) head(document Document) {
	b.keep(b.file.SetSheetName("Sheet1", "Report"))
	rows := [][]string{
		{"Report", document.Title},
		{"Section", document.Section},
		{"Period", document.FromDate + " to " + document.ToDate},
		{"Time zone", document.TimeZone},
		{"State", document.state(listed)},
		{"Caution", document.Caution},
	}
	for _, fact := range document.Facts {
		rows = append(rows, []string{fact.Title, fact.Cell.Text})
	}
	for _, text := range document.LeftOut {
		rows = append(rows, []string{"Left out", text})
	}
	for _, text := range document.Notes {
		rows = append(rows, []string{"Note", text})
	}
	for _, column := range document.Uses.Columns {
		rows = append(rows, []string{"Field: " + column.Title, column.Section + "; read in: " + column.Source})
	}
	for i, row := range rows {
		b.text("Report", 1, i+1, row[0], b.bold)
		b.text("Report", 2, i+1, row[1], 0)
	}
	b.keep(b.file.SetColWidth("Report", "A", "A", 34))
	b.keep(b.file.SetColWidth("Report", "B", "B", 110))
}

// table writes a table. One that has a text for when it is empty is of uses: it has the
// entry before and the remarks behind its columns.
func (b *workbook) table(sheet string, table Table, none string) {
	named := none != ""
	_, err := b.file.NewSheet(sheet)
	b.keep(err)
	titles := flatTitles(table.Columns)
	if named {
		titles = append(append([]string{"Entry"}, titles...), "Remarks")
	}
	b.titles(sheet, titles)
	y := 2
	for _, row := range table.Rows {
		cells := flatRow(table.Columns, row.Cells)
		if named {
			cells = append(append([]flatCell{{text: row.Name}}, cells...), flatCell{text: strings.Join(row.Remarks, "\n")})
		}
		for i, cell := range cells {
			b.cell(sheet, i+1, y, cell)
		}
		y++
	}
	if named && len(table.Rows) == 0 {
		b.text(sheet, 1, y, none, 0)
	}
	if table.Note != "" {
		b.text(sheet, 1, y+1, table.Note, 0)
	}
}

func (b *workbook) gaps(gaps []Gap) {
	const sheet = "Missing"
	_, err := b.file.NewSheet(sheet)
	b.keep(err)
	b.titles(sheet, []string{"Use", "Field", "Problem", "Reason", "Section", "Source", "Where it is put right"})
	for i, gap := range gaps {
		for x, text := range []string{gap.Use, gap.Title, string(gap.Problem), gap.Reason, gap.Section, gap.Source, gap.PutRight()} {
			b.text(sheet, x+1, i+2, text, 0)
		}
	}
}

func (b *workbook) titles(sheet string, titles []string) {
	for i, title := range titles {
		b.text(sheet, i+1, 1, title, b.bold)
	}
	last, err := excelize.ColumnNumberToName(len(titles))
	b.keep(err)
	b.keep(b.file.SetColWidth(sheet, "A", last, 24))
	b.keep(b.file.SetPanes(sheet, &excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}))
}

func (b *workbook) cell(sheet string, x, y int, cell flatCell) {
	if cell.moment == nil {
		b.text(sheet, x, y, cell.text, 0)
		return
	}
	at, err := excelize.CoordinatesToCellName(x, y)
	b.keep(err)
	offset := cell.moment.Format("-07:00")
	style, found := b.stamps[offset]
	if !found {
		// Each character is escaped, since what reads a quoted text may take its digits
		// for places of the number.
		format := `yyyy-mm-dd hh:mm:ss\ ` + escaped(offset)
		style = b.style(&excelize.Style{CustomNumFmt: &format})
		b.stamps[offset] = style
	}
	// A spreadsheet knows no zones: the local clock goes in as it stood on the wall.
	local := *cell.moment
	wall := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), local.Minute(), local.Second(), 0, time.UTC)
	b.keep(b.file.SetCellValue(sheet, at, wall))
	b.keep(b.file.SetCellStyle(sheet, at, at, style))
}

func escaped(text string) string {
	var built strings.Builder
	for _, r := range text {
		built.WriteByte('\\')
		built.WriteRune(r)
	}
	return built.String()
}

func (b *workbook) text(sheet string, x, y int, text string, style int) {
	at, err := excelize.CoordinatesToCellName(x, y)
	b.keep(err)
	if utf8.RuneCountInString(text) > longestCell {
		b.keep(fmt.Errorf("%s of sheet %q holds more than %d characters", at, sheet, longestCell))
		return
	}
	b.keep(b.file.SetCellStr(sheet, at, text))
	if style != 0 {
		b.keep(b.file.SetCellStyle(sheet, at, at, style))
	}
}
