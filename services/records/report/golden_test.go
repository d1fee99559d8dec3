package report

import (
	"bytes"
	"compress/zlib"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

var update = flag.Bool("update", false, "write the golden files anew")

func requireGolden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, got, 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), string(got))
}

func TestEveryKindIsWrittenInEveryFormatAsTheGoldenFiles(t *testing.T) {
	for _, kind := range Kinds() {
		t.Run(kind.ID, func(t *testing.T) {
			document, _ := march(t, kind.ID)
			for _, format := range Formats() {
				data, err := Write(document, format)
				require.NoError(t, err)
				switch format {
				case PDF:
					requireGolden(t, kind.ID+".pdf.txt", []byte(pdfText(t, data)))
				case XLSX:
					requireGolden(t, kind.ID+".xlsx.txt", []byte(xlsxText(t, data)))
				default:
					requireGolden(t, kind.ID+"."+string(format), data)
				}
			}
		})
	}
}

func TestTheSameDocumentGivesTheSameBytes(t *testing.T) {
	for _, kind := range Kinds() {
		for _, format := range Formats() {
			document, _ := march(t, kind.ID)
			first, err := Write(document, format)
			require.NoError(t, err)
			again, _ := march(t, kind.ID)
			second, err := Write(again, format)
			require.NoError(t, err)
			require.True(t, bytes.Equal(first, second), "%s as %s", kind.ID, format)
			require.NotEmpty(t, format.MediaType())
		}
	}
	document, _ := march(t, "house-record")
	_, err := Write(document, "docx")
	require.ErrorContains(t, err, "is no format")
	require.Empty(t, Format("docx").MediaType())
}

func TestJSONKeepsToThePublishedSchema(t *testing.T) {
	parsed, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	require.NoError(t, err)
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	require.NoError(t, compiler.AddResource("report.schema.json", parsed))
	schema, err := compiler.Compile("report.schema.json")
	require.NoError(t, err)

	validate := func(data []byte) error {
		instance, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
		require.NoError(t, err)
		return schema.Validate(instance)
	}
	for _, kind := range Kinds() {
		document, _ := march(t, kind.ID)
		data, err := Write(document, JSON)
		require.NoError(t, err)
		require.NoError(t, validate(data), kind.ID)
		var read Document
		require.NoError(t, json.Unmarshal(data, &read))
		require.Len(t, read.Uses.Rows, len(document.Uses.Rows))
		require.NoError(t, validate(write(t, empty(t, kind.ID), JSON)), "%s without uses", kind.ID)
		require.Error(t, validate(bytes.Replace(data, []byte(`"missing": `), []byte(`"lost": `), 1)))
	}
}

func TestASpreadsheetHoldsWhatTheDocumentHolds(t *testing.T) {
	for _, kind := range Kinds() {
		document, nursery := march(t, kind.ID)
		book, err := excelize.OpenReader(bytes.NewReader(write(t, document, XLSX)))
		require.NoError(t, err)
		rows, err := book.GetRows("Uses")
		require.NoError(t, err)
		require.Equal(t, append(append([]string{"Entry"}, flatTitles(document.Uses.Columns)...), "Remarks"), rows[0])
		for y, use := range document.Uses.Rows {
			for x, cell := range flatRow(document.Uses.Columns, use.Cells) {
				at, err := excelize.CoordinatesToCellName(x+2, y+2)
				require.NoError(t, err)
				shown, err := book.GetCellValue("Uses", at)
				require.NoError(t, err)
				kindOfCell, err := book.GetCellType("Uses", at)
				require.NoError(t, err)
				if cell.moment == nil {
					require.Equal(t, cell.text, shown, at)
					continue
				}
				// Typed: excelize has no type for a number that a style makes a date.
				require.Contains(t, []excelize.CellType{excelize.CellTypeUnset, excelize.CellTypeNumber}, kindOfCell, at)
				require.Equal(t, cell.moment.In(nursery.Zone).Format("2006-01-02 15:04:05 -07:00"), shown, at)
			}
		}
		gaps, err := book.GetRows("Missing")
		require.NoError(t, err)
		require.Len(t, gaps, len(document.Gaps)+1)
		require.NoError(t, book.Close())
	}
}

