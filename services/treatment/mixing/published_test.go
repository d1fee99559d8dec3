package mixing_test

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/treatment/mixing"
)

// Sources of published values.
const (
	ifas     = "University of Florida IFAS WG013"
	ncsu     = "North Carolina State University Extension, backpack calibration"
	tamu     = "Texas A&M University, fertilizer injection"
	nevmg    = "New England Vegetable Management Guide"
	mu       = "University of Missouri G7510"
	psu      = "Penn State Extension"
	msu      = "E. Runkle, Michigan State University, trade articles"
	unl      = "University of Nebraska, pesticide math"
	mesa     = "Mesa County weed office"
	post     = "extension post on spray mathematics"
	trade    = "trade article on spray mathematics"
	computed = "computed from the units"
)

func TestPublishedVolumeRates(t *testing.T) {
	for _, test := range []struct{ output, speed, swath, want, tolerance, source string }{
		{"3.75 gal/min", "5 mi/h", "222 in", "20.07 gal/acre", "0.01", mesa + " (prints 20)"},
		{"1.2 L/min", "6 km/h", "0.5 m", "240 L/ha", "0", computed},
		// The constants that leaflets multiply by are exact in the units' sizes.
		{"1 gal/min", "1 mi/h", "1 in", "5940 gal/acre", "0", ifas},
		{"1 gal/min", "1 mi/h", "1 ft", "495 gal/acre", "0", ifas},
		{"1 L/min", "1 km/h", "1 m", "600 L/ha", "0", "algebra, from memory"},
	} {
		t.Run(test.source+" "+test.want, func(t *testing.T) {
			got, err := mixing.VolumeRate(exact(t, test.output), exact(t, test.speed), exact(t, test.swath))
			require.NoError(t, err)
			near(t, test.want, test.tolerance, got)
		})
	}
}

// 43,560 ft2 in an acre, 12 in in a ft, 60 min in an h, 5,280 ft in a mi: by whole
// numbers, apart from the package.
func TestPublishedConstantsAreTheUnitsSizes(t *testing.T) {
	require.Zero(t, big.NewRat(43560*12*60, 5280).Cmp(big.NewRat(5940, 1)))
	require.Zero(t, big.NewRat(43560*60, 5280).Cmp(big.NewRat(495, 1)))
	require.Zero(t, big.NewRat(10000*60, 1000).Cmp(big.NewRat(600, 1)))
}

func TestPublishedConversions(t *testing.T) {
	for _, test := range []struct{ from, want, tolerance, source string }{
		{"1 gal/acre", "9.354 L/ha", "0.0005", unl},
		{"1 gal", "3.785 L", "0.0005", unl},
		{"1 gal", "3.785411784 L", "0", "NIST Special Publication 811"},
		{"1 lb", "0.45359237 kg", "0", "NIST Special Publication 811"},
		{"1 acre", "4046.8564224 m2", "0", "NIST Special Publication 811"},
		{"1 fl oz", "29.57 mL", "0.005", unl},
		{"1 fl oz", "2 tbsp", "0", unl},
		{"1 fl oz", "6 tsp", "0", unl},
		{"1 lb", "453.59 g", "0.005", unl},
		{"16 fl oz/min", "0.125 gal/min", "0", ifas},
		{"1.5 gal/1000 ft2", "65.3 gal/acre", "0.05", ifas},
		{"1.5 gal/1000 ft2", "65.34 gal/acre", "0", "x 43.56, " + ifas},
		{"1 gal/1000 ft2", "43.56 gal/acre", "0", trade},
		{"5 gal/1000 ft2", "217.8 gal/acre", "0", msu + " (prints 218)"},
		{"2 qt/100 ft2", "203.7 mL/m2", "0.1", msu},
		{"3 qt/100 ft2", "306 mL/m2", "0.5", msu},
		{"2 qt/100 ft2", "5 gal/1000 ft2", "0", msu},
		{"2 fl oz", "59 mL", "0.5", msu},
		{"3 fl oz", "89 mL", "0.5", msu},
		{"4 fl oz", "118 mL", "0.5", msu},
		{"15 fl oz", "444 mL", "0.5", msu},
		{"20 fl oz", "591 mL", "0.5", msu},
		// 88 ft/min is 1 mi/h: mph = ft x 60 / (s x 88).
		{"88 ft/min", "1 mi/h", "0", ifas},
		{"1 lb/100 gal", "0.16 oz/gal", "0", psu},
	} {
		t.Run(test.from+" in "+test.want, func(t *testing.T) {
			got, err := exact(t, test.from).In(exact(t, test.want).Unit())
			require.NoError(t, err)
			near(t, test.want, test.tolerance, got)
		})
	}
}

