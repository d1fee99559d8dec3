package mixing_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/treatment/mixing"
)

// anyOf picks one of some texts.
func anyOf(random *rand.Rand, texts ...string) string { return texts[random.IntN(len(texts))] }

// anyMeasures are one to four measures of any kind; scales and a jug among them
// most of the time.
func anyMeasures(t testing.TB, random *rand.Rand) []mixing.Measure {
	measures := []mixing.Measure{
		measure(t, "scales", anyOf(random, "200 g", "2 kg", "5 kg", "8 oz", "10 lb"), anyOf(random, "0.01 g", "0.1 g", "1 g", "0.05 oz")),
		measure(t, "jug", anyOf(random, "1 L", "500 mL", "1 qt", "1 gal"), anyOf(random, "10 mL", "20 mL", "1 fl oz", "0.25 fl oz")),
		measure(t, "syringe", anyOf(random, "10 mL", "60 mL", "2 fl oz"), anyOf(random, "0.1 mL", "0.5 mL", "0.5 tsp")),
		measure(t, "spoon", "1 tbsp", "0.25 tsp"),
	}
	random.Shuffle(len(measures), func(i, j int) { measures[i], measures[j] = measures[j], measures[i] })
	return measures[:1+random.IntN(len(measures))]
}

// anyIngredient has a label with a range of rates in any basis, and a rate in it.
func anyIngredient(t testing.TB, random *rand.Rand, id int) mixing.Ingredient {
	form, content := solid, "500 g/kg"
	unit := anyOf(random, "g/L", "g/100 L", "oz/gal", "oz/100 gal", "kg/ha", "oz/1000 ft2", "g/plant", "ppm")
	if random.IntN(2) == 0 {
		form, content = liquid, "250 g/L"
		unit = anyOf(random, "mL/L", "fl oz/100 gal", "tsp/gal", "L/ha", "pt/acre", "mL/plant", "ppm", "%")
	}
	p := product(t, form, content)
	p.ID, p.DisplayName = fmt.Sprintf("p%d", id), fmt.Sprintf("Product %d", id)
	p.Formulation = productsv1.Formulation(random.IntN(13))
	low := 1 + random.Int64N(3000)
	high := low + random.Int64N(3000)
	rate := low + random.Int64N(high-low+1)
	thousandths := func(amount int64) quantity.Quantity {
		return quantity.ExactOf(big.NewRat(amount, 1000), quantity.Unit(unit)).Round()
	}
	return mixing.Ingredient{Product: p, Rate: thousandths(rate), RateMin: thousandths(low), RateMax: thousandths(high)}
}

func anyRequest(t testing.TB, random *rand.Rand) mixing.Request {
	r := mixing.Request{
		Method: productsv1.Method_METHOD_SPRAY, Caution: caution,
		Area:   some(t, fmt.Sprintf("%d.%d %s", 1+random.IntN(2000), random.IntN(1000), anyOf(random, "m2", "ft2"))),
		Plants: 1 + random.Int64N(5000),
	}
	for i := range 1 + random.IntN(3) {
		r.Products = append(r.Products, anyIngredient(t, random, i))
	}
	if random.IntN(3) == 0 {
		r.Volume = some(t, fmt.Sprintf("%d.%d %s", 1+random.IntN(200), random.IntN(1000), anyOf(random, "L", "gal")))
	} else {
		r.WaterRate = some(t, anyOf(random, "1000 L/ha", "0.2 L/m2", "2 qt/100 ft2", "65 gal/acre", "100 mL/plant"))
	}
	if random.IntN(4) > 0 {
		unit := anyOf(random, "L", "gal")
		r.TankVolume = some(t, fmt.Sprintf("%d.5 %s", 4+random.IntN(30), unit))
		if random.IntN(2) == 0 {
			r.TankMinimum = some(t, "1 "+unit)
		}
	}
	if random.IntN(4) > 0 {
		r.Measures = anyMeasures(t, random)
	}
	if random.IntN(4) == 0 {
		r.InjectorPartsWater = 1 + random.Int64N(200)
	}
	return r
}

// worked runs what tells whether sheets of any request keep what they must.
func worked(t *testing.T, cases int, seed uint64, check func(r mixing.Request, sheet mixing.Sheet)) {
	t.Helper()
	random := rand.New(rand.NewPCG(seed, 7))
	made := 0
	for range cases {
		r := anyRequest(t, random)
		sheet, err := mixing.Work(r)
		if err != nil {
			continue // what the measures or the tank cannot make
		}
		made++
		check(r, sheet)
	}
	require.Greater(t, made, cases/4, "too few requests could be made to say anything")
}

// ingredientOf returns what the label of a product of a sheet says.
func ingredientOf(t testing.TB, r mixing.Request, id string) mixing.Ingredient {
	t.Helper()
	for _, ingredient := range r.Products {
		if ingredient.Product.ID == id {
			return ingredient
		}
	}
	require.Fail(t, "not in the request", id)
	return mixing.Ingredient{}
}

