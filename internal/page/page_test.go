package page_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/page"
	"velamen/internal/page/pagetest"
)

func drawn(t *testing.T, paper page.Paper, body func(*page.Pages)) []byte {
	t.Helper()
	data, err := page.PDF(page.Document{
		Paper: paper, Title: "Test", Written: time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC), Body: body,
		Foot: func(number, of int) string { return fmt.Sprintf("%d of %d", number, of) },
	})
	require.NoError(t, err)
	return data
}

func everything(p *page.Pages) {
	p.Paragraph(page.Title, "Title")
	p.Heading("Heading")
	p.Bar(page.Strong, strings.Repeat("Bar ", 90))
	p.Centred(page.Strong, strings.Repeat("in the middle ", 40))
	p.Box(page.Body, 30, "framed", strings.Repeat("long ", 200))
	p.Tick(page.Body, "one", strings.Repeat("another ", 80))
	p.FillIn(page.Label, "Write here")
	p.Cells(page.Plain, []string{"A", "B"}, []page.Cell{{Text: "a"}, {Text: "MISSING", Alarm: true}}, p.Columns(2))
}

func TestPagesAreNumberedAnewInEachPart(t *testing.T) {
	data := drawn(t, page.Letter, func(p *page.Pages) {
		p.Paragraph(page.Body, "first")
		p.Room(p.Left() + 1)
		p.Paragraph(page.Body, "second")
		p.Part()
		p.Paragraph(page.Body, "third")
	})
	require.Equal(t, "first\n1 of 2\nsecond\n2 of 2\nthird\n1 of 1\n", pagetest.Text(t, data))
}

func TestNothingIsDrawnOverAnythingElseOnEitherPaper(t *testing.T) {
	for _, paper := range []page.Paper{page.A4, page.Letter} {
		data := drawn(t, paper, func(p *page.Pages) {
			for range 6 {
				everything(p)
			}
		})
		pagetest.RequireReadable(t, paper, data)
		require.Equal(t, data, drawn(t, paper, func(p *page.Pages) {
			for range 6 {
				everything(p)
			}
		}))
	}
}

func TestAWordThatIsTooLongIsBrokenAfterAHyphenAndNothingIsLost(t *testing.T) {
	narrow := func(word string) string {
		return pagetest.Text(t, drawn(t, page.A4, func(p *page.Pages) { p.Cells(page.Plain, nil, []page.Cell{{Text: word}}, 26) }))
	}
	require.Equal(t, "thiophanate-\nmethyl\n1 of 1\n", narrow("thiophanate-methyl"))
	require.Equal(t, strings.Repeat("Ψ", 50), strings.ReplaceAll(strings.TrimSuffix(narrow(strings.Repeat("Ψ", 50)), "1 of 1\n"), "\n", ""))
	require.Equal(t, "[U+5170]\n1 of 1\n", narrow("兰"))
}
