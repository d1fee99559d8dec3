package infection_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/diagnosis/infection"
)

// Table 2.3 of FAO Irrigation and Drainage Paper 56, saturation vapour pressure in
// kPa; 15 and 24.5 °C were read there, the others are from memory and agree with the
// equation to a unit of the last digit.
func TestPublishedSaturationVapourPressureOfFAO56(t *testing.T) {
	for celsius, want := range map[float64]float64{15: 1.705, 24.5: 3.075} {
		require.InDelta(t, want, infection.SaturationVapourPressure(celsius), 0.001, "%g °C", celsius)
	}
	table := []float64{
		0.657, 0.706, 0.758, 0.813, 0.872, 0.935, 1.002, 1.073, 1.148, 1.228,
		1.313, 1.403, 1.498, 1.599, 1.705, 1.818, 1.938, 2.064, 2.197, 2.338,
		2.487, 2.644, 2.809, 2.984, 3.168, 3.361, 3.565, 3.780, 4.006, 4.243,
		4.493, 4.755, 5.030, 5.319, 5.623, 5.941, 6.275, 6.625, 6.992, 7.376,
	}
	for i, want := range table {
		require.InDelta(t, want, infection.SaturationVapourPressure(float64(i+1)), 0.002, "%d °C", i+1)
	}
}

// FAO-56, example 3: 24.5 and 15 °C.
func TestPublishedMeanSaturationOfFAO56(t *testing.T) {
	require.InDelta(t, 2.390, infection.MeanSaturationVapourPressure(15, 24.5), 0.002)
	require.InDelta(t, 2.302, infection.SaturationVapourPressure(19.75), 0.002)
	require.Greater(t, infection.MeanSaturationVapourPressure(15, 24.5), infection.SaturationVapourPressure(19.75))
}

// FAO-56, example 5: 18 and 25 °C, 82 and 54 %; the deficit is computed from it.
func TestPublishedVapourPressureOfFAO56(t *testing.T) {
	actual := infection.MeanVapourPressure(18, 25, 54, 82)
	require.InDelta(t, 1.702, actual, 0.003)
	require.InDelta(t, 0.914, infection.MeanSaturationVapourPressure(18, 25)-actual, 0.004)
}

// FAO-56, example 4: bulbs of 25.6 and 19.5 °C at 1200 m.
func TestPublishedVapourPressureByBulbsOfFAO56(t *testing.T) {
	pressure := infection.Pressure(1200)
	require.InDelta(t, 87.90, pressure, 0.05)
	require.InDelta(t, 1.91, infection.VapourPressureByBulbs(25.6, 19.5, pressure, infection.Ventilated), 0.01)
}

// A trade article on dew in greenhouses: at 60 °F and 85 % leaves below 55 °F are
// wet, at 95 % leaves below 59 °F; the hundredths are computed.
func TestPublishedDewOnLeaves(t *testing.T) {
	for _, test := range []struct{ humidity, dewPoint float64 }{{85, 13.05}, {95, 14.76}} {
		dew := infection.DewPoint(infection.VapourPressure(15.56, test.humidity))
		require.InDelta(t, test.dewPoint, dew, 0.05)
		require.True(t, infection.LeafIsWet(test.dewPoint-0.1, 15.56, test.humidity))
		require.False(t, infection.LeafIsWet(test.dewPoint+0.1, 15.56, test.humidity))
	}
}

// The wet-bulb depression is computed; its classes are those of an Australian guide
// as North Dakota State gives it (2019).
func TestPublishedSprayDrying(t *testing.T) {
	for _, test := range []struct {
		celsius, humidity, want float64
		drying                  infection.SprayDrying
	}{
		{25, 60, 5.49, infection.DriesWell},
		{30, 30, 11.93, infection.DriesTooFast},
		{20, 90, 1.13, infection.DriesTooSlowly},
		{25, 80, 2.60, infection.DriesWell},
		{28, 70, 4.29, infection.DriesWell},
		{30, 50, 7.94, infection.DriesWell},
	} {
		depression, drying, err := infection.WetBulbDepression(test.celsius, test.humidity)
		require.NoError(t, err)
		require.InDelta(t, test.want, depression, 0.05, "%g °C, %g %%", test.celsius, test.humidity)
		require.Equal(t, test.drying, drying, "%g °C, %g %%", test.celsius, test.humidity)
	}
}

// The closed form of Stull 2011 (Journal of Applied Meteorology and Climatology
// 50:2267-2269), which the author gives to within 1 K; between 15 and 30 °C and 30
// and 95 % the two differ by at most 0.35 K.
func TestPublishedWetBulbOfStull(t *testing.T) {
	for celsius := 15.0; celsius <= 30; celsius++ {
		for humidity := 30.0; humidity <= 95; humidity += 5 {
			closed := celsius*math.Atan(0.151977*math.Sqrt(humidity+8.313659)) + math.Atan(celsius+humidity) -
				math.Atan(humidity-1.676331) + 0.00391838*math.Pow(humidity, 1.5)*math.Atan(0.023101*humidity) - 4.686035
			wet, err := infection.WetBulb(celsius, humidity, infection.StandardPressure)
			require.NoError(t, err)
			require.InDelta(t, closed, wet, 0.36, "%g °C, %g %%", celsius, humidity)
		}
	}
}

