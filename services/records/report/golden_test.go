package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"velamen/internal/page"
	"velamen/internal/page/pagetest"
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
			require.Equal(t, "State", rows[0][5])
			require.Equal(t, document.Missing+document.Doubtful > 0, strings.HasPrefix(rows[1][5], "NOT COMPLETE. "), "it says so before any field")
			require.Equal(t, fmt.Sprint(document.Missing), rows[1][6])
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

func pdfText(t *testing.T, data []byte) string {
	t.Helper()
	return pagetest.Text(t, data)
}

func TestNoTextIsDrawnOverAnotherOrBeyondThePage(t *testing.T) {
	for _, kind := range Kinds() {
		document, _ := march(t, kind.ID)
		pagetest.RequireReadable(t, page.A4, write(t, document, PDF))
	}
}
