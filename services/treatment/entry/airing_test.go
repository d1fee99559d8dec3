package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func TestAiringsThatCannotBeAreRefused(t *testing.T) {
	const h = time.Hour
	now := at(20, 0)
	flowing := func(device Device, amount string, unit quantity.Unit) Airing {
		airing := aired(device, 0, h)
		airing.Flow = quantity.Must(amount, unit)
		return airing
	}
	for name, test := range map[string]struct {
		airings []Airing
		says    string
	}{
		"an unknown device":       {[]Airing{aired("door", 0, h)}, `"door" is not fans, vents or shut`},
		"no start":                {[]Airing{{House: "h1", Device: Fans, End: now}}, "has no start"},
		"a clock that runs back":  {[]Airing{aired(Fans, 2*h, h)}, "ends before it starts"},
		"no time at all":          {[]Airing{aired(Fans, h, h)}, "ends before it starts"},
		"the future":              {[]Airing{aired(Fans, 0, 11*h)}, "lies in the future"},
		"one device twice":        {[]Airing{aired(Fans, 0, 2*h), aired(Fans, h, 3*h)}, "airings 1 and 2: fans and fans at one time"},
		"shut while vents stand":  {[]Airing{aired(Vents, 0, 2*h), aired(Shut, h, 3*h)}, "airings 1 and 2: vents and shut at one time"},
		"two that both still run": {[]Airing{{House: "h1", Device: Fans, Start: at(11, 0)}, {House: "h1", Device: Fans, Start: at(12, 0)}}, "at one time"},
		"a flow of nothing":       {[]Airing{flowing(Fans, "0", quantity.CubicMetrePerH)}, "the flow must be a volume per time above 0"},
		"a flow that is none":     {[]Airing{flowing(Fans, "3", quantity.Metre)}, "the flow must be a volume per time above 0"},
		"a flow of vents":         {[]Airing{flowing(Vents, "3", quantity.CubicMetrePerH)}, "the flow must be a volume per time above 0, of fans"},
	} {
		t.Run(name, func(t *testing.T) {
			require.ErrorContains(t, CheckAirings(test.airings, now), test.says)
		})
	}
	other := aired(Fans, h, 3*h)
	other.House = "h2"
	require.NoError(t, CheckAirings([]Airing{aired(Fans, 0, 2*h), aired(Vents, h, 3*h), aired(Fans, 2*h, 4*h), other}, now),
		"fans and vents together, one after another, and two houses")
}

func TestAiringsThatCannotBeCountForNothing(t *testing.T) {
	wrong := []Airing{aired(Fans, 0, 2*time.Hour), aired(Shut, time.Hour, 3*time.Hour)}
	state := nursery("US").VentilationAt(fog("0"), wrong, at(13, 0))
	require.False(t, state.Met)
	require.Contains(t, state.Missing[0], "shut at one time")
	require.Equal(t, at(10, 0).Add(24*time.Hour), state.From, "as if the house had stayed shut")
}

// Whether the text lets hours be added up is not verified: the stricter reading.
func TestFederalHoursOfFansMustBeInOneGo(t *testing.T) {
	const h = time.Hour
	broken := []Airing{aired(Fans, 0, 90*time.Minute), aired(Fans, 2*h, 210*time.Minute)}
	require.False(t, nursery("US").VentilationAt(fog("0"), broken, at(13, 30)).Met)
	require.True(t, nursery("US-CA").VentilationAt(fog("0"), broken, at(13, 30)).Met, "California adds the parts up")
	joined := []Airing{aired(Fans, 0, h), aired(Fans, h, 2*h)}
	require.True(t, nursery("US").VentilationAt(fog("0"), joined, at(12, 0)).Met, "two entries without a gap are one go")
}

func TestAiringBeforeTheEndOfTheApplicationDoesNotCount(t *testing.T) {
	early := []Airing{aired(Fans, -time.Hour, time.Hour)}
	require.False(t, nursery("US").VentilationAt(fog("0"), early, at(11, 30)).Met)
	early[0].End = at(12, 0)
	require.True(t, nursery("US").VentilationAt(fog("0"), early, at(12, 0)).Met)
}

func TestAirExchangesAreExact(t *testing.T) {
	broken := func(from, to time.Duration) Airing {
		airing := aired(Fans, from, to)
		airing.Flow = quantity.Must("9000", quantity.CubicMetrePerH)
		return airing
	}
	// 9 an hour: 40 min are 6, and 4 more take 26 min 40 s after the pause.
	airings := []Airing{broken(0, 40*time.Minute), broken(time.Hour, 2*time.Hour)}
	met := at(11, 26).Add(40 * time.Second)
	state := nursery("US").VentilationAt(fog("0"), airings, at(12, 0))
	require.True(t, state.Met)
	require.Equal(t, met, state.From)
	require.Equal(t, "10 air exchanges", state.By)
	require.False(t, nursery("US").VentilationAt(fog("0"), airings, met.Add(-time.Nanosecond)).Met)

	// 7 an hour: 10 take 1 h and 3/7 h, which is no whole number of nanoseconds.
	uneven := aired(Fans, 0, 100*time.Minute)
	uneven.Flow = quantity.Must("7000", quantity.CubicMetrePerH)
	require.Equal(t, at(11, 25).Add(42857142858*time.Nanosecond), nursery("US").VentilationAt(fog("0"), []Airing{uneven}, at(12, 0)).From, "rounded up")

	unknown := greenhouse("h1")
	unknown.Volume = quantity.Quantity{}
	require.False(t, nursery("US", unknown).VentilationAt(fog("0"), airings, at(11, 30)).Met, "no exchanges without the volume of the house")
}