func TestCSVHasAsManyFieldsInEveryRow(t *testing.T) {
	for _, kind := range Kinds() {
		for _, document := range []Document{first(march(t, kind.ID)), empty(t, kind.ID)} {
			data := write(t, document, CSV)
			require.Equal(t, bytes.Count(data, []byte("\n")), bytes.Count(data, []byte("\r\n")), "RFC 4180 ends lines with CRLF")
			rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
			require.NoError(t, err)
			require.Len(t, rows, 1+max(1, len(document.Uses.Rows)))
			require.Equal(t, fmt.Sprint(document.Missing), rows[1][5])
		}
	}
}

func TestAPageSaysItsNumberTheCautionAndHowMuchIsMissing(t *testing.T) {
	document, _ := march(t, "us-ca-monthly-use")
	text := pdfText(t, write(t, document, PDF))
	pages := strings.Count(text, " Page ")
	require.Greater(t, pages, 1)
	for page := range pages {
		require.Contains(t, text, fmt.Sprintf("Page %d of %d", page+1, pages))
	}
	flat := strings.Join(strings.Fields(text), " ")
	require.Contains(t, flat, Caution)
	require.Contains(t, flat, fmt.Sprintf("Required fields that are MISSING: %d.", document.Missing))
	require.Contains(t, flat, "Žofie & Çelik Орхидеи")
	require.Contains(t, flat, "[U+5170][U+82B1]", "a character that the face cannot draw is named")
}

func TestALongCellIsWrappedAndNothingIsLost(t *testing.T) {
	nursery := nurseryFor(t, "house-record")
	use := fullUse(t)
	use.ProductName = strings.Repeat("Ψ", 9000)
	use.Breach = strings.Repeat("word ", 2000)
	period, err := Month(2026, time.March, nursery.Zone)
	require.NoError(t, err)
	document, err := Build(kindOf(t, "house-record"), nursery, period, []Use{use})
	require.NoError(t, err)
	text := pdfText(t, write(t, document, PDF))
	require.Equal(t, 9000, strings.Count(text, "Ψ"))
	require.Equal(t, 2000, strings.Count(text, "word"))

	use.Breach = strings.Repeat("word ", 8000)
	document, err = Build(kindOf(t, "house-record"), nursery, period, []Use{use})
	require.NoError(t, err)
	_, err = Write(document, XLSX)
	require.ErrorContains(t, err, "holds more than 32767 characters")
}

func first(document Document, _ Nursery) Document { return document }

func empty(t *testing.T, kind string) Document {
	t.Helper()
	nursery := nurseryFor(t, kind)
	period, err := Month(2026, time.April, nursery.Zone)
	require.NoError(t, err)
	document, err := Build(kindOf(t, kind), nursery, period, nil)
	require.NoError(t, err)
	return document
}

func write(t *testing.T, document Document, format Format) []byte {
	t.Helper()
	data, err := Write(document, format)
	require.NoError(t, err)
	return data
}

func xlsxText(t *testing.T, data []byte) string {
	t.Helper()
	book, err := excelize.OpenReader(bytes.NewReader(data))
	require.NoError(t, err)
	var text strings.Builder
	for _, sheet := range book.GetSheetList() {
		fmt.Fprintf(&text, "== %s\n", sheet)
		rows, err := book.GetRows(sheet)
		require.NoError(t, err)
		for _, row := range rows {
			text.WriteString(strings.ReplaceAll(strings.Join(row, " | "), "\n", " / ") + "\n")
		}
	}
	require.NoError(t, book.Close())
	return text.String()
}

