package infection_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
)

var start = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

// series makes readings every 10 minutes; each part is hours at a temperature and a
// relative humidity.
type part struct{ hours, celsius, humidity float64 }

func series(parts ...part) []climate.Reading {
	var readings []climate.Reading
	now := start.Unix()
	for _, p := range parts {
		for range int(math.Round(p.hours * 6)) {
			now += 600
			readings = append(readings, climate.Reading{
				Time: now, Temperature: int32(math.Round(p.celsius * 100)), Humidity: int32(math.Round(p.humidity * 100)), Wetness: climate.Missing,
			})
		}
	}
	return readings
}

func model(p infection.Parameters) infection.Model {
	return infection.Model{ID: "test", Equation: infection.Generic, Pathogen: "test", Host: "test", Source: "test", Parameters: p}
}

func run(m infection.Model, readings []climate.Reading) infection.Curve {
	spans, _ := infection.Spans(readings, infection.Wetting{})
	return m.Run(spans, time.UTC)
}

// The model counts two wet spells as one when the dry time between them is no longer
// than the interruption (Magarey, Sutton and Thayer 2005): 8.13 h are needed at 22 °C.
func TestPublishedInterruptionOfWetness(t *testing.T) {
	needed, _ := anthracnose.Needed(22)
	require.InDelta(t, 8.13, needed, 0.01)

	short := run(model(anthracnose), series(part{5, 22, 95}, part{3, 22, 60}, part{5, 22, 95}, part{6, 22, 60}))
	require.Len(t, short.Events, 1)
	event := short.Events[0]
	require.InDelta(t, 10, event.WetHours, 1e-9)
	require.InDelta(t, needed, event.Needed, 1e-9)
	require.Equal(t, start, event.Start)
	require.Equal(t, start.Add(13*time.Hour), event.End)
	require.Equal(t, start.Add(8*time.Hour+3*time.Hour+10*time.Minute), event.Infection, "the first reading after 8.13 wet hours")

	long := run(model(anthracnose), series(part{5, 22, 95}, part{5, 22, 60}, part{5, 22, 95}, part{6, 22, 60}))
	require.Empty(t, long.Events)
	exactly := run(model(anthracnose), series(part{5, 22, 95}, part{4, 22, 60}, part{5, 22, 95}))
	require.Len(t, exactly.Events, 1, "an interruption as long as allowed still joins")
}

func TestTheRiskOfADayIsTheShareOfTheWetHoursNeeded(t *testing.T) {
	needed, _ := anthracnose.Needed(22)
	curve := run(model(anthracnose), series(part{4, 22, 95}, part{20, 22, 60}, part{24, 22, 60}, part{24, 22, 99}))
	require.Len(t, curve.Days, 3)
	require.InDelta(t, 4/needed, curve.Days[0].Risk, 1e-9)
	require.Equal(t, infection.Low, curve.Days[0].Level)
	require.InDelta(t, 4, curve.Days[0].WetHours, 1e-9)
	require.InDelta(t, 22, curve.Days[0].WetCelsius, 1e-9)
	require.Zero(t, curve.Days[1].Risk)
	require.Equal(t, infection.None, curve.Days[1].Level)
	require.True(t, math.IsNaN(curve.Days[1].WetCelsius))
	require.Equal(t, 1.0, curve.Days[2].Risk)
	require.Equal(t, infection.High, curve.Days[2].Level)
	for i, day := range curve.Days {
		require.Equal(t, start.AddDate(0, 0, i), day.Date)
		require.InDelta(t, 24, day.KnownHours, 1e-9)
	}
}

func TestNothingInfectsWhereItIsTooHotHoweverLongItIsWet(t *testing.T) {
	curve := run(model(anthracnose), series(part{200, 36, 99}))
	require.Empty(t, curve.Events)
	for _, day := range curve.Days {
		require.Zero(t, day.Risk)
	}
}

func TestAGapIsNeitherWetNorKnown(t *testing.T) {
	before, after := series(part{6, 22, 95}), series(part{6, 22, 95})
	for i := range after {
		after[i].Time += int64((6 + 5) * 3600)
	}
	curve := run(model(anthracnose), append(before, after...))
	require.Empty(t, curve.Events, "a gap longer than the interruption ends the spell")
	require.InDelta(t, 12, curve.Days[0].KnownHours, 1e-9)

	for i := range after {
		after[i].Time -= 2 * 3600
	}
	joined := run(model(anthracnose), append(before, after...))
	require.Len(t, joined.Events, 1, "a shorter one counts as dry")
	require.InDelta(t, 12, joined.Events[0].WetHours, 1e-9)
}