func TestWhatWouldOpenTheHouseSooner(t *testing.T) {
	state := nursery("US").VentilationAt(fog("0"), nil, at(12, 0))
	require.Equal(t, at(10, 0).Add(24*time.Hour), state.From)
	require.Equal(t, []Device{Fans, Vents}, []Device{state.Sooner[0].Device, state.Sooner[1].Device})
	require.Equal(t, at(14, 0), state.Sooner[0].From)
	require.Equal(t, "start the fans now in house h1: aired at 2026-03-01 14:00 UTC, by 2 h of fans", state.Sooner[0].Text)
	require.Equal(t, at(16, 0), state.Sooner[1].From)

	running := nursery("US").VentilationAt(fog("0"), []Airing{{House: "h1", Device: Fans, Start: at(11, 0)}}, at(12, 0))
	require.Equal(t, at(13, 0), running.From, "the fans run already")
	require.Empty(t, running.Sooner)

	bare := greenhouse("h1")
	bare.Fans, bare.Vents = Unknown, No
	require.Empty(t, nursery("US", bare).VentilationAt(fog("0"), nil, at(12, 0)).Sooner, "nothing is advised that the house may not have")

	night := nursery("US").VentilationAt(fog("0"), nil, at(10, 0).Add(11*time.Hour))
	require.Equal(t, at(22, 0), night.Sooner[0].From, "after 11 h shut, 1 h of fans is enough")
}

func TestMeasuredAirDecidesWhereTheLabelGivesALevel(t *testing.T) {
	ppm := func(text string) quantity.Quantity { return quantity.Must(text, quantity.PartsPerMillion) }
	a := fog("0")
	a.Products[0].Inhalation, a.Products[0].Level = Yes, ppm("1")
	fans := []Airing{aired(Fans, 0, 2*time.Hour)}
	state := nursery("US").VentilationAt(a, fans, at(13, 0))
	require.False(t, state.Met, "no criterion stands in for the measurement")
	require.Contains(t, state.Why, "measured at or below 1 ppm")
	require.True(t, state.From.IsZero())

	a.Air = []Measurement{{"product A", at(10, 30), ppm("1.000001")}, {"product A", at(11, 0), ppm("1")}, {"product B", at(11, 0), ppm("9")}}
	state = nursery("US").VentilationAt(a, nil, at(11, 0))
	require.True(t, state.Met)
	require.Equal(t, at(11, 0), state.From)

	again := a
	again.Air = append(again.Air, Measurement{"product A", at(11, 30), ppm("2")})
	require.False(t, nursery("US").VentilationAt(again, nil, at(12, 0)).Met, "the last measurement is above")

	before := a
	before.Air = []Measurement{{"product A", at(9, 59), ppm("0.1")}}
	require.False(t, nursery("US").VentilationAt(before, nil, at(12, 0)).Met, "measured before the application was over")

	mix := a
	mix.Products = append([]Product{label("0")}, a.Products...)
	mix.Products[0].Name = "product B"
	require.False(t, nursery("US").VentilationAt(mix, nil, at(11, 0)).Met, "the rest of the mix has its criteria")
	require.True(t, nursery("US").VentilationAt(mix, fans, at(12, 0)).Met)

	unknown := fog("0")
	unknown.Products[0].Inhalation = Unknown
	state = nursery("US").VentilationAt(unknown, fans, at(13, 0))
	require.False(t, state.Met)
	require.Contains(t, state.Why, "is not entered")
}

func TestElsewhereTheFederalCriteriaStandInAndSaySo(t *testing.T) {
	fans := []Airing{aired(Fans, 0, 2*time.Hour)}
	for _, code := range []string{"ZA", "DE", "GB"} {
		state := nursery(code).VentilationAt(fog("0"), fans, at(12, 0))
		require.True(t, state.Met)
		require.True(t, state.StandsIn)
		standing := nursery(code).At([]Application{fog("0")}, fans, "h1", at(12, 0))
		require.True(t, standing.Open())
		require.Contains(t, standing.Notes[0], "stand in as design values")
	}
	require.False(t, nursery("US-OR").VentilationAt(fog("0"), fans, at(12, 0)).StandsIn)
	for _, code := range []string{"", "XX", "EU", "California"} {
		require.False(t, nursery(code).VentilationAt(fog("0"), fans, at(23, 0)).Met)
		standing := nursery(code).At(nil, nil, "h1", at(12, 0))
		require.Equal(t, []Reason{NotKnown}, reasons(standing), code)
	}
}
