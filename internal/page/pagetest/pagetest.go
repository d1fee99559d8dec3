// Package pagetest reads back what stands on pages of PDF.
package pagetest

import (
	"bytes"
	"compress/zlib"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"

	"velamen/internal/page"
)

var (
	streams = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	shown   = regexp.MustCompile(`(?s)\(((?:\\.|[^\\)])*)\) ?Tj`)
	escapes = strings.NewReplacer(`\\`, `\`, `\(`, `(`, `\)`, `)`, `\r`, "\r")
	faces   = regexp.MustCompile(`/F[^ ]+ ([0-9.]+) Tf`)
	placed  = regexp.MustCompile(`(?s)/F[^ ]+ ([0-9.]+) Tf|BT ([0-9.]+) ([0-9.]+) Td \(((?:\\.|[^\\)])*)\) ?Tj`)
)

// Text reads the texts that a PDF shows, in their order, one on a line.
func Text(t testing.TB, data []byte) string {
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
func decode(t testing.TB, text []byte) string {
	t.Helper()
	raw := []byte(escapes.Replace(string(text)))
	require.Zero(t, len(raw)%2)
	units := make([]uint16, len(raw)/2)
	for i := range units {
		units[i] = uint16(raw[2*i])<<8 | uint16(raw[2*i+1])
	}
	return string(utf16.Decode(units))
}

// box is where a text stands on a page, in points from the lower left corner.
type box struct {
	text                   string
	left, right, low, high float64
}

// boxes returns the boxes of each page. A box is as high as small letters, which is
// what must not be drawn over.
func boxes(t testing.TB, data []byte) [][]box {
	t.Helper()
	face, err := sfnt.Parse(goregular.TTF)
	require.NoError(t, err)
	var pages [][]box
	for _, content := range contents(data) {
		if !faces.Match(content) {
			continue
		}
		var found []box
		size := 0.0
		for _, match := range placed.FindAllSubmatch(content, -1) {
			if len(match[1]) > 0 {
				size = number(t, match[1])
				continue
			}
			require.Positive(t, size)
			text, x, y := decode(t, match[4]), number(t, match[2]), number(t, match[3])
			found = append(found, box{text, x, x + advance(t, face, text)*size, y, y + size/2})
		}
		pages = append(pages, found)
	}
	return pages
}

func number(t testing.TB, text []byte) float64 {
	t.Helper()
	n, err := strconv.ParseFloat(string(text), 64)
	require.NoError(t, err)
	return n
}

// advance is the width of a text in parts of the size of its face.
func advance(t testing.TB, face *sfnt.Font, text string) float64 {
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

// RequireReadable fails the test when a text is drawn over another or beyond a page.
func RequireReadable(t testing.TB, paper page.Paper, data []byte) {
	t.Helper()
	const edge, pointsPerMillimetre = 25, 72 / 25.4
	width, height := paper.Width*pointsPerMillimetre, paper.Height*pointsPerMillimetre
	pages := boxes(t, data)
	require.NotEmpty(t, pages)
	for number, found := range pages {
		require.NotEmpty(t, found)
		for i, a := range found {
			require.True(t, a.left >= edge && a.right <= width-edge && a.low >= edge && a.high <= height-edge, "page %d: %+v", number+1, a)
			for _, b := range found[:i] {
				apart := a.right <= b.left || b.right <= a.left || a.high <= b.low || b.high <= a.low
				require.True(t, apart, "page %d: %+v and %+v", number+1, a, b)
			}
		}
	}
}
