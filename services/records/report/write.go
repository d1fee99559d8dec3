package report

import (
	"fmt"
	"time"
)

// Format is a kind of file.
type Format string

// The formats.
const (
	PDF  Format = "pdf"
	CSV  Format = "csv"
	JSON Format = "json"
	XLSX Format = "xlsx"
)

// Formats returns the formats there are.
func Formats() []Format { return []Format{PDF, CSV, JSON, XLSX} }

// MediaType returns the media type of a file in the format, or nothing for a format
// that is not known.
func (f Format) MediaType() string {
	switch f {
	case PDF:
		return "application/pdf"
	case CSV:
		return "text/csv; charset=utf-8"
	case JSON:
		return "application/json"
	case XLSX:
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	default:
		return ""
	}
}

// Write writes a document in a format. The same document gives the same bytes.
func Write(document Document, format Format) ([]byte, error) {
	var data []byte
	var err error
	switch format {
	case PDF:
		data, err = writePDF(document)
	case CSV:
		data, err = writeCSV(document)
	case JSON:
		data, err = writeJSON(document)
	case XLSX:
		data, err = writeXLSX(document)
	default:
		return nil, fmt.Errorf("%q is no format; must be one of %q", format, Formats())
	}
	if err != nil {
		return nil, fmt.Errorf("write %s as %s: %w", document.Kind, format, err)
	}
	return data, nil
}

// flatCell is a cell of a table of plain columns.
type flatCell struct {
	text string
	// moment is a time in the zone of the nursery, or nil.
	moment *time.Time
}

// flatTitles returns the titles of a table of which every amount has a column for its
// unit and one for what was recorded.
func flatTitles(columns []Column) []string {
	var titles []string
	for _, column := range columns {
		titles = append(titles, column.Title)
		if column.of == ofQuantity {
			titles = append(titles, column.Title+", unit", column.Title+", as recorded")
		}
	}
	return titles
}

// flatRow returns the cells below flatTitles. An amount that is missing or doubtful
// says so in its own column.
func flatRow(columns []Column, cells []Cell) []flatCell {
	var flat []flatCell
	for i, cell := range cells {
		if columns[i].of != ofQuantity {
			flat = append(flat, flatCell{text: cell.Text, moment: plainTime(cell)})
			continue
		}
		switch {
		case cell.State == StateGiven && cell.Amount != "":
			flat = append(flat, flatCell{text: cell.Amount}, flatCell{text: cell.Unit}, flatCell{text: cell.Recorded})
		default:
			flat = append(flat, flatCell{text: cell.Text}, flatCell{text: cell.Unit}, flatCell{text: cell.Recorded})
		}
	}
	return flat
}

// plainTime returns the time of a cell about which there is no doubt.
func plainTime(cell Cell) *time.Time {
	if cell.State != StateGiven {
		return nil
	}
	return cell.Time
}

// state of the report in a few sentences, for its head; where says where what is missing
// is listed, if it is.
func (d Document) state(where string) string {
	counts := fmt.Sprintf("Required fields that are %s: %d. Fields that are %s: %d.", Missing, d.Missing, Doubtful, d.Doubtful)
	if d.Missing+d.Doubtful == 0 {
		return counts
	}
	return "NOT COMPLETE. " + counts + " Put them right before this is handed in" + where + "."
}

// listed is where the report itself lists what is missing.
const listed = "; the end of the report lists them"

// noUses stands in a report of a period without any.
const noUses = "No use is on record in this period."

// none says that the report has no use, and whether that may be because they were purged.
func (d Document) none() string {
	if d.purged {
		return "No use of this period is on record any more: uses may have been purged."
	}
	return noUses
}