var (
	// Mycosphaerella nawae on persimmon, nominal values of a textbook.
	kaki = infection.Parameters{Lowest: 7, Best: 18, Highest: 30, Least: 10, Most: 42, Interruption: 8}
	// Colletotrichum acutatum on strawberry fruit, from memory.
	anthracnose = infection.Parameters{Lowest: 7, Best: 27.5, Highest: 35, Least: 6, Most: 36, Interruption: 4}
	// Guignardia bidwellii on grape and Venturia inaequalis on apple, from memory.
	grape = infection.Parameters{Lowest: 7, Best: 27, Highest: 35, Least: 6, Most: 24}
	apple = infection.Parameters{Lowest: 1, Best: 20, Highest: 35, Least: 6, Most: 40.5}
)

// The equations are those of Magarey, Sutton and Thayer 2005; the row of persimmon is
// a textbook's example, the other values are computed from the equations.
func TestPublishedResponseAndWetnessOfMagarey(t *testing.T) {
	require.InDelta(t, 0.9335, kaki.Response(15), 1e-4)
	for _, test := range []struct {
		name               string
		row                infection.Parameters
		celsius, response  float64
		needed             float64
		responseTo, hourTo float64
	}{
		{"persimmon", kaki, 15, 0.9335, 10.71, 1e-4, 0.01},
		{"persimmon", kaki, 25, 0.6544, 15.28, 1e-4, 0.01},
		{"persimmon", kaki, 10, 0.5065, 19.74, 1e-4, 0.01},
		{"persimmon", kaki, 20, 0.9712, 10.30, 1e-4, 0.01},
		{"strawberry", anthracnose, 20, 0.5759, 10.42, 1e-4, 0.01},
		{"strawberry", anthracnose, 10, 0.0174, 36, 1e-4, 0},
		{"strawberry", anthracnose, 15, 0.2037, 29.46, 1e-4, 0.01},
		{"strawberry", anthracnose, 25, 0.9345, 6.42, 1e-4, 0.01},
		{"strawberry", anthracnose, 30, 0.9131, 6.57, 1e-4, 0.01},
		{"strawberry", anthracnose, 34, 0.2831, 21.20, 1e-4, 0.01},
		{"grape", grape, 10, 0.0272, 24, 1e-4, 0},
		{"grape", grape, 15, 0.2530, 23.72, 1e-4, 0.01},
		{"grape", grape, 20, 0.6387, 9.39, 1e-4, 0.01},
		{"grape", grape, 25, 0.9605, 6.25, 1e-4, 0.01},
		{"grape", grape, 30, 0.8864, 6.77, 1e-4, 0.01},
		{"grape", grape, 34, 0.2647, 22.67, 1e-4, 0.01},
		{"apple", apple, 10, 0.6468, 9.28, 1e-4, 0.01},
		{"apple", apple, 15, 0.9056, 6.63, 1e-4, 0.01},
		{"apple", apple, 20, 1, 6, 1e-9, 1e-9},
		{"apple", apple, 25, 0.8962, 6.69, 1e-4, 0.01},
		{"apple", apple, 30, 0.5695, 10.54, 1e-4, 0.01},
		{"apple", apple, 34, 0.1342, 40.5, 1e-4, 0},
	} {
		require.InDelta(t, test.response, test.row.Response(test.celsius), test.responseTo, "%s at %g °C", test.name, test.celsius)
		needed, possible := test.row.Needed(test.celsius)
		require.True(t, possible)
		require.InDelta(t, test.needed, needed, test.hourTo, "%s at %g °C", test.name, test.celsius)
	}
}

// A textbook's implementation returns the greatest wetness outside the range; here
// nothing infects at its ends or beyond.
func TestPublishedRangeOfInfection(t *testing.T) {
	for _, celsius := range []float64{35, 7, 6.9, 40, -5, 100} {
		_, possible := anthracnose.Needed(celsius)
		require.False(t, possible, "%g °C", celsius)
	}
	_, possible := kaki.Needed(30)
	require.False(t, possible)
}

// The index of Broome et al. 1995 as read at second hand.
func TestPublishedBotrytisIndex(t *testing.T) {
	index, probability := infection.BotrytisIndex(20, 15)
	require.InDelta(t, 1.1425, index, 0.001)
	require.InDelta(t, 0.758, probability, 0.001)
	require.Equal(t, infection.High, infection.BotrytisLevel(index))
	index, probability = infection.BotrytisIndex(20, 10)
	require.InDelta(t, -0.1209, index, 0.001)
	require.InDelta(t, 0.470, probability, 0.001)
	require.Equal(t, infection.None, infection.BotrytisLevel(index))
	index, _ = infection.BotrytisIndex(15, 4)
	require.InDelta(t, -1.8114, index, 0.001)
}