func TestPublishedDilutions(t *testing.T) {
	weighed, measured := product(t, solid, "500 g/kg"), product(t, liquid, "500 g/L")
	for _, test := range []struct {
		rate, want, tolerance, source string
	}{
		{"1 oz/100 gal", "0.0749 g/L", "0.0001", computed},
		{"1 oz/100 gal", "0.283 g/gal", "0.0005", computed},
		{"1 lb/100 gal", "1.198 g/L", "0.001", computed},
		{"1 lb/100 gal", "4.54 g/gal", "0.005", computed},
		// The guide rounds to what spoons and kitchen scales read: 1/6 oz or 5 g for
		// 1 lb, 10, 14 and 20 g for 2, 3 and 4 lb.
		{"1 lb/100 gal", "1/6 oz/gal", "0.01", nevmg},
		{"1 lb/100 gal", "5 g/gal", "0.5", nevmg},
		{"2 lb/100 gal", "10 g/gal", "1", nevmg},
		{"3 lb/100 gal", "14 g/gal", "1", nevmg},
		{"4 lb/100 gal", "20 g/gal", "2", nevmg},
		{"1 fl oz/100 gal", "0.0781 mL/L", "0.0001", computed},
		{"1 fl oz/100 gal", "0.296 mL/gal", "0.0005", computed},
		{"1 fl oz/100 gal", "0.06 tsp/gal", "0", computed},
		{"0.5 pt/100 gal", "0.625 mL/L", "0", computed},
		{"1 pt/100 gal", "1.25 mL/L", "0", computed},
		{"1 qt/100 gal", "2.5 mL/L", "0", computed},
		{"1 gal/100 gal", "10 mL/L", "0", computed},
		{"0.5 pt/100 gal", "0.48 tsp/gal", "0", nevmg + " (prints 1/2 tsp)"},
		{"1 pt/100 gal", "0.96 tsp/gal", "0", nevmg + " (prints 1 tsp)"},
		{"1 qt/100 gal", "1.92 tsp/gal", "0", nevmg + " (prints 2 tsp)"},
		{"1 gal/100 gal", "7.68 tsp/gal", "0", mu + " (prints 8 tsp)"},
		{"1 gal/100 gal", "2.56 tbsp/gal", "0", nevmg + " (prints 2 1/2 tbsp)"},
		{"1 tsp/gal", "1.302 mL/L", "0.0005", computed},
		{"1 tbsp/gal", "3.906 mL/L", "0.0005", computed},
		{"1 fl oz/gal", "7.813 mL/L", "0.0005", computed},
	} {
		t.Run(test.rate+" in "+test.want, func(t *testing.T) {
			p, to := measured, exact(t, test.want)
			if quantity.Convertible(to.Unit(), quantity.GramPerLitre) {
				p = weighed
			}
			got, err := mixing.Convert(exact(t, test.rate), to.Unit(), p, quantity.Quantity{})
			require.NoError(t, err)
			near(t, test.want, test.tolerance, got)
		})
	}
}

