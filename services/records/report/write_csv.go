package report

import (
	"bytes"
	"encoding/csv"
	"strconv"
	"time"
)

// writeCSV writes the uses, one row each (RFC 4180). The facts of the head are
// columns of every row, since a CSV file has no head. A period without a use is one
// row that says so: a file of titles alone would not carry what is missing.
func writeCSV(document Document) ([]byte, error) {
	titles := []string{"Report", "Section", "From", "To", "Time zone", "State", "Missing fields", "Doubtful fields"}
	head := []string{
		document.Kind, document.Section, document.FromDate, document.ToDate, document.TimeZone, document.state(""),
		strconv.Itoa(document.Missing), strconv.Itoa(document.Doubtful),
	}
	for _, fact := range document.Facts {
		titles = append(titles, fact.Title)
		head = append(head, fact.Cell.Text)
	}
	titles = append(append(titles, "Entry"), flatTitles(document.Uses.Columns)...)
	titles = append(titles, "Remarks", "Caution")

	var buffer bytes.Buffer
	writer := csv.NewWriter(&buffer)
	writer.UseCRLF = true
	// A failed write stays the error of the writer, and a buffer takes all.
	_ = writer.Write(titles)
	var row []string
	for _, use := range document.Uses.Rows {
		row = append(append(row[:0], head...), use.Name)
		for _, cell := range flatRow(document.Uses.Columns, use.Cells) {
			if cell.moment != nil {
				cell.text = cell.moment.Format(time.RFC3339)
			}
			row = append(row, cell.text)
		}
		_ = writer.Write(append(row, joined(use.Remarks), document.Caution))
	}
	if len(document.Uses.Rows) == 0 {
		row = append(append(row, head...), document.none())
		for len(row) < len(titles)-1 {
			row = append(row, "")
		}
		_ = writer.Write(append(row, document.Caution))
	}
	writer.Flush()
	return buffer.Bytes(), writer.Error()
}
