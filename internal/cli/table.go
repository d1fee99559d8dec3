package cli

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

const (
	// screenWidth is how many characters a table is wide at most, where the words
	// in it allow that.
	screenWidth = 120
	// columnGap is how many spaces part two columns.
	columnGap = 2
	// wholeCell is how wide a cell is that is never broken, unless it is a heading: a
	// time with its offset has 23 characters, and an amount is not read in halves.
	wholeCell = 24
)

// printable is a text without the characters that would move the cursor or break
// a table. Line breaks stay.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' {
			return ' '
		}
		return r
	}, text)
}

// fitted returns the lines of a table whose rows have equally many cells: a cell
// that is too long for the screen goes on in the next line, below its beginning.
func fitted(rows [][]string) [][]string {
	widths := columnWidths(rows)
	var lines [][]string
	for _, row := range rows {
		broken := make([][]string, len(row))
		height := 1
		for i, cell := range row {
			broken[i] = brokenInto(cell, widths[i])
			height = max(height, len(broken[i]))
		}
		for at := range height {
			line := make([]string, len(row))
			for i, cell := range broken {
				if at < len(cell) {
					line[i] = cell[at]
				}
			}
			lines = append(lines, line)
		}
	}
	return lines
}

// columnWidths narrows the widest columns until the table fits on the screen, or
// nothing more can be broken.
func columnWidths(rows [][]string) []int {
	widths, least := make([]int, len(rows[0])), make([]int, len(rows[0]))
	for number, row := range rows {
		for i, cell := range row {
			width := 0
			for line := range strings.SplitSeq(cell, "\n") {
				width = max(width, utf8.RuneCountInString(line))
			}
			widths[i] = max(widths[i], width)
			heading := number == 0 && cell == strings.ToUpper(cell)
			if !heading {
				least[i] = max(least[i], min(width, wholeCell))
			}
			for word := range strings.FieldsSeq(cell) {
				least[i] = max(least[i], utf8.RuneCountInString(word))
			}
		}
	}
	total := columnGap * (len(widths) - 1)
	for _, width := range widths {
		total += width
	}
	for ; total > screenWidth; total-- {
		widest := -1
		for i, width := range widths {
			if width > least[i] && (widest < 0 || width > widths[widest]) {
				widest = i
			}
		}
		if widest < 0 {
			return widths
		}
		widths[widest]--
	}
	return widths
}

// brokenInto returns the lines of a cell, each no longer than a width unless a
// word is.
func brokenInto(cell string, width int) []string {
	var lines []string
	for whole := range strings.SplitSeq(cell, "\n") {
		if utf8.RuneCountInString(whole) <= width {
			lines = append(lines, whole)
			continue
		}
		line := ""
		for word := range strings.FieldsSeq(whole) {
			switch {
			case line == "":
				line = word
			case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= width:
				line += " " + word
			default:
				lines = append(lines, line)
				line = word
			}
		}
		lines = append(lines, line)
	}
	return lines
}