func TestPublishedPartsPerMillion(t *testing.T) {
	for _, test := range []struct{ ppm, content, want, tolerance, source string }{
		{"250 ppm", "150 g/kg", "22.25 oz/100 gal", "0.05", tamu + " (prints 22)"},
		// With the rule ppm / (75 x fraction), which rounds 74.89 up.
		{"250 ppm", "150 g/kg", "22.22 oz/100 gal", "0.05", tamu + ", 75 rule"},
		{"200 ppm", "330 g/kg", "8.09 oz/100 gal", "0.005", tamu},
		{"200 ppm", "330 g/kg", "8.08 oz/100 gal", "0.02", tamu + ", 75 rule"},
		{"74.9 ppm", "1000 g/kg", "1 oz/100 gal", "0.001", computed},
	} {
		t.Run(test.ppm+" of "+test.content, func(t *testing.T) {
			got, err := mixing.Convert(exact(t, test.ppm), "oz/100 gal", product(t, solid, test.content), quantity.Quantity{})
			require.NoError(t, err)
			near(t, test.want, test.tolerance, got)
		})
	}
}

// Texas A&M's example of a 1:100 injector prints .33 x 75 = 29.75, an arithmetic
// slip: it is 24.75. What follows from the slip, 7 oz and 700 oz per 100 gal, is too
// little; 8.08 oz and 808 oz are right.
func TestPublishedInjectorExampleWithItsSlip(t *testing.T) {
	fraction := new(big.Rat).Mul(big.NewRat(33, 100), big.NewRat(75, 1))
	require.Equal(t, "24.75", fraction.FloatString(2), "the source prints 29.75")
	rule := quantity.ExactOf(new(big.Rat).Quo(big.NewRat(200, 1), fraction), "oz/100 gal")
	near(t, "8.08 oz/100 gal", "0.005", rule)

	stock, err := mixing.Injector{PartsWater: 100}.Stock(rule)
	require.NoError(t, err)
	near(t, "808 oz/100 gal", "0.1", stock.AsWritten)
	// 1 part of stock in 100 parts of water is 1 in 101: times 100 is 1 % low.
	near(t, "816.16 oz/100 gal", "0.01", stock.Rate)
	require.Equal(t, "0.990", stock.Shortfall.FloatString(3))

	_, err = mixing.Injector{}.Stock(rule)
	require.Error(t, err)
}

func TestPublishedAmountsOfActiveIngredient(t *testing.T) {
	// Rates in pounds of active ingredient per 100 gal of water.
	for _, test := range []struct {
		product string
		form    productsv1.ProductForm
		content string
		active  string
		want    string
	}{
		{"25WP", solid, "250 g/kg", "1 lb", "4 lb"},
		{"2EC", liquid, "2 lb/gal", "1 lb", "2 qt"},
		{"2EC", liquid, "2 lb/gal", "1 lb", "0.5 gal"},
		{"15WP", solid, "150 g/kg", "1/2 lb", "10/3 lb"},
		{"1.5EC", liquid, "1.5 lb/gal", "1/2 lb", "4/3 qt"},
	} {
		t.Run(nevmg+" "+test.product, func(t *testing.T) {
			got, err := mixing.ProductWith(exact(t, test.active), product(t, test.form, test.content))
			require.NoError(t, err)
			equal(t, exact(t, test.want), got)
		})
	}
}

// University of Missouri G7510: 0.125 % of active ingredient from a product of
// 1 lb/gal takes 1 gal in 100 gal, and 8 tsp in 1 gal. By weight of water it is
// 1.04 gal (8.345 lb/gal, from memory), which the guide rounds.
func TestPublishedPercentSpray(t *testing.T) {
	waterPerGallon := big.NewRat(8345, 1000)
	active := new(big.Rat).Mul(waterPerGallon, big.NewRat(125, 1000)) // lb in 100 gal
	got, err := mixing.ProductWith(quantity.ExactOf(active, quantity.Pound), product(t, liquid, "1 lb/gal"))
	require.NoError(t, err)
	near(t, "1 gal", "0.05", got)
}

// Penn State Extension: 1 oz of an 80 % wettable powder is 2.4 tbsp of one brand
// and 5.2 tbsp of another. Powders are weighed, never spooned.
func TestPublishedPowdersAreNeverSpooned(t *testing.T) {
	_, err := mixing.AmountFor(some(t, "2.4 tbsp/gal"), product(t, solid, "800 g/kg"), basis(t, "1 gal", "", 0))
	require.ErrorContains(t, err, "is weighed")
	_, err = mixing.MeasureOut(exact(t, "1 oz"), []mixing.Measure{measure(t, "spoon", "1 tbsp", "1 tsp")})
	require.ErrorContains(t, err, "must be weighed")
}

