package stock

import (
	"bytes"
	"encoding/csv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	stockv1 "velamen/gen/velamen/stock/v1"
)

// FuzzImport feeds any bytes to the reader and the rules of every file. Nothing
// may panic, every problem must be fit to send, and what passes without a problem
// must read the same again once it is written as an export writes it.
func FuzzImport(f *testing.F) {
	for _, seed := range []string{
		"", "\ufeff", "\n", "\"", "\"\"", ",", "lot\n", "lot,lot\n\"a\nb\"\n", "lot,botanical_name,house,bench,plants\na,Vanda,h1,b1,5\n",
		"lot,botanical_name,house,bench,plants,cultivar\na,Vanda,h1,b1,5,\"x\r\n\"\"y\"\"\"\n",
		"house,display_name,area,area_unit,adjoining_houses\nh2,H,1.50,ha,h1 h3\nh3,\"a\nb\",007,m2,\n",
		"house,bench,display_name,area_m2\nh1,b2,\xff,1\nh1,b2,x,1\rh1\n",
		"house,bench,display_name,area_m2,neighbour_benches,x_m,y_m,length_m,width_m\nh1,b3,x,1,h1/b1 h1/b4,0,1.50,2,1\nh1,b4,x,1,,,,,\n",
		"house,bench,display_name,area_m2,neighbour_benches,x_m,width_m\nh1,b3,x,1,/ h1/b3 h1/b3,-1,\x00\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		standing := stand{houses: map[string]bool{"h1": true}, benches: map[place]bool{{"h1", "b1"}: true}, lots: map[string]bool{"old": true}}
		for _, file := range importOrder {
			add, problems := judge(filesWith(readTable(file, data)), standing)
			requireSendable(t, problems, int64(bytes.Count(data, []byte("\n"))+1))
			if problems.count > 0 {
				continue
			}
			again, problems := judge(filesWith(readTable(file, written(t, file, add))), standing)
			require.Zero(t, problems.count, problems.kept)
			require.Equal(t, rowsOf(add), rowsOf(again))
		}
	})
}

func filesWith(read table) tables {
	switch read.file {
	case stockv1.StockFile_STOCK_FILE_HOUSES:
		return tables{houses: read}
	case stockv1.StockFile_STOCK_FILE_BENCHES:
		return tables{benches: read}
	default:
		return tables{lots: read}
	}
}

func requireSendable(t *testing.T, problems *problemList, lines int64) {
	t.Helper()
	require.LessOrEqual(t, len(problems.kept), maxProblems)
	require.GreaterOrEqual(t, problems.count, int64(len(problems.kept)))
	for _, problem := range problems.kept {
		require.True(t, utf8.ValidString(problem.GetColumn()+problem.GetRule()))
		require.NotEmpty(t, problem.GetRule())
		require.Positive(t, problem.GetLine())
		require.LessOrEqual(t, problem.GetLine(), lines)
	}
}

func rowsOf(add intake) [][]string {
	var rows [][]string
	for _, house := range add.houses {
		rows = append(rows, house.cells())
	}
	for _, bench := range add.benches {
		rows = append(rows, bench.cells())
	}
	for _, lot := range add.lots {
		rows = append(rows, lot.cells())
	}
	return rows
}

func written(t *testing.T, file stockv1.StockFile, add intake) []byte {
	t.Helper()
	var text bytes.Buffer
	writer := csv.NewWriter(&text)
	writer.UseCRLF = true
	require.NoError(t, writer.Write(headerOf(file)))
	require.NoError(t, writer.WriteAll(rowsOf(add)))
	return text.Bytes()
}

func TestReadTableBoundsTheRowsOfAFile(t *testing.T) {
	read := readTable(stockv1.StockFile_STOCK_FILE_LOTS, []byte("lot\n"+strings.Repeat("a\n", maxRecords+5)))
	require.Len(t, read.records, maxRecords+1)
	last := read.records[maxRecords]
	require.Equal(t, "a file holds at most 1000000 rows; nothing was read from here on", last.broken)
	require.Equal(t, int64(maxRecords+2), last.line)
}

func TestCheckText(t *testing.T) {
	for text, rule := range map[string]string{
		"":             "",
		"Vanda × blue": "",
		"two\nlines":   "",
		"a\rb":         "must not contain the control character U+000D",
		"a\x00b":       "must not contain the control character U+0000",
		"\xff":         "must be UTF-8",
		"a ":           "must not begin or end with a space or an empty line",
		"\na":          "must not begin or end with a space or an empty line",
	} {
		err := checkText(text)
		if rule == "" {
			require.NoError(t, err, "%q", text)
			continue
		}
		require.EqualError(t, err, rule, "%q", text)
	}
}

func TestBalanceSaysWhetherTheCountsAgree(t *testing.T) {
	require.True(t, balance(10, 5, 2, 3, 10).GetBalanced())
	require.False(t, balance(10, 5, 2, 3, 11).GetBalanced())
	require.True(t, balance(0, 0, 0, 0, 0).GetBalanced())
}