// shareOf returns the share of all mix that a load holds.
func shareOf(t testing.TB, r mixing.Request, load mixing.Load, sheet mixing.Sheet) *big.Rat {
	t.Helper()
	share, err := load.Volume.Exact().Over(sheet.TotalVolume.Exact())
	require.NoError(t, err)
	return share.Mul(share, big.NewRat(r.InjectorPartsWater+1, 1))
}

func TestNoRoundingEverExceedsALabelMaximum(t *testing.T) {
	worked(t, 2000, 31, func(r mixing.Request, sheet mixing.Sheet) {
		whole := mixing.Basis{Water: sheet.TotalVolume.Exact(), Area: r.Area.Exact(), Plants: r.Plants}
		for _, load := range sheet.Loads {
			share := shareOf(t, r, load, sheet)
			for _, p := range load.Products {
				ingredient := ingredientOf(t, r, p.Product.ID)
				for _, limit := range []quantity.Quantity{ingredient.Rate, ingredient.RateMax} {
					most, err := mixing.AmountFor(limit, p.Product, whole)
					require.NoError(t, err)
					order, err := p.Amount.Exact().Compare(most.Times(share))
					require.NoError(t, err)
					require.LessOrEqual(t, order, 0, "%s of %s in %s is above %s", p.Amount, p.Product.DisplayName, load.Volume, limit)
				}
				other, err := p.AmountInOtherUnits.Exact().Compare(p.Amount.Exact())
				require.NoError(t, err)
				require.LessOrEqual(t, other, 0, "%s is above %s", p.AmountInOtherUnits, p.Amount)
				least, err := mixing.AmountFor(ingredient.RateMin, p.Product, whole)
				require.NoError(t, err)
				below, err := p.Amount.Exact().Compare(least.Times(share))
				require.NoError(t, err)
				require.Equal(t, below < 0, p.BelowLabel, "below the label's lowest rate is always said")
			}
		}
	})
}

func TestLoadsAddUpToTheTotalAndFitTheTank(t *testing.T) {
	worked(t, 2000, 32, func(r mixing.Request, sheet mixing.Sheet) {
		sum := quantity.ExactOf(new(big.Rat), sheet.TotalVolume.Unit)
		number := int64(1)
		for _, load := range sheet.Loads {
			require.Equal(t, number, load.Number)
			require.Positive(t, load.Times)
			number += load.Times
			var err error
			sum, err = sum.Add(load.Volume.Exact().Times(new(big.Rat).SetInt64(load.Times)))
			require.NoError(t, err)
			if r.TankVolume.IsZero() {
				continue
			}
			over, err := load.Volume.Exact().Compare(r.TankVolume.Exact())
			require.NoError(t, err)
			require.LessOrEqual(t, over, 0)
			if r.TankMinimum.IsZero() {
				continue
			}
			under, err := load.Volume.Exact().Compare(r.TankMinimum.Exact())
			require.NoError(t, err)
			require.GreaterOrEqual(t, under, 0)
		}
		equal(t, sheet.TotalVolume.Exact(), sum.Times(big.NewRat(r.InjectorPartsWater+1, 1)))
	})
}

func TestMeasuredAmountsAreReachableByTheMeasures(t *testing.T) {
	worked(t, 2000, 33, func(r mixing.Request, sheet mixing.Sheet) {
		for _, load := range sheet.Loads {
			for _, p := range load.Products {
				require.Equal(t, len(r.Measures) > 0, len(p.Measuring) > 0)
				reachable(t, r.Measures, p.Amount, p.Measuring)
			}
		}
	})
}

// reachable requires fillings to be marks of their measures and to add up.
func reachable(t testing.TB, measures []mixing.Measure, amount quantity.Quantity, fillings []mixing.Filling) {
	t.Helper()
	if len(fillings) == 0 {
		return
	}
	byName := map[string]mixing.Measure{}
	for _, m := range measures {
		byName[m.DisplayName] = m
	}
	sum := quantity.ExactOf(new(big.Rat), amount.Unit)
	var count int64
	for _, filling := range fillings {
		m := byName[filling.Measure]
		order, err := filling.Amount.Compare(m.Capacity)
		require.NoError(t, err)
		require.LessOrEqual(t, order, 0, "%s in %s", filling.Amount, m.Capacity)
		marks, err := filling.Amount.Exact().Over(m.Graduation.Exact())
		require.NoError(t, err)
		require.True(t, marks.IsInt(), "%s is no mark of %s", filling.Amount, m.Graduation)
		sum, err = sum.Add(filling.Amount.Exact().Times(new(big.Rat).SetInt64(filling.Times)))
		require.NoError(t, err)
		count += filling.Times
	}
	equal(t, amount.Exact(), sum)
	require.LessOrEqual(t, count, int64(20))
}

func TestEveryPrintedSheetFitsThePage(t *testing.T) {
	worked(t, 300, 34, func(_ mixing.Request, sheet mixing.Sheet) {
		text := sheet.Text()
		require.Contains(t, text, "The product label and local law decide")
		for _, line := range splitLines(text) {
			require.LessOrEqual(t, len([]rune(line)), 80, line)
		}
	})
}

func TestTheSameRequestMakesTheSameSheet(t *testing.T) {
	worked(t, 200, 35, func(r mixing.Request, sheet mixing.Sheet) {
		again, err := mixing.Work(r)
		require.NoError(t, err)
		require.Equal(t, sheet.Text(), again.Text())
	})
}

func TestBathsAddUp(t *testing.T) {
	random := rand.New(rand.NewPCG(36, 7))
	for range 500 {
		plan := mixing.Bath{
			Volume:             some(t, fmt.Sprintf("%d L", 5+random.IntN(200))),
			CarryOutPerPlant:   some(t, fmt.Sprintf("%d.%d mL", 1+random.IntN(150), random.IntN(10))),
			DiscardAfterPlants: random.Int64N(3000),
		}
		plants := 1 + random.Int64N(10_000)
		got, err := mixing.ScheduleBath(plan, plants)
		require.NoError(t, err)
		baths, topUps := dip(plants, plan.DiscardAfterPlants, got.PlantsUntilTopUp)
		require.Equal(t, baths, got.Baths, "%v for %d plants", plan, plants)
		require.Equal(t, topUps, got.TopUps, "%v for %d plants", plan, plants)
		sum, err := got.Fill.Times(big.NewRat(baths, 1)).Add(got.TopUp.Times(big.NewRat(topUps, 1)))
		require.NoError(t, err)
		equal(t, sum, got.Total)
		order, err := got.TopUp.Compare(plan.Volume.Exact().Times(big.NewRat(1, 10)))
		require.NoError(t, err)
		require.LessOrEqual(t, order, 0, "never more than a tenth is lost before a top-up")
	}
}

// dip counts baths and top-ups plant by plant.
func dip(plants, each, until int64) (baths, topUps int64) {
	inBath, sinceTopUp := int64(0), int64(0)
	baths = 1
	for range plants {
		switch {
		case each > 0 && inBath == each:
			baths++
			inBath, sinceTopUp = 0, 0
		case sinceTopUp == until:
			topUps++
			sinceTopUp = 0
		}
		inBath++
		sinceTopUp++
	}
	return baths, topUps
}

func splitLines(text string) (lines []string) {
	start := 0
	for i := range text {
		if text[i] == '\n' {
			lines = append(lines, text[start:i])
			start = i + 1
		}
	}
	return lines
}

func FuzzMeasureOutNeverExceedsTheNeed(f *testing.F) {
	f.Add(int64(225), int64(10), uint16(0), "1 L", "20 mL")
	f.Add(int64(1), int64(3), uint16(1), "1 gal", "0.25 tsp")
	f.Add(int64(999999), int64(7), uint16(2), "2 kg", "0.000001 mg")
	f.Fuzz(func(t *testing.T, numerator, denominator int64, unit uint16, capacity, graduation string) {
		c, err := quantity.Parse(capacity)
		if err != nil || !c.Positive() || numerator <= 0 || denominator <= 0 {
			return
		}
		g, err := quantity.Parse(graduation)
		if err != nil || !g.Positive() {
			return
		}
		units := []quantity.Unit{"mL", "fl oz", "g", "lb"}
		need := quantity.ExactOf(big.NewRat(numerator, denominator), units[int(unit)%len(units)])
		rate := quantity.Must("1", "g/L")
		if quantity.Convertible(need.Unit(), quantity.Litre) {
			rate = quantity.Must("1", "mL/L")
		}
		form := solid
		if rate.Unit == quantity.MillilitrePerL {
			form = liquid
		}
		// Through the sheet, which refuses measures that cannot be.
		sheet, err := mixing.Work(mixing.Request{
			Products: []mixing.Ingredient{{Product: product(t, form), RateMax: rate}},
			Volume:   quantity.Must("10", quantity.Litre),
			Measures: []mixing.Measure{{DisplayName: "measure", Capacity: c, Graduation: g}},
		})
		if err != nil {
			return
		}
		reachable(t, []mixing.Measure{{DisplayName: "measure", Capacity: c, Graduation: g}}, sheet.Loads[0].Products[0].Amount, sheet.Loads[0].Products[0].Measuring)
		portion, err := mixing.MeasureOut(need, []mixing.Measure{{DisplayName: "measure", Capacity: c, Graduation: g}})
		if err != nil {
			return
		}
		order, err := portion.Amount.Exact().Compare(need)
		require.NoError(t, err)
		require.LessOrEqual(t, order, 0)
	})
}