// North Carolina State University: a backpack sprayer with a 6 ft swath.
func TestPublishedBackpackExample(t *testing.T) {
	course, err := mixing.SmallPlotCourse(exact(t, "6 ft"))
	require.NoError(t, err)
	near(t, "57 ft", "0.5", course)
	near(t, "56.7 ft", "0.05", course)

	rate, err := mixing.SmallPlotRate(exact(t, "7.5 fl oz"))
	require.NoError(t, err)
	equal(t, exact(t, "7.5 gal/acre"), rate)

	// 7.5 fl oz in the 17 s of the course.
	got, err := mixing.Calibrate(mixing.CatchTest{
		Nozzles:      []mixing.Catch{{Caught: some(t, "7.5 fl oz"), Duration: some(t, "17 s")}},
		CourseLength: some(t, "56.71875 ft"), CourseDuration: some(t, "17 s"), Swath: some(t, "6 ft"),
	})
	require.NoError(t, err)
	equal(t, exact(t, "7.5 gal/acre"), got.VolumeRateUS)

	// 8 oz/acre of a liquid: 1.06 oz/gal printed; 3.2 oz in 3 gal, 96 mL at the 30
	// mL/oz printed and 94.6 exactly.
	p, water := product(t, liquid, "250 g/L"), some(t, "7.5 gal/acre")
	perGallon, err := mixing.Convert(exact(t, "8 fl oz/acre"), "fl oz/gal", p, water)
	require.NoError(t, err)
	near(t, "1.067 fl oz/gal", "0.001", perGallon)
	amount := perGallon.Times(big.NewRat(3, 1)).Amount()
	require.Zero(t, amount.Cmp(big.NewRat(32, 10)))
	near(t, "94.6 mL", "0.05", quantity.ExactOf(amount, quantity.FluidOunce))
	require.Zero(t, amount.Mul(amount, big.NewRat(30, 1)).Cmp(big.NewRat(96, 1)))
}

// The plot of 1/128 acre: 340 ft2, 18.5 ft on each side. One IFAS blog prints
// 8.5 x 18.5 ft, a slip: that is 157 ft2.
func TestPublishedSmallPlot(t *testing.T) {
	area, err := exact(t, "1/128 acre").In(quantity.SquareFoot)
	require.NoError(t, err)
	equal(t, exact(t, "340.3125 ft2"), area)
	near(t, "340 ft2", "0.5", area)
	side := big.NewRat(185, 10)
	near(t, "340.3125 ft2", "2", quantity.ExactOf(new(big.Rat).Mul(side, side), quantity.SquareFoot))
	printed := new(big.Rat).Mul(big.NewRat(85, 10), side)
	require.Equal(t, "157.25", printed.FloatString(2), "the slip is less than half of the plot")

	// IFAS: 25 fl oz caught in the time of the plot are 25 gal/acre.
	rate, err := mixing.SmallPlotRate(exact(t, "25 fl oz"))
	require.NoError(t, err)
	equal(t, exact(t, "25 gal/acre"), rate)
}

func TestPublishedRatesPerAcreInAGallon(t *testing.T) {
	p := product(t, liquid, "250 g/L")
	for _, test := range []struct{ rate, water, want, tolerance, source string }{
		{"3 pt/acre", "65 gal/acre", "0.046 pt/gal", "0.0005", post},
		{"3 pt/acre", "65 gal/acre", "0.74 fl oz/gal", "0.005", post},
		{"3 pt/acre", "65 gal/acre", "1.5 tbsp/gal", "0.05", post},
		{"32 fl oz/acre", "43.56 gal/acre", "0.73 fl oz/gal", "0.005", trade},
	} {
		t.Run(test.rate+" in "+test.want, func(t *testing.T) {
			got, err := mixing.Convert(exact(t, test.rate), exact(t, test.want).Unit(), p, some(t, test.water))
			require.NoError(t, err)
			near(t, test.want, test.tolerance, got)
		})
	}
}

