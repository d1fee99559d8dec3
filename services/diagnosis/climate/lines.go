package climate

import (
	"bytes"
	"errors"
	"io"
)

// maxRecord is how long one record may be, in bytes: a quote that is never closed
// must not swallow the file.
const maxRecord = 64 << 10

// errTooLong is a record of more than maxRecord bytes.
var errTooLong = errors.New("record too long")

// lines cuts a file into records and their cells as encoding/csv does, which a
// test holds it to. It allocates nothing for a record: cells are parts of its
// buffer and hold until the next one.
type lines struct {
	source io.Reader
	// buffer[begin:end] is what was read and not yet used.
	buffer     []byte
	begin, end int
	ended      bool
	delimiter  byte
	// line is the number of the line on which the next record begins, less one.
	line int
	// unquoted holds the text of cells that had quotes in them.
	unquoted []byte
	cells    [][]byte
	// spans are the places of quoted cells in unquoted, until that stops growing.
	spans [][2]int
}

func newLines(source io.Reader) *lines {
	return &lines{source: source, buffer: make([]byte, 4*maxRecord)}
}

// fill reads more and says whether there was any.
func (l *lines) fill() (bool, error) {
	if l.ended {
		return false, nil
	}
	if l.begin > 0 {
		l.end = copy(l.buffer, l.buffer[l.begin:l.end])
		l.begin = 0
	}
	if l.end == len(l.buffer) {
		return false, errTooLong
	}
	for {
		n, err := l.source.Read(l.buffer[l.end:])
		l.end += n
		if errors.Is(err, io.EOF) {
			l.ended = true
			return n > 0, nil
		}
		if n > 0 || err != nil {
			return n > 0, err
		}
	}
}

// rest returns the bytes from an offset behind begin up to and with the next line
// feed, or up to the end of the file.
func (l *lines) rest(offset int) ([]byte, error) {
	searched := offset
	for {
		if at := bytes.IndexByte(l.buffer[l.begin+searched:l.end], '\n'); at >= 0 {
			return l.buffer[l.begin+offset : l.begin+searched+at+1], nil
		}
		searched = l.end - l.begin
		if searched > maxRecord {
			return nil, errTooLong
		}
		more, err := l.fill()
		if err != nil {
			return nil, err
		}
		if !more {
			return l.buffer[l.begin+offset : l.end], nil
		}
	}
}

// bare returns a line without its end: a line feed, a carriage return and a line
// feed, or a carriage return at the end of the file.
func bare(line []byte) []byte {
	if n := len(line); n > 0 && line[n-1] == '\n' {
		line = line[:n-1]
	}
	if n := len(line); n > 0 && line[n-1] == '\r' {
		line = line[:n-1]
	}
	return line
}

// next returns the cells of the next record that is not empty, and the line on
// which it begins. A record whose quotes are broken has no cells. The error is
// io.EOF at the end.
func (l *lines) next() (cells [][]byte, line int, err error) {
	for {
		raw, err := l.rest(0)
		if err != nil {
			return nil, l.line + 1, err
		}
		if len(raw) == 0 {
			return nil, l.line + 1, io.EOF
		}
		l.line++
		text := bare(raw)
		if len(text) == 0 {
			l.begin += len(raw)
			continue
		}
		if bytes.IndexByte(text, '"') < 0 {
			l.begin += len(raw)
			return l.split(text), l.line, nil
		}
		first := l.line
		cells, err := l.quoted(raw)
		return cells, first, err
	}
}

// split cuts a line without quotes.
func (l *lines) split(text []byte) [][]byte {
	l.cells = l.cells[:0]
	start := 0
	for i, b := range text {
		if b == l.delimiter {
			l.cells = append(l.cells, text[start:i])
			start = i + 1
		}
	}
	l.cells = append(l.cells, text[start:])
	return l.cells
}

// quoted cuts a record that begins with the raw line and has quotes in it.
func (l *lines) quoted(raw []byte) ([][]byte, error) {
	l.unquoted, l.spans = l.unquoted[:0], l.spans[:0]
	used := len(raw)
	rest := normal(raw)
	for {
		if len(rest) == 0 || rest[0] != '"' {
			cell, after, more := l.cut(rest)
			if bytes.IndexByte(cell, '"') >= 0 {
				l.begin += used
				return nil, nil
			}
			l.keep(cell)
			if !more {
				break
			}
			rest = after
			continue
		}
		start := len(l.unquoted)
		rest = rest[1:]
		state, err := l.inside(&rest, &used)
		if err != nil {
			return nil, err
		}
		if state == quoteBroken {
			l.begin += used
			return nil, nil
		}
		l.spans = append(l.spans, [2]int{start, len(l.unquoted)})
		if state == quoteEndsRecord {
			break
		}
	}
	l.begin += used
	l.cells = l.cells[:0]
	for _, span := range l.spans {
		l.cells = append(l.cells, l.unquoted[span[0]:span[1]])
	}
	return l.cells, nil
}

// normal makes the end of a line a line feed, as encoding/csv does, or nothing at
// the end of the file.
func normal(raw []byte) []byte {
	n := len(raw)
	if n >= 2 && raw[n-2] == '\r' && raw[n-1] == '\n' {
		raw[n-2] = '\n'
		return raw[:n-1]
	}
	if n > 0 && raw[n-1] == '\r' {
		return raw[:n-1]
	}
	return raw
}

// cut takes an unquoted cell.
func (l *lines) cut(rest []byte) (cell, after []byte, more bool) {
	if at := bytes.IndexByte(rest, l.delimiter); at >= 0 {
		return rest[:at], rest[at+1:], true
	}
	return bytes.TrimSuffix(rest, []byte{'\n'}), nil, false
}

func (l *lines) keep(cell []byte) {
	start := len(l.unquoted)
	l.unquoted = append(l.unquoted, cell...)
	l.spans = append(l.spans, [2]int{start, len(l.unquoted)})
}

// How a quoted cell ends.
type quoteEnd int

const (
	quoteEndsCell quoteEnd = iota
	quoteEndsRecord
	quoteBroken
)

// inside takes a quoted cell after its first quote, over as many lines as it has.
func (l *lines) inside(rest *[]byte, used *int) (quoteEnd, error) {
	for {
		at := bytes.IndexByte(*rest, '"')
		if at < 0 {
			l.unquoted = append(l.unquoted, *rest...)
			if *used > maxRecord {
				return quoteBroken, errTooLong
			}
			raw, err := l.rest(*used)
			if err != nil {
				return quoteBroken, err
			}
			if len(raw) == 0 {
				return quoteBroken, nil
			}
			*used += len(raw)
			l.line++
			*rest = normal(raw)
			continue
		}
		l.unquoted = append(l.unquoted, (*rest)[:at]...)
		*rest = (*rest)[at+1:]
		switch {
		case len(*rest) > 0 && (*rest)[0] == '"':
			l.unquoted = append(l.unquoted, '"')
			*rest = (*rest)[1:]
		case len(*rest) > 0 && (*rest)[0] == l.delimiter:
			*rest = (*rest)[1:]
			return quoteEndsCell, nil
		case len(*rest) == 0 || (len(*rest) == 1 && (*rest)[0] == '\n'):
			return quoteEndsRecord, nil
		default:
			return quoteBroken, nil
		}
	}
}