var (
	streams = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	shown   = regexp.MustCompile(`(?s)\(((?:\\.|[^\\)])*)\) ?Tj`)
	escapes = strings.NewReplacer(`\\`, `\`, `\(`, `(`, `\)`, `)`, `\r`, "\r")
)

// pdfText reads the texts that a PDF shows, in their order.
func pdfText(t *testing.T, data []byte) string {
	t.Helper()
	require.True(t, bytes.HasPrefix(data, []byte("%PDF-")))
	var text strings.Builder
	for _, content := range contents(data) {
		for _, match := range shown.FindAllSubmatch(content, -1) {
			text.WriteString(decode(t, match[1]) + "\n")
		}
	}
	return text.String()
}

// contents returns the content streams of the pages (ISO 32000, 7.3.8 and 9.4.3).
func contents(data []byte) [][]byte {
	var pages [][]byte
	for _, stream := range streams.FindAllSubmatch(data, -1) {
		reader, err := zlib.NewReader(bytes.NewReader(stream[1]))
		if err != nil {
			continue
		}
		content, err := io.ReadAll(reader)
		if err == nil && bytes.Contains(content, []byte("BT ")) {
			pages = append(pages, content)
		}
	}
	return pages
}

// decode reads a text (ISO 32000, 7.3.4.2). It is UTF-16, because the faces map code
// points to glyphs.
func decode(t *testing.T, text []byte) string {
	t.Helper()
	raw := []byte(escapes.Replace(string(text)))
	require.Zero(t, len(raw)%2)
	units := make([]uint16, len(raw)/2)
	for i := range units {
		units[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
	}
	return string(utf16.Decode(units))
}

var (
	faces  = regexp.MustCompile(`/F[^ ]+ ([0-9.]+) Tf`)
	placed = regexp.MustCompile(`(?s)/F[^ ]+ ([0-9.]+) Tf|BT ([0-9.]+) ([0-9.]+) Td \(((?:\\.|[^\\)])*)\) ?Tj`)
)

// box is where a text stands on a page, in points from the lower left corner.
type box struct {
	text                   string
	left, right, low, high float64
}

// boxes returns the boxes of each page. A box is as high as small letters, which is
// what must not be drawn over.
func boxes(t *testing.T, data []byte) [][]box {
	t.Helper()
	face, err := sfnt.Parse(goregular.TTF)
	require.NoError(t, err)
	var pages [][]box
	for _, content := range contents(data) {
		if !faces.Match(content) {
			continue
		}
		var page []box
		size := 0.0
		for _, match := range placed.FindAllSubmatch(content, -1) {
			if len(match[1]) > 0 {
				size = number(t, match[1])
				continue
			}
			require.Positive(t, size)
			text, x, y := decode(t, match[4]), number(t, match[2]), number(t, match[3])
			page = append(page, box{text, x, x + advance(t, face, text)*size, y, y + size/2})
		}
		pages = append(pages, page)
	}
	return pages
}

func number(t *testing.T, text []byte) float64 {
	t.Helper()
	n, err := strconv.ParseFloat(string(text), 64)
	require.NoError(t, err)
	return n
}

// advance is the width of a text in parts of the size of its face.
func advance(t *testing.T, face *sfnt.Font, text string) float64 {
	t.Helper()
	var buffer sfnt.Buffer
	sum := fixed.Int26_6(0)
	for _, r := range text {
		index, err := face.GlyphIndex(&buffer, r)
		require.NoError(t, err)
		width, err := face.GlyphAdvance(&buffer, index, fixed.I(1000), font.HintingNone)
		require.NoError(t, err)
		sum += width
	}
	return float64(sum) / 64 / 1000
}

// A4 is 210 by 297 mm, 595.28 by 841.89 points (ISO 216).
func TestNoTextIsDrawnOverAnotherOrBeyondThePage(t *testing.T) {
	const a4Width, a4Height, edge = 595.28, 841.89, 25
	for _, kind := range Kinds() {
		document, _ := march(t, kind.ID)
		pages := boxes(t, write(t, document, PDF))
		require.NotEmpty(t, pages)
		for number, page := range pages {
			require.NotEmpty(t, page)
			for i, a := range page {
				require.True(t, a.left >= edge && a.right <= a4Width-edge && a.low >= edge && a.high <= a4Height-edge, "%s, page %d: %+v", kind.ID, number+1, a)
				for _, b := range page[:i] {
					apart := a.right <= b.left || b.right <= a.left || a.high <= b.low || b.high <= a.low
					require.True(t, apart, "%s, page %d: %+v and %+v", kind.ID, number+1, a, b)
				}
			}
		}
	}
}
