package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// The clocks of New York go forward on 8 March 2026 at 02:00 and back on 1 November
// 2026 at 02:00: 12 h stay 12 h.
func TestAnIntervalAcrossAChangeOfTheClocksIsNeitherShorterNorLonger(t *testing.T) {
	local := zone(t, "America/New_York")
	for _, test := range []struct{ end, over time.Time }{
		{time.Date(2026, 3, 7, 20, 0, 0, 0, local), time.Date(2026, 3, 8, 9, 0, 0, 0, local)},
		{time.Date(2026, 10, 31, 20, 0, 0, 0, local), time.Date(2026, 11, 1, 7, 0, 0, 0, local)},
	} {
		n := nursery("US")
		n.Zone = local
		a := drench("12")
		a.Start, a.End = test.end.Add(-time.Hour).UTC(), test.end.UTC()
		require.Equal(t, 12*time.Hour, test.over.Sub(test.end))
		standing := n.At([]Application{a}, nil, "h1", test.over.Add(-time.Nanosecond))
		require.Equal(t, []Reason{IntervalRuns}, reasons(standing))
		require.True(t, standing.Opens.Equal(test.over))
		require.Contains(t, standing.Closures[0].Why, test.over.Format("2006-01-02 15:04 MST"))
		require.True(t, n.At([]Application{a}, nil, "h1", test.over).Open())
	}
}

func TestAnIntervalOverTheLeapDayCountsIt(t *testing.T) {
	end := time.Date(2028, 2, 28, 10, 0, 0, 0, time.UTC)
	a := drench("48")
	a.Start, a.End = end.Add(-time.Hour), end
	over, known := nursery("US").IntervalOf(a).EndFrom(end)
	require.True(t, known)
	require.Equal(t, time.Date(2028, 3, 1, 10, 0, 0, 0, time.UTC), over)
	require.Equal(t, time.Date(2028, 3, 31, 10, 0, 0, 0, time.UTC), nursery("US").NoticesDue(a, No).DisplayUntil, "30 days after the interval")
}

func TestAnIntervalIsRoundedUpNeverDown(t *testing.T) {
	for text, want := range map[string]time.Duration{
		"4":        4 * time.Hour,
		"4.5":      4*time.Hour + 30*time.Minute,
		"0.000001": 3600 * time.Microsecond,
		"0":        0,
	} {
		got, err := lengthOf(hours(text))
		require.NoError(t, err)
		require.Equal(t, want, got, text)
	}
	days, err := lengthOf(quantity.Must("2", quantity.Day))
	require.NoError(t, err)
	require.Equal(t, 48*time.Hour, days)
}

func TestWhatIsNoIntervalIsMissing(t *testing.T) {
	for name, interval := range map[string]quantity.Quantity{
		"nothing": {}, "negative": hours("-1"), "a length": quantity.Must("4", quantity.Metre), "ten thousand days": quantity.Must("10000", quantity.Day),
	} {
		a := drench("4")
		a.Products = append(a.Products, label("4"))
		a.Products[1].Interval = interval
		got := nursery("US").IntervalOf(a)
		require.False(t, got.Known, name)
		require.Equal(t, []string{"the restricted-entry interval of product A"}, got.Missing, name)
		require.Contains(t, got.Why[0], "read it on the label and enter it", name)
		_, known := got.EndFrom(a.End)
		require.False(t, known, name)
	}
}

// 40 CFR 156.208(c), from memory, is named beside the refusal and opens nothing.
func TestADefaultIsNamedAndNeverTaken(t *testing.T) {
	a := drench("4")
	a.Products[0].Interval = quantity.Quantity{}
	years := a.End.AddDate(5, 0, 0)
	standing := nursery("US").At([]Application{a}, nil, "h1", years)
	require.Equal(t, []Reason{IntervalRuns}, reasons(standing))
	require.True(t, standing.Opens.IsZero())
	require.Contains(t, standing.Closures[0].Why, "for toxicity category III, is 12 h (40 CFR 156.208(c), numbers from memory)")
	require.Contains(t, standing.Closures[0].Why, "It is not taken in the label's place.")

	abroad := nursery("ZA").At([]Application{a}, nil, "h1", years)
	require.Equal(t, []Reason{IntervalRuns}, reasons(abroad))
	require.NotContains(t, abroad.Closures[0].Why, "156.208", "the law of another country sets no default here")
}

func TestTheDefaultForWantOfAFactIsTheLonger(t *testing.T) {
	rain := quantity.Must("20", quantity.Inch)
	for name, test := range map[string]struct {
		product  Product
		enclosed Fact
		rain     quantity.Quantity
		missing  string
	}{
		"the category":            {Product{Organophosphate: Yes}, No, rain, "which category it is"},
		"whether it is enclosed":  {Product{Category: CategoryI, Organophosphate: Yes}, Unknown, rain, "whether the place is enclosed"},
		"whether it inhibits":     {Product{Category: CategoryI}, No, rain, "whether it is an organophosphate that inhibits cholinesterase"},
		"the rain":                {Product{Category: CategoryI, Organophosphate: Yes}, No, quantity.Quantity{}, "how much rain falls in a year"},
		"a category that is none": {Product{Category: "V", Organophosphate: Yes}, No, rain, "which category it is"},
	} {
		got := DefaultInterval(test.product, test.enclosed, test.rain)
		require.Equal(t, 72, got.Hours, name)
		require.Contains(t, got.Missing, test.missing, name)
		require.Contains(t, got.String(), test.missing, name)
	}
}