// Hours without a temperature, or without anything to tell wet leaves by, are as
// unknown as a gap.
func TestWhatALoggerDidNotRecordIsUnknown(t *testing.T) {
	readings := series(part{5, 22, 95}, part{240, 22, 50}, part{5, 22, 95})
	for i := 30; i < 30+240*6; i++ {
		readings[i].Temperature = climate.Missing
	}
	curve := run(model(anthracnose), readings)
	require.Empty(t, curve.Events, "ten unknown days end a wet spell")
	require.InDelta(t, 5, curve.Days[0].KnownHours, 1e-9)

	readings = series(part{24, 22, 95})
	for i := range readings {
		readings[i].Humidity = climate.Missing
	}
	require.Zero(t, run(model(anthracnose), readings).Days[0].KnownHours)
}

// A leaf sensor that is taken away leaves the humidity to tell wet leaves by.
func TestHumidityTellsWhereTheLeafSensorDoesNot(t *testing.T) {
	readings := series(part{5, 22, 99}, part{9, 22, 95}, part{1, 22, 50})
	for i := range 30 {
		readings[i].Wetness = 0
	}
	spans, method := infection.Spans(readings, infection.Wetting{})
	require.Equal(t, infection.SensorElseHumidity, method)
	events := model(anthracnose).Run(spans, time.UTC).Events
	require.Len(t, events, 1)
	require.Equal(t, start.Add(5*time.Hour), events[0].Start, "the sensor is believed as long as there is one")
	require.InDelta(t, 9, events[0].WetHours, 1e-9)
	spans, _ = infection.Spans(readings, infection.Wetting{Method: infection.Sensor})
	require.True(t, spans[40].Blind)
	require.Empty(t, model(anthracnose).Run(spans, time.UTC).Events)
}

// A logger that is set from one minute to a quarter of an hour goes on to tell wet
// hours in full.
func TestAnotherIntervalIsNoGap(t *testing.T) {
	var readings []climate.Reading
	now := start.Unix()
	for i := range 2400 {
		now += 60
		if i >= 1200 {
			now += 14 * 60
		}
		readings = append(readings, climate.Reading{Time: now, Temperature: 2200, Humidity: 9500, Wetness: climate.Missing})
	}
	curve := run(model(anthracnose), readings)
	require.Len(t, curve.Events, 1)
	require.InDelta(t, 20+300, curve.Events[0].WetHours, 1e-9)
}

func TestDaysAreThoseOfTheNursery(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	// The clocks go forward on 8 March 2026: that day has 23 hours.
	begin := time.Date(2026, 3, 7, 0, 0, 0, 0, zone)
	var readings []climate.Reading
	for now := begin.Add(10 * time.Minute); !now.After(begin.AddDate(0, 0, 3)); now = now.Add(10 * time.Minute) {
		readings = append(readings, climate.Reading{Time: now.Unix(), Temperature: 2000, Humidity: 5000, Wetness: climate.Missing})
	}
	spans, _ := infection.Spans(readings, infection.Wetting{})
	curve := model(anthracnose).Run(spans, zone)
	require.Len(t, curve.Days, 3)
	require.InDelta(t, 24, curve.Days[0].KnownHours, 1e-9)
	require.InDelta(t, 23, curve.Days[1].KnownHours, 1e-9)
	require.InDelta(t, 24, curve.Days[2].KnownHours, 1e-9)
}

func TestTheBotrytisIndexEndsAnEventAfterFourDryHours(t *testing.T) {
	m, found := infection.ByID("grey-mould-index")
	require.True(t, found)
	curve := run(m, series(part{15, 20, 95}, part{5, 20, 60}, part{3, 20, 95}))
	require.Len(t, curve.Events, 1)
	require.Equal(t, infection.High, curve.Events[0].Level)
	require.InDelta(t, 15, curve.Events[0].WetHours, 1e-9)
	require.InDelta(t, 0.758, curve.Days[0].Risk, 0.001)
	require.Zero(t, curve.Events[0].Needed)
}

