package climate

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// maxReadings is how many readings one file may have: one a minute for more than
// five years. It bounds the memory that a file can ask for. Design value.
const maxReadings = 3_000_000

// A file is refused when more of its lines than both of these cannot be read: then
// it is not what it was taken for. Design values.
const (
	maxUnreadable        = 10
	maxUnreadablePercent = 5
	// hopeless is how many are too many in any file that is read.
	hopeless = maxReadings * maxUnreadablePercent / 100
)

// firstRows is room for a month of ten-minute readings.
const firstRows = 4_464

// maxBeginning is how many bytes of a file are searched for its header.
const maxBeginning = 128 << 10

// row is a line of a file before it is known what its time means.
type row struct {
	Reading
	line int32
	kind stampKind
}

// parser reads one file.
type parser struct {
	layout
	format Format
	zone   *time.Location
	unit   string
	stamps stamps
	rows   []row
	faults *faults
	// readable and unreadable count lines; broken is the sentence about the first
	// unreadable one.
	readable, unreadable int
	broken               string
	leftOut              int64
	wetness              wetnessScale
}

// Parse reads a logger's CSV file. Zone is the nursery's. It refuses, as a Fault
// with the reason CLIMATE_FILE_REJECTED, a file whose units, times or columns cannot
// be trusted or are not said; smaller faults are in the File. Errors of the reader
// are returned as they are.
func Parse(r io.Reader, format Format, zone *time.Location) (File, error) {
	source, err := decoded(r)
	if err != nil {
		return File{}, err
	}
	beginning := make([]byte, maxBeginning)
	n, err := io.ReadFull(source, beginning)
	if err != nil && !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, io.EOF) {
		return File{}, err
	}
	beginning = beginning[:n]
	found, err := findHeader(beginning, format)
	if err != nil {
		return File{}, err
	}
	p := &parser{layout: found, format: format, zone: zone, faults: newFaults(), wetness: scaleOf(found.wetness)}
	p.stamps = stamps{order: format.DateOrder, given: format.DateOrder != ""}
	if p.unit, err = unitOf(found.temperature, format); err != nil {
		return File{}, err
	}
	if err := p.readRows(io.MultiReader(bytes.NewReader(beginning), source)); err != nil {
		return File{}, err
	}
	if err := p.place(); err != nil {
		return File{}, err
	}
	if err := p.checkUnits(); err != nil {
		return File{}, err
	}
	return p.finish(), nil
}

// decoded returns the file as UTF-8 without a byte order mark.
func decoded(r io.Reader) (io.Reader, error) {
	source := bufio.NewReaderSize(r, maxRecord)
	mark, err := source.Peek(3)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	switch {
	case bytes.HasPrefix(mark, []byte{0xef, 0xbb, 0xbf}):
		_, err := source.Discard(3)
		return source, err
	case bytes.HasPrefix(mark, []byte{0xff, 0xfe}), bytes.HasPrefix(mark, []byte{0xfe, 0xff}):
		return transform.NewReader(source, unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder()), nil
	default:
		return source, nil
	}
}

// readRows reads every line behind the header.
func (p *parser) readRows(source io.Reader) error {
	records := newLines(source)
	records.delimiter = p.delimiter
	for {
		cells, line, err := records.next()
		switch {
		case errors.Is(err, io.EOF):
			return p.checkReadable()
		case errors.Is(err, errTooLong):
			return rejected("data", "line %d has more than %d bytes: a double quote is not closed, or it is no CSV file", line, maxRecord)
		case err != nil:
			return err
		case line <= p.line:
			continue
		case len(p.rows) == maxReadings:
			return rejected("data", "the file has more than %d readings; import it in parts", maxReadings)
		case p.unreadable > hopeless:
			return rejected("data", "more than %d lines cannot be read, the first: %s", hopeless, p.broken)
		}
		p.readRow(cells, line)
	}
}

func (p *parser) readRow(cells [][]byte, line int) {
	next := row{line: int32(line), Reading: Reading{Temperature: Missing, Humidity: Missing, Wetness: Missing}} // #nosec G115 -- at most maxReadings
	problem := p.fill(&next, cells)
	if problem == "" {
		p.readable++
		if next.Temperature == Missing && next.Humidity == Missing && next.Wetness == Missing {
			return // a logger's note: started, stopped, read out
		}
		if len(p.rows) == cap(p.rows) {
			p.rows = slices.Grow(p.rows, max(firstRows, len(p.rows))) // doubled: copying is what long files cost
		}
		p.rows = append(p.rows, next)
		return
	}
	if len(cells) == 1 && len(trim(cells[0])) == 0 {
		return
	}
	p.unreadable++
	p.leftOut++
	sentence := fmt.Sprintf("line %d was left out: %s", line, problem)
	if p.broken == "" {
		p.broken = sentence
	}
	p.faults.add(Fault{Kind: Unreadable, Line: line, Sentence: sentence})
}

