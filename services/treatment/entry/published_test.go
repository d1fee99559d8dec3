package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// 40 CFR 170.311(b)(5), from memory; the 30 days also in the older 40 CFR 170.122. The
// times are local to the nursery, so that the change of the clocks on 8 March 2026
// lies in the 30 days.
func TestDisplayOfAnApplicationPublished(t *testing.T) {
	local := zone(t, "America/New_York")
	n := nursery("US")
	n.Zone = local
	a := drench("12")
	a.Start, a.End = time.Date(2026, 3, 1, 9, 0, 0, 0, local).UTC(), time.Date(2026, 3, 1, 10, 0, 0, 0, local).UTC()

	over, known := n.IntervalOf(a).EndFrom(a.End)
	require.True(t, known)
	require.True(t, over.Equal(time.Date(2026, 3, 1, 22, 0, 0, 0, local)))
	due := n.NoticesDue(a, No)
	require.Equal(t, time.Date(2026, 3, 2, 10, 0, 0, 0, local).UTC(), due.DisplayBy)
	require.Equal(t, time.Date(2026, 3, 31, 22, 0, 0, 0, local).UTC(), due.DisplayUntil)
}

// 40 CFR 170.407 and WAC 16-233-116: the longest of the mix.
func TestIntervalOfATankMixPublished(t *testing.T) {
	a := drench("4")
	for _, interval := range []string{"24", "12"} {
		a.Products = append(a.Products, label(interval))
	}
	interval := nursery("US").IntervalOf(a)
	require.True(t, interval.Known)
	require.Equal(t, 24*time.Hour, interval.Length)
	require.Contains(t, interval.Source, "WAC 16-233-116")
}

// 40 CFR 170.409, from memory.
func TestNoticesPublished(t *testing.T) {
	for _, test := range []struct {
		name                  string
		enclosed              Fact
		interval              string
		double                Fact
		signs, spoken, either bool
	}{
		{"enclosed, 4 h", Yes, "4.0", No, false, false, true},
		{"enclosed, 4.5 h", Yes, "4.5", No, true, false, false},
		{"enclosed, 12 h, double", Yes, "12", Yes, true, true, false},
		{"outdoors, 48 h", No, "48", No, false, false, true},
		{"outdoors, 49 h", No, "49", No, true, false, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			house := greenhouse("h1")
			house.Enclosed = test.enclosed
			a := drench(test.interval)
			a.Products[0].Double = test.double
			due := nursery("US", house).NoticesDue(a, No)
			require.Equal(t, test.signs, due.Signs)
			require.Equal(t, test.spoken, due.Spoken)
			require.Equal(t, test.either, due.Either)
			require.Empty(t, due.Missing)

			none := nursery("US", house).NoticesDue(a, Yes)
			require.False(t, none.Signs || none.Spoken || none.Either)
		})
	}
}

// sixAnHour is a flow that changes the air of the house six times an hour.
var sixAnHour = quantity.Must("6000", quantity.CubicMetrePerH)

// 40 CFR 170.405(b)(3), from memory: any one of six. The fans of the exchanges run
// less than the 2 h that would do without counting: 10 exchanges take 100 min.
func TestFederalVentilationPublished(t *testing.T) {
	const h, m = time.Hour, time.Minute
	tenth := h / 10
	exchanging := func(length time.Duration) Airing {
		airing := aired(Fans, 0, length)
		airing.Flow = sixAnHour
		return airing
	}
	for _, test := range []struct {
		name    string
		airings []Airing
		// after the end of the application.
		after time.Duration
		met   bool
	}{
		{"9 exchanges", []Airing{exchanging(90 * m)}, 90 * m, false},
		{"10 exchanges", []Airing{exchanging(100 * m)}, 100 * m, true},
		{"1.9 h of fans", []Airing{aired(Fans, 0, 19*tenth)}, 19 * tenth, false},
		{"2 h of fans", []Airing{aired(Fans, 0, 2*h)}, 2 * h, true},
		{"3.9 h of vents", []Airing{aired(Vents, 0, 39*tenth)}, 39 * tenth, false},
		{"4 h of vents", []Airing{aired(Vents, 0, 4*h)}, 4 * h, true},
		{"11 h shut and 1 h of fans", []Airing{aired(Shut, 0, 11*h), aired(Fans, 11*h, 12*h)}, 12 * h, true},
		{"11 h shut and 1.5 h of vents", []Airing{aired(Shut, 0, 11*h), aired(Vents, 11*h, 11*h+90*m)}, 11*h + 90*m, false},
		{"11 h shut and 2 h of vents", []Airing{aired(Shut, 0, 11*h), aired(Vents, 11*h, 13*h)}, 13 * h, true},
		{"23 h shut", []Airing{aired(Shut, 0, 23*h)}, 23 * h, false},
		{"24 h shut", []Airing{aired(Shut, 0, 24*h)}, 24 * h, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			now := at(10, 0).Add(test.after)
			state := nursery("US").VentilationAt(fog("0"), test.airings, now)
			require.Equal(t, test.met, state.Met, "%+v", state)
			if test.met {
				require.Equal(t, now, state.From)
				before := nursery("US").VentilationAt(fog("0"), test.airings, now.Add(-time.Nanosecond))
				require.False(t, before.Met, "not a moment sooner")
			}
		})
	}
}

