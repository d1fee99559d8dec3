package cli

import (
	"context"
	"math/rand/v2"
	"strings"
	"testing"
	"text/tabwriter"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// drawn is what a sheet prints.
func drawn(draw func(s *sheet)) string {
	s := &sheet{ctx: context.Background()}
	s.table = tabwriter.NewWriter(&s.drawn, 0, 0, columnGap, ' ', 0)
	draw(s)
	s.flush()
	return string(trimLines(s.drawn.Bytes()))
}

func TestATableIsNoWiderThanTheScreen(t *testing.T) {
	long := strings.TrimSpace(strings.Repeat("the label asks for 14 d between applications ", 6))
	text := drawn(func(s *sheet) {
		s.row("KEPT", "PRODUCT", "WHEN", "WHAT", "SOURCE")
		s.row("label-min-interval", "topspray", "2026-03-07 08:00 +02:00", long, "FRAC recommendations for group 3, which were read on its pages")
		s.row("label-rate-max", "copperflow", "2026-03-07 08:00 +02:00", "kept", "the label")
		s.line("")
		s.fact("What", long+"\n"+long)
		s.fact("Instead", "copper")
	})
	for line := range strings.SplitSeq(text, "\n") {
		require.LessOrEqual(t, utf8.RuneCountInString(line), screenWidth, line)
	}
	require.Equal(t, 2, strings.Count(text, "2026-03-07 08:00 +02:00"), "a time is never broken:\n"+text)
	require.Equal(t, strings.Fields(strings.Repeat(long+" ", 2)), strings.Fields(text[strings.Index(text, "What:")+len("What:"):strings.Index(text, "Instead")]))
}

func TestATableThatFitsIsLeftAlone(t *testing.T) {
	require.Equal(t, "LOT     NOTE\nl-0001  two  spaces\n", drawn(func(s *sheet) {
		s.row("LOT", "NOTE")
		s.row("l-0001", "two  spaces")
	}))
}

// A word that is longer than the screen cannot be broken and is not lost.
func TestALongWordStaysWhole(t *testing.T) {
	word := strings.Repeat("x", 150)
	require.Contains(t, drawn(func(s *sheet) { s.row("a b", word, "c d") }), word)
}

// What a text holds does not move the cursor nor the columns.
func TestControlCharactersArePrintedAsSpaces(t *testing.T) {
	require.Equal(t, "a b   [2Jc\n", drawn(func(s *sheet) { s.row("a\tb", "\x1b[2Jc") }))
}

// Every word of every cell is printed, in the order of its cell.
func TestNoWordIsLostWhenATableIsBroken(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	for range 300 {
		var rows [][]string
		columns := 1 + random.IntN(6)
		for range 1 + random.IntN(5) {
			row := make([]string, columns)
			for i := range row {
				for range 1 + random.IntN(30) {
					row[i] += strings.Repeat("w", 1+random.IntN(12)) + " "
				}
				row[i] = strings.TrimSpace(row[i])
			}
			rows = append(rows, row)
		}
		lines := fitted(rows)
		for column := range columns {
			var want, got []string
			for _, row := range rows {
				want = append(want, strings.Fields(row[column])...)
			}
			for _, line := range lines {
				got = append(got, strings.Fields(line[column])...)
			}
			require.Equal(t, want, got)
		}
	}
}