// E. Runkle: 4 fl oz in a 6 in pot; 1,000 pots take 31.25 gal.
func TestPublishedDrenchVolume(t *testing.T) {
	got, err := mixing.VolumeFor(some(t, "4 fl oz/pot"), basis(t, "", "", 1000))
	require.NoError(t, err)
	equal(t, exact(t, "31.25 gal"), got)
}

// 1 in 10 for household bleach: 1 part in 9 parts of water is 10 %.
func TestPublishedBleachDilution(t *testing.T) {
	got, err := mixing.AmountFor(some(t, "10 %"), product(t, liquid, "50 g/L"), basis(t, "10 L", "", 0))
	require.NoError(t, err)
	equal(t, exact(t, "1 L"), got) // Penn State Extension
}

// 40 CFR 170.405 (from memory): ten air changes. 30 x 96 x 10 ft and 8 ft3/min for
// each ft2.
func TestPublishedAirChanges(t *testing.T) {
	got, err := mixing.AirExchangeTime(exact(t, "28800 ft3"), exact(t, "23040 ft3/min"), 10)
	require.NoError(t, err)
	equal(t, exact(t, "12.5 min"), got)
	once, err := mixing.AirExchangeTime(exact(t, "28800 ft3"), exact(t, "23040 ft3/min"), 1)
	require.NoError(t, err)
	equal(t, exact(t, "1.25 min"), once)
	for _, bad := range [][2]string{{"0 ft3", "1 ft3/min"}, {"1 ft3", "0 ft3/min"}, {"1 ft2", "1 ft3/min"}, {"1 ft3", "1 ft3"}} {
		_, err = mixing.AirExchangeTime(exact(t, bad[0]), exact(t, bad[1]), 10)
		require.Error(t, err)
	}
	_, err = mixing.AirExchangeTime(exact(t, "1 ft3"), exact(t, "1 ft3/min"), 0)
	require.Error(t, err)
}

// Sprayer makers' manuals: replace a nozzle whose output is more than 10 % above
// that of a new one, and the set when two are worn.
func TestPublishedNozzleWear(t *testing.T) {
	for _, test := range []struct {
		outputs []string // L in a minute
		replace []bool
		set     bool
	}{
		{[]string{"0.22"}, []bool{false}, false}, // exactly 10 %
		{[]string{"0.221"}, []bool{true}, false},
		{[]string{"0.220001", "0.2", "0.21"}, []bool{true, false, false}, false},
		{[]string{"0.23", "0.2", "0.24"}, []bool{true, false, true}, true},
	} {
		catch := mixing.CatchTest{NewNozzleOutput: some(t, "0.2 L/min"), Speed: some(t, "4 km/h"), Swath: some(t, "1 m")}
		for _, output := range test.outputs {
			catch.Nozzles = append(catch.Nozzles, mixing.Catch{Caught: some(t, output+" L"), Duration: some(t, "1 min")})
		}
		got, err := mixing.Calibrate(catch)
		require.NoError(t, err)
		for i, nozzle := range got.Nozzles {
			require.Equal(t, test.replace[i], nozzle.Replace, "%v: %s", test.outputs, nozzle.Message)
			require.Equal(t, i+1, nozzle.Number)
		}
		require.Equal(t, test.set, got.ReplaceSet)
	}
}

// The order of the North Dakota guide of 2021: soluble powders, dry powders, liquid
// flowables, emulsifiables, solutions.
func TestPublishedMixingOrder(t *testing.T) {
	given := []productsv1.Formulation{
		productsv1.Formulation_FORMULATION_SL, productsv1.Formulation_FORMULATION_EC, productsv1.Formulation_FORMULATION_WG,
		productsv1.Formulation_FORMULATION_SC, productsv1.Formulation_FORMULATION_SP, productsv1.Formulation_FORMULATION_WP,
	}
	products := make([]mixing.Product, len(given))
	for i, formulation := range given {
		products[i].Formulation = formulation
	}
	order, known := mixing.Order(products)
	require.True(t, known)
	require.Equal(t, []int{4, 2, 5, 3, 1, 0}, order)
}
