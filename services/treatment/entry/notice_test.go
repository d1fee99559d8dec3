package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func TestWhenSignsGoUpAndComeDown(t *testing.T) {
	a := drench("12")
	a.Where = "bench 4"
	due := nursery("US").NoticesDue(a, No)
	require.True(t, due.Signs)
	require.Equal(t, at(9, 0).Add(-24*time.Hour), due.SignsFrom)
	require.Equal(t, at(9, 0), due.SignsBy)
	require.Equal(t, at(22, 0).AddDate(0, 0, 3), due.SignsDownBy)
	require.True(t, due.SpokenBy.IsZero())
	require.Equal(t, "House h1: keep out of the treated area (bench 4) from 2026-03-01 09:00 UTC to 2026-03-01 22:00 UTC. A pesticide is applied there.", due.Words)

	require.Contains(t, nursery("US").NoticesDue(fog("1"), No).Words, "to 2026-03-01 11:00 UTC, and after that until the house is aired.",
		"the interval may be over before the air is good")

	either := nursery("US").NoticesDue(drench("4"), No)
	require.Equal(t, at(9, 0), either.SpokenBy)
	require.Equal(t, at(9, 0), either.SignsBy, "signs are one of the two ways")
	for _, source := range either.Sources {
		require.Contains(t, source, "from memory")
	}
}

// 40 CFR 170.411(c), from memory.
func TestHowLongWashingSuppliesStandReadyPublished(t *testing.T) {
	for interval, want := range map[string]time.Time{
		"4": at(14, 0).AddDate(0, 0, 7), "4.000001": at(14, 0).Add(3600*time.Microsecond).AddDate(0, 0, 30), "0": at(10, 0).AddDate(0, 0, 7),
	} {
		require.Equal(t, want, nursery("US").NoticesDue(drench(interval), No).SuppliesUntil, interval)
	}
}

func TestWithoutAnIntervalTheDisplayCountsFromTheEndOfTheApplication(t *testing.T) {
	due := nursery("US").NoticesDue(drench("0"), No)
	require.Equal(t, at(10, 0).AddDate(0, 0, 30), due.DisplayUntil)
}

func TestAMissingFactAsksForMoreNotice(t *testing.T) {
	for name, test := range map[string]struct {
		change        func(*Nursery, *Application)
		signs, spoken bool
		missing       string
	}{
		"the label on double notification": {func(_ *Nursery, a *Application) { a.Products[0].Double = Unknown }, true, true, "whether a label asks for signs and spoken words both"},
		"the products":                     {func(_ *Nursery, a *Application) { a.Products = nil }, true, true, "whether a label asks for signs and spoken words both"},
		"the interval":                     {func(_ *Nursery, a *Application) { a.Products[0].Interval = quantity.Quantity{} }, true, false, "the restricted-entry interval of product A"},
		"whether it is enclosed":           {func(n *Nursery, a *Application) { n.Houses[0].Enclosed = Unknown; a.Products[0].Interval = hours("5") }, true, false, "whether the place is enclosed"},
		"the law":                          {func(n *Nursery, a *Application) { n.Jurisdiction = ""; a.Products[0].Interval = hours("5") }, true, false, "the nursery's law"},
		"the end":                          {func(_ *Nursery, a *Application) { a.End = time.Time{}; a.Products[0].Interval = hours("5") }, true, false, "the end of the application"},
	} {
		t.Run(name, func(t *testing.T) {
			n, a := nursery("US"), drench("4")
			test.change(&n, &a)
			due := n.NoticesDue(a, Unknown)
			require.Equal(t, test.signs, due.Signs)
			require.Equal(t, test.spoken, due.Spoken)
			require.False(t, due.Either)
			require.Contains(t, due.Missing, test.missing)
		})
	}
	both := drench("4")
	both.Products[0].Double, both.Products[0].Interval = Yes, quantity.Quantity{}
	due := nursery("US").NoticesDue(both, No)
	require.True(t, due.Signs && due.Spoken)
	require.True(t, due.DisplayUntil.IsZero() && due.SuppliesUntil.IsZero() && due.SignsDownBy.IsZero(), "nobody knows the end")
	require.Equal(t, []string{"the restricted-entry interval of product A"}, due.Missing)
	require.Contains(t, due.Words, "until you are told that it is open")

	abroad := nursery("ZA").NoticesDue(drench("5"), No)
	require.Contains(t, abroad.Why[0], "stand in as design values")
}
