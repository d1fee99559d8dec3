package stock

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	stockv1 "velamen/gen/velamen/stock/v1"
)

// table is a CSV file as it was read: its header and records, not yet judged.
type table struct {
	file stockv1.StockFile
	// given is false for a file that the import leaves out.
	given   bool
	header  record
	records []record
}

// record is one line of a CSV file, or several when a cell holds line breaks.
type record struct {
	// line is where it begins, the header being on line 1.
	line  int64
	cells []string
	// broken is the rule that the whole record breaks; it then has no cells.
	broken string
}

// maxRecords is how many records of one file are read. It bounds the memory that
// a file of 64 MiB can ask for, and is ten times a large nursery's lots.
const maxRecords = 1_000_000

// byteOrderMark is what spreadsheets put before UTF-8.
var byteOrderMark = []byte("\ufeff")

// readTable reads a CSV file (RFC 4180). It never fails: what cannot be read is a
// record with the rule that it breaks, and reading goes on after it.
func readTable(file stockv1.StockFile, data []byte) table {
	read := table{file: file, given: true}
	reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, byteOrderMark)))
	reader.FieldsPerRecord = -1
	first, more := nextRecord(reader)
	if !more {
		read.header = record{line: 1, broken: "the file is empty; it must begin with a header line"}
		return read
	}
	read.header = first
	for {
		next, more := nextRecord(reader)
		if !more {
			return read
		}
		if len(read.records) == maxRecords {
			next.cells, next.broken = nil, fmt.Sprintf("a file holds at most %d rows; nothing was read from here on", maxRecords)
			read.records = append(read.records, next)
			return read
		}
		if next.broken == "" && len(next.cells) != len(first.cells) {
			next.broken = fmt.Sprintf("has %d cells where the header has %d columns", len(next.cells), len(first.cells))
			next.cells = nil
		}
		read.records = append(read.records, next)
	}
}

func nextRecord(reader *csv.Reader) (next record, more bool) {
	cells, err := reader.Read()
	if errors.Is(err, io.EOF) {
		return record{}, false
	}
	var broken *csv.ParseError
	if errors.As(err, &broken) {
		return record{line: int64(broken.StartLine), broken: quoteRule(broken)}, true
	}
	line, _ := reader.FieldPos(0)
	return record{line: int64(line), cells: cells}, true
}

func quoteRule(broken *csv.ParseError) string {
	where := fmt.Sprintf("(line %d, byte %d)", broken.Line, broken.Column)
	if errors.Is(broken.Err, csv.ErrBareQuote) {
		return "a cell with a double quote must be quoted as a whole, its quotes doubled " + where
	}
	return "a quoted cell must end with a double quote before the next comma or line, its own quotes doubled " + where
}

// column is one column of a file.
type column struct {
	name     string
	required bool
}

// The columns of the files, in the order of an export. docs/stock-csv.md says
// what each holds.
var (
	houseColumnsCSV = []column{
		{"house", true}, {"display_name", true}, {"area", true}, {"area_unit", true}, {"volume_m3", false},
		{"covering", false}, {"fan_capacity_m3_per_h", false}, {"passive_vents", false}, {"adjoining_houses", false},
		{"site_number", false}, {"facility_number", false}, {"legal_location", false}, {"planted_area", false}, {"planted_area_unit", false},
	}
	benchColumnsCSV = []column{
		{"house", true}, {"bench", true}, {"display_name", true}, {"area_m2", true}, {"isolation", false},
		{"water_line", false}, {"neighbour_benches", false}, {"x_m", false}, {"y_m", false}, {"length_m", false}, {"width_m", false},
	}
	lotColumnsCSV = []column{
		{"lot", true}, {"botanical_name", true}, {"eppo_code", false}, {"cultivar", false}, {"container", false},
		{"growth_stage_bbch", false}, {"unit_value", false}, {"currency_code", false}, {"house", true}, {"bench", true},
		{"plants", true}, {"origin", false},
	}
)

// columnsOf returns the columns of a file.
func columnsOf(file stockv1.StockFile) []column {
	switch file {
	case stockv1.StockFile_STOCK_FILE_HOUSES:
		return houseColumnsCSV
	case stockv1.StockFile_STOCK_FILE_BENCHES:
		return benchColumnsCSV
	default:
		return lotColumnsCSV
	}
}

// headerOf returns a file's header line as cells.
func headerOf(file stockv1.StockFile) []string {
	columns := columnsOf(file)
	names := make([]string, len(columns))
	for i, column := range columns {
		names[i] = column.name
	}
	return names
}

// locate finds the columns of a header and reports what is wrong with it.
func locate(header record, columns []column, problems *problemList) (at map[string]int, ok bool) {
	before := problems.count
	if header.broken != "" {
		problems.add(header.line, "", header.broken)
		return nil, false
	}
	known := map[string]bool{}
	for _, column := range columns {
		known[column.name] = true
	}
	at = map[string]int{}
	for i, name := range header.cells {
		_, twice := at[name]
		switch {
		case !known[name]:
			problems.add(header.line, shown(name), "is not a column of this file")
		case twice:
			problems.add(header.line, name, "stands in the header more than once")
		default:
			at[name] = i
		}
	}
	for _, column := range columns {
		if _, found := at[column.name]; column.required && !found {
			problems.add(header.line, column.name, "is missing from the header")
		}
	}
	return at, problems.count == before
}

// maxShown is how many characters of a file's own text a problem repeats.
const maxShown = 60

// shown makes a file's text fit to be shown in a problem.
func shown(text string) string {
	text = strings.ToValidUTF8(text, string(utf8.RuneError))
	if utf8.RuneCountInString(text) <= maxShown {
		return text
	}
	return string([]rune(text)[:maxShown]) + "…"
}

// maxProblems is how many problems are kept, as in the contract; all are counted.
const maxProblems = 1000

// problemList collects the broken rules of an import in the order of its files.
type problemList struct {
	file  stockv1.StockFile
	kept  []*stockv1.ImportProblem
	count int64
}

func (p *problemList) add(line int64, column, rule string) {
	p.count++
	if len(p.kept) < maxProblems {
		p.kept = append(p.kept, &stockv1.ImportProblem{File: p.file, Line: line, Column: column, Rule: rule})
	}
}
