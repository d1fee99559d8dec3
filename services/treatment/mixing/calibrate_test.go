package mixing_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/services/treatment/mixing"
)

func catches(t testing.TB, volumes ...string) mixing.CatchTest {
	t.Helper()
	test := mixing.CatchTest{Speed: some(t, "6 km/h"), Swath: some(t, "150 cm")}
	for _, volume := range volumes {
		test.Nozzles = append(test.Nozzles, mixing.Catch{Caught: some(t, volume), Duration: some(t, "30 s")})
	}
	return test
}

func TestCalibrate(t *testing.T) {
	test := catches(t, "600 mL", "600 mL", "600 mL")
	test.NewNozzleOutput = some(t, "1.2 L/min")
	got, err := mixing.Calibrate(test)
	require.NoError(t, err)
	equal(t, exact(t, "3.6 L/min"), got.Output)
	equal(t, exact(t, "6 km/h"), got.Speed)
	equal(t, exact(t, "240 L/ha"), got.VolumeRate)
	near(t, "25.66 gal/acre", "0.005", got.VolumeRateUS)
	require.Equal(t, "Good: +0 % from a new nozzle.", got.Nozzles[0].Message)
	require.Contains(t, got.Check, "69.1 ft (21.07 m)")
	require.Contains(t, got.Check, "25.65 fl oz")
	require.Len(t, got.Sources, 4)

	test.Speed = quantity.Quantity{}
	test.CourseLength, test.CourseDuration = some(t, "50 m"), some(t, "30 s")
	again, err := mixing.Calibrate(test)
	require.NoError(t, err)
	equal(t, got.VolumeRate, again.VolumeRate)
}

func TestUnevenNozzlesAreFlaggedAndNotReplaced(t *testing.T) {
	// Mean 100: 95 and 105 are exactly 5 % off, 94 and 106 are more.
	even, err := mixing.Calibrate(catches(t, "95 mL", "105 mL"))
	require.NoError(t, err)
	for _, nozzle := range even.Nozzles {
		require.NotContains(t, nozzle.Message, "mean")
		require.Contains(t, nozzle.Message, "wear is not judged")
	}
	uneven := catches(t, "94 mL", "106 mL", "100 mL")
	got, err := mixing.Calibrate(uneven)
	require.NoError(t, err)
	require.Contains(t, got.Nozzles[0].Message, "-6 % from the mean")
	require.Contains(t, got.Nozzles[1].Message, "+6 % from the mean")
	require.NotContains(t, got.Nozzles[2].Message, "mean")
	uneven.NewNozzleOutput = some(t, "200 mL/min")
	got, err = mixing.Calibrate(uneven)
	require.NoError(t, err)
	require.Contains(t, got.Nozzles[0].Message, "Not worn out (-6 % from a new nozzle), but -6 % from the mean")
	require.False(t, got.Nozzles[0].Replace)
}

// What the 1/128 acre method says about a sprayer is what its output, speed and
// swath say.
func TestTheSmallPlotAgreesWithTheVolumeRate(t *testing.T) {
	random := rand.New(rand.NewPCG(128, 340))
	for range 500 {
		output := quantity.ExactOf(big.NewRat(1+random.Int64N(9999), 1+random.Int64N(99)), "L/min")
		speed := quantity.ExactOf(big.NewRat(1+random.Int64N(999), 1+random.Int64N(99)), "ft/min")
		swath := quantity.ExactOf(big.NewRat(1+random.Int64N(999), 1+random.Int64N(99)), "ft")
		course, err := mixing.SmallPlotCourse(swath)
		require.NoError(t, err)
		minutes := new(big.Rat).Quo(course.Amount(), speed.Amount())
		caught := quantity.ExactOf(minutes.Mul(minutes, output.Amount()), quantity.Litre)
		bySmallPlot, err := mixing.SmallPlotRate(caught)
		require.NoError(t, err)
		byFormula, err := mixing.VolumeRate(output, speed, swath)
		require.NoError(t, err)
		equal(t, byFormula, bySmallPlot)
	}
}

func TestCalibrateRefuses(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*mixing.CatchTest)
		field  string
	}{
		{"no nozzle", func(c *mixing.CatchTest) { c.Nozzles = nil }, "nozzles"},
		{"a catch by weight", func(c *mixing.CatchTest) { c.Nozzles[1].Caught = some(t, "5 g") }, "nozzles[1].caught"},
		{"an empty catch", func(c *mixing.CatchTest) { c.Nozzles[0].Caught = some(t, "0 mL") }, "nozzles[0].caught"},
		{"no time", func(c *mixing.CatchTest) { c.Nozzles[0].Duration = some(t, "") }, "nozzles[0].duration"},
		{"a new nozzle's output that is none", func(c *mixing.CatchTest) { c.NewNozzleOutput = some(t, "1 L") }, "new_nozzle_output"},
		{"no speed", func(c *mixing.CatchTest) { c.Speed = some(t, "") }, "speed"},
		{"a speed of zero", func(c *mixing.CatchTest) { c.Speed = some(t, "0 km/h") }, "speed"},
		{"a speed that is none", func(c *mixing.CatchTest) { c.Speed = some(t, "1 m") }, "speed"},
		{"a speed and a course", func(c *mixing.CatchTest) { c.CourseLength = some(t, "1 m") }, "speed"},
		{"half a course", func(c *mixing.CatchTest) { c.Speed, c.CourseLength = some(t, ""), some(t, "10 m") }, "course_duration"},
		{"the other half", func(c *mixing.CatchTest) { c.Speed, c.CourseDuration = some(t, ""), some(t, "10 s") }, "course_length"},
		{"no swath", func(c *mixing.CatchTest) { c.Swath = some(t, "") }, "swath"},
	} {
		t.Run(test.name, func(t *testing.T) {
			catch := catches(t, "100 mL", "100 mL")
			test.change(&catch)
			_, err := mixing.Calibrate(catch)
			f, ok := fault.As(err)
			require.True(t, ok, "%v", err)
			require.Equal(t, test.field, f.Field)
		})
	}
}

func TestANozzleThatGivesFarLessThanANewOneIsNotGood(t *testing.T) {
	for _, test := range []struct{ caught, says string }{
		{"900 mL", "Good: -10 % from a new nozzle."},
		{"899 mL", "Too little: -10.1 % from a new nozzle, more than 10 % below it; clean it, check the pressure and test again."},
	} {
		got, err := mixing.Calibrate(mixing.CatchTest{
			Nozzles:         []mixing.Catch{{Caught: some(t, test.caught), Duration: some(t, "1 min")}},
			NewNozzleOutput: some(t, "1 L/min"), Speed: some(t, "5 km/h"), Swath: some(t, "1 m"),
		})
		require.NoError(t, err)
		require.Equal(t, test.says, got.Nozzles[0].Message)
		require.False(t, got.Nozzles[0].Replace)
	}
}
