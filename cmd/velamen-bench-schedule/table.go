package main

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// table prints lines and columns as they are measured.
type table struct{ w io.Writer }

func (t *table) line(format string, args ...any) { _, _ = fmt.Fprintf(t.w, format+"\n", args...) }

// row prints cells in columns of some width; below 0 is to the left.
func (t *table) row(widths []int, cells ...string) {
	var line strings.Builder
	for i, cell := range cells {
		fmt.Fprintf(&line, "%*s  ", widths[i], cell)
	}
	t.line("%s", strings.TrimRight(line.String(), " "))
}

// count is a number, or a dash for none.
func count(n int64) string {
	if n < 0 {
		return "-"
	}
	return fmt.Sprint(n)
}

// orNone is a number, or that there is none.
func orNone(n int64) string {
	if n < 0 {
		return "none"
	}
	return count(n)
}

// percent is how much a cost is above another figure. It is unknown when that is
// nothing and the cost is not.
func percent(cost, of int64) string {
	switch {
	case cost < 0 || of < 0:
		return "-"
	case of == 0 && cost == 0:
		return "0.0%"
	case of == 0:
		return "unknown"
	}
	return fmt.Sprintf("%.1f%%", 100*float64(cost-of)/float64(of))
}

// ratio is a cost as a multiple of another.
func ratio(cost, of int64) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.3f", float64(cost)/float64(of))
}

// share is a part in percent.
func share(part, of int) string {
	if of == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f%%", 100*float64(part)/float64(of))
}

func yes(is bool) string {
	if is {
		return "yes"
	}
	return "no"
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }
