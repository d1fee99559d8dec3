package mixing_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
	"velamen/services/treatment/mixing"
)

// update writes the golden files anew; look at the difference before keeping it.
var update = flag.Bool("update", false, "write the golden files of the mix sheets anew")

const caution = "The product label and local law decide on dose, protective equipment and re-entry. Ask a licensed adviser first."

// golden compares with a file of testdata and holds the page to 80 columns.
func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(file, []byte(got), 0o600))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
	for line := range strings.Lines(got) {
		require.LessOrEqual(t, len([]rune(strings.TrimSuffix(line, "\n"))), 80, line)
	}
}

func measure(t testing.TB, name, capacity, graduation string) mixing.Measure {
	t.Helper()
	return mixing.Measure{DisplayName: name, Capacity: some(t, capacity), Graduation: some(t, graduation)}
}

func shed(t testing.TB) []mixing.Measure {
	t.Helper()
	return []mixing.Measure{
		measure(t, "kitchen scales", "2 kg", "1 g"),
		measure(t, "1 L jug", "1 L", "20 mL"),
		measure(t, "syringe", "20 mL", "0.5 mL"),
	}
}

// powder is a wettable powder, 0.6 to 1.5 g/L in 0.1 to 0.3 L/m2.
func powder(t testing.TB) mixing.Ingredient {
	t.Helper()
	p := product(t, solid, "500 g/kg")
	p.ID, p.DisplayName, p.Formulation = "powder", "Powder 500 WP", productsv1.Formulation_FORMULATION_WP
	p.Contents[0].ActiveIngredient = "thiophanate-methyl"
	return mixing.Ingredient{
		Product: p, RateMin: some(t, "0.6 g/L"), RateMax: some(t, "1.5 g/L"),
		WaterMin: some(t, "0.1 L/m2"), WaterMax: some(t, "0.3 L/m2"),
		RestrictedEntryInterval: some(t, "12 h"), ProtectiveEquipment: "long sleeves, chemical-resistant gloves, dust mask",
	}
}

// flowable is a suspension concentrate, 0.5 to 1 mL/L.
func flowable(t testing.TB) mixing.Ingredient {
	t.Helper()
	p := product(t, liquid, "250 g/L")
	p.ID, p.DisplayName, p.Formulation = "flowable", "Flowable 250 SC", productsv1.Formulation_FORMULATION_SC
	p.Contents[0].ActiveIngredient = "azoxystrobin"
	return mixing.Ingredient{
		Product: p, RateMin: some(t, "0.5 mL/L"), RateMax: some(t, "1 mL/L"),
		RestrictedEntryInterval: some(t, "4 h"), ProtectiveEquipment: "long sleeves, gloves",
	}
}

func sprayOf(t testing.TB, ingredients ...mixing.Ingredient) mixing.Request {
	t.Helper()
	return mixing.Request{
		Where: "House 3, bench 2", Against: "Botrytis blight", Method: productsv1.Method_METHOD_SPRAY,
		Products: ingredients, Area: some(t, "200 m2"), WaterRate: some(t, "0.2 L/m2"),
		TankVolume: some(t, "15 L"), TankMinimum: some(t, "1 L"), Measures: shed(t), Caution: caution,
	}
}

func work(t testing.TB, r mixing.Request) mixing.Sheet {
	t.Helper()
	sheet, err := mixing.Work(r)
	require.NoError(t, err)
	return sheet
}

func TestASprayInTankLoads(t *testing.T) {
	sheet := work(t, sprayOf(t, flowable(t), powder(t)))
	golden(t, "spray.txt", sheet.Text())
	require.Equal(t, "40 L", sheet.TotalVolume.String())
	require.Equal(t, "12 h", sheet.RestrictedEntryInterval.String(), "the longest of the mix")
	require.Equal(t, "powder", sheet.Loads[0].Products[0].Product.ID, "a dry powder goes in before a flowable")
}

func TestASprayInUSUnits(t *testing.T) {
	r := sprayOf(t, flowable(t))
	r.Products[0].RateMin, r.Products[0].RateMax = some(t, "6 fl oz/100 gal"), some(t, "12 fl oz/100 gal")
	r.Area, r.WaterRate = some(t, "5000 ft2"), some(t, "2 qt/100 ft2")
	r.TankVolume, r.TankMinimum = some(t, "10 gal"), some(t, "0.5 gal")
	r.Measures = []mixing.Measure{measure(t, "cup", "8 fl oz", "0.5 fl oz"), measure(t, "spoons", "1 tbsp", "0.5 tsp")}
	golden(t, "spray_us.txt", work(t, r).Text())
}

func TestADrenchThroughAnInjector(t *testing.T) {
	r := sprayOf(t, flowable(t))
	r.Method, r.Against = productsv1.Method_METHOD_DRENCH, "Pythium root rot"
	r.Area, r.WaterRate, r.Plants = some(t, ""), some(t, "100 mL/pot"), 5000
	r.TankVolume, r.TankMinimum, r.InjectorPartsWater = some(t, ""), some(t, ""), 100
	sheet := work(t, r)
	golden(t, "injector.txt", sheet.Text())
	// 500 L at 1 mL/L in 4.951 L of stock, read off as 4.96 L for 500.96 L of mix.
	require.Equal(t, "500.96 L", sheet.TotalVolume.String())
	require.Equal(t, "4.96 L", sheet.Loads[0].Volume.String())
	require.Equal(t, "500.5 mL", sheet.Loads[0].Products[0].Amount.String())
}

func TestABathWithTopUps(t *testing.T) {
	r := sprayOf(t, powder(t))
	r.Method, r.WaterRate, r.TankVolume, r.TankMinimum, r.Area = productsv1.Method_METHOD_BATH, some(t, ""), some(t, ""), some(t, ""), some(t, "")
	r.Plants = 1000
	r.Bath = &mixing.Bath{Volume: some(t, "20 L"), CarryOutPerPlant: some(t, "10 mL"), DiscardAfterPlants: 600}
	sheet := work(t, r)
	golden(t, "bath.txt", sheet.Text())
	// Two baths of 20 L; 2 L after every 200 plants: after 200 and 400 of 600, after
	// 200 of 400.
	require.Equal(t, "46 L", sheet.TotalVolume.String())
	require.Equal(t, int64(3), sheet.Loads[1].Times)
	require.Equal(t, "3 g", sheet.Loads[1].Products[0].Amount.String(), "a top-up has the strength of the bath")
}

func TestLabelFactsThatAreMissingAreNamedOnTheSheet(t *testing.T) {
	bare := powder(t)
	bare.Product.Formulation = productsv1.Formulation_FORMULATION_UNSPECIFIED
	bare.RestrictedEntryInterval, bare.ProtectiveEquipment = some(t, ""), ""
	second, third := flowable(t), flowable(t)
	second.Product.ID, second.Product.DisplayName, second.Product.Formulation = "second", "Emulsion 250 EC", productsv1.Formulation_FORMULATION_EC
	third.Product.ID, third.Product.DisplayName, third.Product.Formulation = "third", "Solution 250 SL", productsv1.Formulation_FORMULATION_SL
	r := sprayOf(t, bare, third, second, flowable(t))
	r.Measures, r.TankVolume, r.TankMinimum = nil, some(t, ""), some(t, "")
	sheet := work(t, r)
	golden(t, "missing.txt", sheet.Text())
	require.True(t, sheet.RestrictedEntryInterval.IsZero(), "an interval that is not entered is never guessed")
}

func TestTheLeastWaterOfAllLabelsIsTaken(t *testing.T) {
	thirsty := flowable(t)
	thirsty.WaterMin = some(t, "1500 L/ha")
	r := sprayOf(t, powder(t), thirsty)
	r.WaterRate = some(t, "")
	require.Equal(t, "30 L", work(t, r).TotalVolume.String(), "0.15 L/m2 is the larger of the two")
}

func TestAVolumeIsRoundedUpToAMarkUnlessALabelForbidsIt(t *testing.T) {
	r := sprayOf(t, powder(t))
	r.Area, r.WaterRate = some(t, "101.1 m2"), some(t, "0.3 L/m2")
	require.Equal(t, "30.3 L", work(t, r).TotalVolume.String(), "30.33 L is the label's most water")
	r.WaterRate = some(t, "0.2 L/m2")
	require.Equal(t, "20.3 L", work(t, r).TotalVolume.String(), "20.22 L asked for")
}

func TestTheSplitThatMeasuresOutBestIsTaken(t *testing.T) {
	// 1.5 g/L on scales of 1 g: 15 L takes 22.5 g, 14 L takes 21 g.
	r := sprayOf(t, powder(t))
	r.Area, r.WaterRate, r.Volume = some(t, ""), some(t, ""), some(t, "40 L")
	sheet := work(t, r)
	require.Equal(t, []string{"14 L", "12 L"}, []string{sheet.Loads[0].Volume.String(), sheet.Loads[1].Volume.String()})
	for _, load := range sheet.Loads {
		require.Empty(t, load.Products[0].Rounding)
	}
	// Full loads where they lose nothing.
	r.Products[0].Rate = some(t, "1 g/L")
	sheet = work(t, r)
	require.Equal(t, []string{"15 L", "10 L"}, []string{sheet.Loads[0].Volume.String(), sheet.Loads[1].Volume.String()})
	// Equal loads where the pump does not draw the rest.
	r.Volume, r.TankMinimum = some(t, "32 L"), some(t, "8 L")
	sheet = work(t, r)
	require.Equal(t, int64(2), sheet.Loads[0].Times)
	require.Equal(t, []string{"12 L", "8 L"}, []string{sheet.Loads[0].Volume.String(), sheet.Loads[1].Volume.String()})
}

func TestRoundingBelowTheLabelsLowestRateIsSaid(t *testing.T) {
	r := sprayOf(t, powder(t))
	r.Products[0].Rate = some(t, "0.6 g/L")
	r.Area, r.WaterRate, r.Volume = some(t, ""), some(t, ""), some(t, "2.5 L")
	r.Measures = []mixing.Measure{measure(t, "coarse scales", "1 kg", "1 g")}
	product := work(t, r).Loads[0].Products[0]
	require.Equal(t, "1 g", product.Amount.String(), "1.5 g rounded down")
	require.True(t, product.BelowLabel)
	require.Contains(t, product.Rounding, "below the lowest rate of the label (0.6 g/L)")
}

func TestWorkRefuses(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*mixing.Request)
		field  string
		reason fault.Reason
		says   string
	}{
		{"no product", func(r *mixing.Request) { r.Products = nil }, "products", fault.InvalidField, "1 to 4"},
		{"the same product twice", func(r *mixing.Request) { r.Products = append(r.Products, r.Products[0]) }, "products[1].product", fault.InvalidField, "already"},
		{"a rate above the label's highest", func(r *mixing.Request) { r.Products[0].Rate = some(t, "1.500001 g/L") }, "products[0].rate", fault.LabelRateExceeded, "at most 1.5 g/L"},
		{"a rate above the label's highest in other units", func(r *mixing.Request) {
			r.Products[0].Rate = some(t, "0.0201 oz/gal")
			r.Products[0].RateMax = some(t, "15 g/100 L")
		}, "products[0].rate", fault.LabelRateExceeded, "at most 15 g/100 L"},
		{"a label without its highest rate", func(r *mixing.Request) { r.Products[0].RateMax = some(t, "") }, "products[0]", fault.LabelFactMissing, "not entered"},
		{"a mass rate of a liquid", func(r *mixing.Request) { r.Products[0].Product.Form = liquid }, "products[0].rate", fault.InvalidField, "measured by volume"},
		{"granules", func(r *mixing.Request) {
			r.Products[0].Product.Formulation = productsv1.Formulation_FORMULATION_GR
		}, "products[0].product", fault.InvalidField, "spread dry"},
		{"a rate per area without an area", func(r *mixing.Request) {
			r.Products[0].Rate, r.Area, r.WaterRate, r.Volume = some(t, "1 kg/ha"), some(t, ""), some(t, ""), some(t, "10 L")
		}, "products[0].rate", fault.InvalidField, "needs the area"},
		{"a water rate without an area", func(r *mixing.Request) { r.Area = some(t, "") }, "water_rate", fault.InvalidField, "needs the area"},
		{"a water rate and a volume", func(r *mixing.Request) { r.Volume = some(t, "10 L") }, "volume", fault.InvalidField, "not both"},
		{"no water at all", func(r *mixing.Request) { r.WaterRate, r.Products[0].WaterMin = some(t, ""), some(t, "") }, "water_rate", fault.InvalidField, "no label of the mix"},
		{"a volume that is a mass", func(r *mixing.Request) { r.WaterRate, r.Volume = some(t, ""), some(t, "10 kg") }, "volume", fault.InvalidField, "such as 40 L"},
		{"an area below zero", func(r *mixing.Request) { r.Area = some(t, "-1 m2") }, "area", fault.InvalidField, "above zero"},
		{"plants below zero", func(r *mixing.Request) { r.Plants = -1 }, "plants", fault.InvalidField, "below zero"},
		{"an injector below zero", func(r *mixing.Request) { r.InjectorPartsWater = -1 }, "injector_parts_water", fault.InvalidField, "below zero"},
		{"a pump that draws from more than the tank", func(r *mixing.Request) { r.TankMinimum = some(t, "16 L") }, "tank_minimum", fault.InvalidField, "than the tank"},
		{"a minimum without a tank", func(r *mixing.Request) { r.TankVolume = some(t, "") }, "tank_minimum", fault.InvalidField, "without the volume"},
		{"less mix than the pump draws", func(r *mixing.Request) { r.Area, r.TankMinimum = some(t, "20 m2"), some(t, "5 L") }, "tank_minimum", fault.InvalidField, "smaller sprayer"},
		{"more loads than a sheet lists", func(r *mixing.Request) { r.Area = some(t, "100000 m2") }, "tank_volume", fault.InvalidField, "1334 loads"},
		{"more than anybody mixes", func(r *mixing.Request) { r.WaterRate, r.Volume = some(t, ""), some(t, "999999999999 L") }, "volume", fault.InvalidField, "more than anybody"},
		{"a tank below one mark", func(r *mixing.Request) { r.TankVolume, r.TankMinimum = some(t, "10 mL"), some(t, "") }, "tank_volume", fault.InvalidField, "smallest mark"},
		{"no scales for a powder", func(r *mixing.Request) { r.Measures = r.Measures[1:] }, "measures", fault.InvalidField, "no scales"},
		{"scales that are too coarse", func(r *mixing.Request) { r.Measures = []mixing.Measure{measure(t, "platform", "100 kg", "100 g")} }, "measures", fault.InvalidField, "smallest graduation"},
		{"scales that are too small", func(r *mixing.Request) { r.Measures = []mixing.Measure{measure(t, "pocket", "0.5 g", "0.01 g")} }, "measures", fault.InvalidField, "20 fillings"},
		{"a measure without capacity", func(r *mixing.Request) { r.Measures[1].Capacity = some(t, "0 L") }, "measures[1].capacity", fault.InvalidField, "above zero"},
		{"a graduation of another kind", func(r *mixing.Request) { r.Measures[1].Graduation = some(t, "1 g") }, "measures[1].graduation", fault.InvalidField, "as the capacity is"},
		{"a graduation above the capacity", func(r *mixing.Request) { r.Measures[1].Graduation = some(t, "2 L") }, "measures[1].graduation", fault.InvalidField, "more than the capacity"},
		{"a bath in a tank", func(r *mixing.Request) { r.Bath, r.Method = &mixing.Bath{}, productsv1.Method_METHOD_BATH }, "bath", fault.InvalidField, "volume of its own"},
	} {
		t.Run(test.name, func(t *testing.T) {
			r := sprayOf(t, powder(t))
			test.change(&r)
			_, err := mixing.Work(r)
			f, ok := fault.As(err)
			require.True(t, ok, "%v", err)
			require.Equal(t, test.field, f.Field, f.Message)
			require.Equal(t, test.reason, f.Reason)
			require.Contains(t, f.Message, test.says)
		})
	}
}

func TestABathIsRefused(t *testing.T) {
	good := mixing.Bath{Volume: some(t, "20 L"), CarryOutPerPlant: some(t, "10 mL")}
	for _, test := range []struct {
		name   string
		change func(*mixing.Request)
		field  string
		says   string
	}{
		{"without plants", func(r *mixing.Request) { r.Plants = 0 }, "plants", "how many plants"},
		{"without a volume", func(r *mixing.Request) { r.Bath.Volume = some(t, "") }, "bath.volume", "above zero"},
		{"with a carry-out by mass", func(r *mixing.Request) { r.Bath.CarryOutPerPlant = some(t, "10 g") }, "bath.carry_out_per_plant", "above zero"},
		{"where one plant empties it", func(r *mixing.Request) { r.Bath.CarryOutPerPlant = some(t, "3 L") }, "bath.carry_out_per_plant", "larger bath"},
		{"topped up when nearly empty", func(r *mixing.Request) { r.Bath.TopUpAt = some(t, "60 %") }, "bath.top_up_at", "at most 50 %"},
		{"discarded after no time", func(r *mixing.Request) { r.Bath.DiscardAfter = some(t, "0 h") }, "bath.discard_after", "above zero"},
		{"discarded after plants below zero", func(r *mixing.Request) { r.Bath.DiscardAfterPlants = -1 }, "bath.discard_after_plants", "below zero"},
		{"at a rate per area", func(r *mixing.Request) {
			r.Area, r.Products[0].Rate = some(t, "10 m2"), some(t, "1 kg/ha")
		}, "products[0].rate", "a bath takes rates in the water"},
		{"with more baths than a sheet lists", func(r *mixing.Request) { r.Plants, r.Bath.DiscardAfterPlants = 100_000, 10 }, "bath.volume", "larger bath"},
	} {
		t.Run(test.name, func(t *testing.T) {
			plan := good
			r := mixing.Request{Method: productsv1.Method_METHOD_BATH, Products: []mixing.Ingredient{powder(t)}, Plants: 100, Bath: &plan}
			test.change(&r)
			_, err := mixing.Work(r)
			f, ok := fault.As(err)
			require.True(t, ok, "%v", err)
			require.Equal(t, test.field, f.Field, f.Message)
			require.Contains(t, f.Message, test.says)
		})
	}
}

func TestARateBelowTheLabelIsFlaggedWhereNothingIsRoundedToo(t *testing.T) {
	low := powder(t)
	low.Rate = some(t, "0.5 g/L")
	r := sprayOf(t, low)
	r.Volume, r.WaterRate, r.TankVolume, r.TankMinimum = some(t, "40 L"), some(t, ""), some(t, ""), some(t, "")
	sheet := work(t, r)
	got := sheet.Loads[0].Products[0]
	require.Equal(t, "20 g", got.Amount.String())
	require.True(t, got.BelowLabel, "0.5 g/L is below the label's 0.6 g/L")
	require.Contains(t, sheet.Text(), "BELOW THE LABEL'S LOWEST RATE")
}

func TestWaterOutsideTheLabelIsRefused(t *testing.T) {
	for name, rate := range map[string]string{"too much": "0.31 L/m2", "too little": "0.09 L/m2"} {
		t.Run(name, func(t *testing.T) {
			r := sprayOf(t, powder(t))
			r.WaterRate = some(t, rate)
			_, err := mixing.Work(r)
			require.ErrorContains(t, err, "0.1 L/m2 to 0.3 L/m2")
			r.WaterRate, r.Volume = some(t, ""), some(t, strings.ReplaceAll(strings.ReplaceAll(rate, "0.31 L/m2", "62 L"), "0.09 L/m2", "18 L"))
			_, err = mixing.Work(r)
			require.ErrorContains(t, err, "0.1 L/m2 to 0.3 L/m2", "the same by volume")
		})
	}
	r := sprayOf(t, powder(t))
	r.Area, r.WaterRate, r.Volume = some(t, ""), some(t, ""), some(t, "18 L")
	_, err := mixing.Work(r)
	require.NoError(t, err, "without an area the label's water says nothing")
}

func TestABathAndItsMethodGoTogether(t *testing.T) {
	r := sprayOf(t, powder(t))
	r.WaterRate, r.TankVolume, r.TankMinimum, r.Plants = some(t, ""), some(t, ""), some(t, ""), 100
	r.Bath = &mixing.Bath{Volume: some(t, "20 L"), CarryOutPerPlant: some(t, "10 mL")}
	_, err := mixing.Work(r)
	require.ErrorContains(t, err, "bath", "a spray has no bath")
	r.Bath, r.Method, r.Volume = nil, productsv1.Method_METHOD_BATH, some(t, "20 L")
	_, err = mixing.Work(r)
	require.ErrorContains(t, err, "carries out", "a bath needs its plan")
}

func TestNothingIsShownAsZero(t *testing.T) {
	weak := flowable(t)
	weak.RateMin, weak.RateMax = some(t, "0.000001 mL/L"), some(t, "0.000001 mL/L")
	r := sprayOf(t, weak)
	r.Measures, r.TankVolume, r.TankMinimum = nil, some(t, ""), some(t, "")
	text := work(t, r).Text()
	require.NotRegexp(t, `(^|[ (])0 (mL|fl oz|g|oz|ppm)`, text)
}

func TestTheCautionIsReadFirst(t *testing.T) {
	text := work(t, sprayOf(t, powder(t))).Text()
	require.Less(t, strings.Index(text, "The product label and local law decide"), strings.Index(text, "WEAR"))
	require.Contains(t, text, "1.5 g/L (the label allows 0.6 g/L to 1.5 g/L)", "the rate that it was worked out with")
}