// fill reads the cells of a line and returns what is wrong with it; empty when
// nothing is.
func (p *parser) fill(r *row, cells [][]byte) (problem string) {
	if cells == nil {
		return "its double quotes are broken"
	}
	if len(cells) > p.width && len(bytes.TrimSpace(bytes.Join(cells[p.width:], nil))) > 0 {
		return fmt.Sprintf("it has %d cells where the header has %d; decimal commas need another delimiter than the comma, or quotes", len(cells), p.width)
	}
	date := cellAt(cells, p.date)
	var clock []byte
	if p.time.present() {
		if clock = cellAt(cells, p.time); len(trim(clock)) == 0 {
			return "it has no time of day"
		}
	}
	var ok bool
	if r.Time, r.kind, ok = p.stamps.parse(date, clock); !ok {
		return fmt.Sprintf("the time %s cannot be read", shownCell(date, clock))
	}
	if r.Temperature, ok = p.temperatureOf(trim(cellAt(cells, p.temperature))); !ok {
		return fmt.Sprintf("the temperature %s is no number", shownCell(cellAt(cells, p.temperature), nil))
	}
	if r.Humidity, ok = p.humidityOf(trim(cellAt(cells, p.humidity))); !ok {
		return fmt.Sprintf("the humidity %s is no number", shownCell(cellAt(cells, p.humidity), nil))
	}
	if r.Wetness, ok = p.wetness.parse(trim(cellAt(cells, p.layout.wetness))); !ok {
		return fmt.Sprintf("the wetness %s is no number", shownCell(cellAt(cells, p.layout.wetness), nil))
	}
	return ""
}

func cellAt(cells [][]byte, c column) []byte {
	if c.at < 0 || c.at >= len(cells) {
		return nil
	}
	return cells[c.at]
}

func shownCell(first, second []byte) string {
	text := headerText(first)
	if len(second) > 0 {
		text += " " + headerText(second)
	}
	return quotedName(text)
}

// temperatureOf reads a temperature as hundredths of a degree Celsius.
func (p *parser) temperatureOf(cell []byte) (int32, bool) {
	if blank(cell) {
		return Missing, true
	}
	number, rest, ok := parseDecimal(cell)
	if !ok || (len(rest) > 0 && temperatureUnit(words(headerText(rest))) != p.unit) {
		return 0, false
	}
	value := number.hundredths()
	if p.unit == Fahrenheit {
		value = number.fahrenheitHundredths()
	}
	return int32(value), true // #nosec G115 -- maxDigits keeps it below 10^8
}

// humidityOf reads a relative humidity as hundredths of a percent.
func (p *parser) humidityOf(cell []byte) (int32, bool) {
	if blank(cell) {
		return Missing, true
	}
	number, rest, ok := parseDecimal(cell)
	if !ok || (len(rest) > 0 && !slices.Contains(words(headerText(rest)), "%")) {
		return 0, false
	}
	return int32(number.hundredths()), true // #nosec G115 -- maxDigits keeps it below 10^8
}

func (p *parser) checkReadable() error {
	lines := p.readable + p.unreadable
	switch {
	case lines == 0:
		return rejected("data", "there is no line behind the header on line %d", p.line)
	case len(p.rows) == 0 && p.unreadable > 0:
		return rejected("data", "no line gave a reading: %s", p.broken)
	case len(p.rows) == 0:
		return rejected("data", "no line has a temperature, humidity or wetness")
	case p.unreadable > maxUnreadable && p.unreadable*100 > lines*maxUnreadablePercent:
		return rejected("data", "%d of %d lines cannot be read, the first: %s", p.unreadable, lines, p.broken)
	default:
		return nil
	}
}

// usualInterval is the median time from one reading to the next, of a sample; 0 for
// one reading. Direction does not count.
func usualInterval(n int, at func(int) int64) int64 {
	const sample = 20_001
	steps := make([]int64, 0, min(n, sample))
	stride := max(1, n/sample)
	for i := 1; i < n && len(steps) < sample; i += stride {
		step := at(i) - at(i-1)
		if step != 0 {
			steps = append(steps, max(step, -step))
		}
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}