func TestHowWetLeavesAreTold(t *testing.T) {
	wetHours := func(method infection.Method, readings []climate.Reading) float64 {
		spans, used := infection.Spans(readings, infection.Wetting{Method: method})
		require.Equal(t, method, used)
		var hours float64
		for _, span := range spans {
			hours += float64(span.End-span.Start) / 3600 * span.Wet
		}
		return hours
	}
	require.InDelta(t, 2, wetHours(infection.HumidityThreshold, series(part{2, 20, 90}, part{2, 20, 89.99})), 1e-9)
	require.InDelta(t, 2, wetHours(infection.HumidityTrend, series(part{2, 20, 87}, part{2, 20, 69})), 1e-9)
	// Between 70 and 87 %: wet while it rises by more than 3 % in half an hour.
	require.InDelta(t, 1, wetHours(infection.HumidityTrend, series(part{1, 20, 72}, part{0.5, 20, 76}, part{0.5, 20, 80}, part{1, 20, 77})), 1e-9)
	// Dew point depression: wet from 2.0 K, dry only beyond 3.8 K.
	depressed := func(k float64) float64 { // the humidity at 20 °C whose dew point lies k below
		return 100 * infection.SaturationVapourPressure(20-k) / infection.SaturationVapourPressure(20)
	}
	require.InDelta(t, 3, wetHours(infection.DewPointDepression,
		series(part{1, 20, depressed(3)}, part{1, 20, depressed(1.9)}, part{2, 20, depressed(3)}, part{1, 20, depressed(3.9)}, part{1, 20, depressed(3)})), 1e-9)

	sensed := series(part{1, 20, 50})
	for i := range sensed {
		sensed[i].Wetness = 5000
	}
	require.InDelta(t, 0.5, wetHours(infection.Sensor, sensed), 1e-9)
	_, used := infection.Spans(sensed, infection.Wetting{})
	require.Equal(t, infection.Sensor, used, "a leaf sensor is believed where there is one")
	_, used = infection.Spans(series(part{1, 20, 50}), infection.Wetting{})
	require.Equal(t, infection.HumidityThreshold, used)
}

func TestWateredLeavesAreWetUntilTheyHaveDried(t *testing.T) {
	spans, _ := infection.Spans(series(part{10, 20, 50}), infection.Wetting{
		Waterings: []time.Time{start.Add(2*time.Hour + 5*time.Minute)}, DryOff: 3 * time.Hour,
	})
	var hours float64
	for _, span := range spans {
		hours += float64(span.End-span.Start) / 3600 * span.Wet
	}
	require.InDelta(t, 3, hours, 1e-9)
}

// More wet hours at the same temperature never lower the risk of any day, and never
// take an infection away.
func TestMoreWetnessNeverLowersTheRisk(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 200 {
		dry := series(part{96, 0, 0})
		wetter := series(part{96, 0, 0})
		for i := range dry {
			dry[i].Temperature, wetter[i].Temperature = 2200, 2200
			dry[i].Wetness = int32(random.IntN(2)) * 10000
			wetter[i].Wetness = max(dry[i].Wetness, int32(random.IntN(2))*10000)
		}
		less, more := run(model(anthracnose), dry), run(model(anthracnose), wetter)
		for i := range less.Days {
			require.LessOrEqual(t, less.Days[i].Risk, more.Days[i].Risk+1e-9)
		}
		if len(less.Events) > 0 {
			require.NotEmpty(t, more.Events)
		}
	}
}

func TestTheResponseIsGreatestAtTheBestTemperature(t *testing.T) {
	for _, m := range infection.Shipped() {
		if m.Equation != infection.Generic {
			continue
		}
		p := m.Parameters
		require.InDelta(t, 1, p.Response(p.Best), 1e-12, m.ID)
		for celsius := -10.0; celsius < 50; celsius += 0.25 {
			response := p.Response(celsius)
			require.True(t, response >= 0 && response <= 1+1e-12, "%s at %g °C: %g", m.ID, celsius, response)
			if needed, possible := p.Needed(celsius); possible {
				require.GreaterOrEqual(t, needed, p.Least-1e-9)
				require.LessOrEqual(t, needed, p.Most)
			}
		}
	}
}

func TestAWetBulbThatCannotBeIsRefused(t *testing.T) {
	for _, air := range [][2]float64{{-30, 50}, {20, 101}} {
		_, err := infection.WetBulb(air[0], air[1], infection.StandardPressure)
		require.ErrorIs(t, err, infection.ErrNoWetBulb)
	}
}