// 3 CCR 6769 as printed in 2016: fractions of four criteria that add up to 100 %.
func TestCaliforniaVentilationPublished(t *testing.T) {
	const h = time.Hour
	for _, test := range []struct {
		name    string
		airings []Airing
		after   time.Duration
		met     bool
	}{
		{"12 h shut and 1 h of fans: 100 %", []Airing{aired(Shut, 0, 12*h), aired(Fans, 12*h, 13*h)}, 13 * h, true},
		{"11 h shut and 1 h of fans: 95.8 %", []Airing{aired(Shut, 0, 11*h), aired(Fans, 11*h, 12*h)}, 12 * h, false},
		{"2 h of vents and 1 h of fans: 100 %", []Airing{aired(Vents, 0, 2*h), aired(Fans, 2*h, 3*h)}, 3 * h, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			state := nursery("US-CA").VentilationAt(fog("0"), test.airings, at(10, 0).Add(test.after))
			require.Equal(t, test.met, state.Met, "%+v", state)
		})
	}
}

// 40 CFR 170.405(b)(4) table 2, from memory.
func TestClosedAreasOfAGreenhousePublished(t *testing.T) {
	metre := quantity.Must("1", quantity.Metre)
	respirator := label("12")
	respirator.Respirator = Yes
	low := quantity.Must("10", quantity.Centimetre)
	for _, test := range []struct {
		name               string
		form               Form
		droplets           Droplets
		height             quantity.Quantity
		product            Product
		closed, afterwards Area
		aired              bool
	}{
		{"fog", Fog, "", quantity.Quantity{}, label("12"), Area{Extent: WholeSpace}, Area{Extent: WholeSpace}, true},
		{"fumigant", Fumigant, "", quantity.Quantity{}, label("12"), Area{Extent: WholeSpaceAndAdjoining}, Area{}, true},
		{"coarse spray, respirator on the label", Spray, MediumOrLarger, low, respirator, Area{Extent: WholeSpace}, Area{Extent: TreatedArea}, true},
		{"coarse spray from 1 m", Spray, MediumOrLarger, metre, label("12"), Area{Extent: TreatedArea, Feet: 25}, Area{Extent: TreatedArea}, false},
		{"drench", Drench, "", low, label("12"), Area{Extent: TreatedArea}, Area{Extent: TreatedArea}, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			a := Application{Form: test.form, Droplets: test.droplets, Height: test.height, Products: []Product{test.product}}
			got := ClosedAreaOf(a, Yes)
			require.Equal(t, test.closed, got.Closed)
			require.Equal(t, test.afterwards, got.Afterwards)
			require.Equal(t, test.aired, got.Aired)
			require.Empty(t, got.Missing)
			require.Contains(t, got.Source, "from memory")
		})
	}
}

// 40 CFR 156.208(c), numbers from memory.
func TestDefaultIntervalsPublished(t *testing.T) {
	dry := quantity.Must("20", quantity.Inch)
	for category, want := range map[Category]int{CategoryI: 48, CategoryII: 24, CategoryIII: 12, CategoryIV: 12} {
		require.Equal(t, want, DefaultInterval(Product{Category: category, Organophosphate: No}, No, dry).Hours, category)
	}
	organophosphate := Product{Category: CategoryI, Organophosphate: Yes}
	require.Equal(t, 72, DefaultInterval(organophosphate, No, dry).Hours)
	require.Equal(t, 48, DefaultInterval(organophosphate, Yes, dry).Hours, "indoors")
	require.Equal(t, 48, DefaultInterval(organophosphate, No, quantity.Must("25", quantity.Inch)).Hours, "not below 25 in")
}

// 40 CFR 170.603(b), from memory, with the older 170.112(c) read; least age 170.309(c)
// as WAC 16-233-021(3).
func TestShortTermEntryPublished(t *testing.T) {
	twoHours := []Airing{aired(Fans, 0, 2*time.Hour)}
	for _, test := range []struct {
		name          string
		after, length time.Duration
		age           int
		handLabour    Fact
		airings       []Airing
		want          bool
		rule          string
	}{
		{"60 min at 4 h 05", 245 * time.Minute, time.Hour, 30, No, twoHours, true, ""},
		{"60 min at 4 h 05, not aired", 245 * time.Minute, time.Hour, 30, No, nil, false, "early-entry-closed"},
		{"61 min at 5 h", 5 * time.Hour, 61 * time.Minute, 30, No, twoHours, false, "early-entry-time"},
		{"30 min at 3 h", 3 * time.Hour, 30 * time.Minute, 30, No, twoHours, false, "early-entry-first-hours"},
		{"a worker aged 17", 5 * time.Hour, 30 * time.Minute, 17, No, twoHours, false, "early-entry-age"},
		{"hand labour", 5 * time.Hour, 30 * time.Minute, 30, Yes, twoHours, false, "early-entry-hand-labour"},
	} {
		t.Run(test.name, func(t *testing.T) {
			start := at(10, 0).Add(test.after)
			verdict := nursery("US").EarlyEntryAt([]Application{fog("24")}, test.airings, EarlyEntry{
				Kind: ShortTerm, House: "h1", Visit: Visit{start, start.Add(test.length)}, Age: test.age,
				EarlierEntered: true, HandLabour: test.handLabour,
			})
			require.Equal(t, test.want, verdict.Allowed, "%+v", verdict.Grounds)
			var refused []string
			for _, ground := range verdict.Grounds {
				require.NotEmpty(t, ground.Source)
				if ground.Refuses {
					refused = append(refused, ground.Rule)
				}
			}
			if test.want {
				require.NotEmpty(t, verdict.Conditions)
				return
			}
			require.Equal(t, []string{test.rule}, refused)
		})
	}
}
