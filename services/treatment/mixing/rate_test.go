package mixing_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
	"velamen/services/treatment/mixing"
)

const (
	solid  = productsv1.ProductForm_PRODUCT_FORM_SOLID
	liquid = productsv1.ProductForm_PRODUCT_FORM_LIQUID
)

// exact reads "12.5 mL" or "1/3 gal".
func exact(t testing.TB, text string) quantity.Exact {
	t.Helper()
	for i := range text {
		if text[i] != ' ' {
			continue
		}
		amount, ok := new(big.Rat).SetString(text[:i])
		require.True(t, ok, text)
		return quantity.ExactOf(amount, quantity.Unit(text[i+1:]))
	}
	require.Fail(t, "no amount and unit", text)
	return quantity.Exact{}
}

// some reads a quantity; "" is none.
func some(t testing.TB, text string) quantity.Quantity {
	t.Helper()
	if text == "" {
		return quantity.Quantity{}
	}
	q, err := quantity.Parse(text)
	require.NoError(t, err)
	return q
}

// basis reads what is not empty.
func basis(t testing.TB, water, area string, plants int64) mixing.Basis {
	t.Helper()
	b := mixing.Basis{Plants: plants}
	if water != "" {
		b.Water = exact(t, water)
	}
	if area != "" {
		b.Area = exact(t, area)
	}
	return b
}

// product has one active ingredient of a content such as "250 g/kg".
func product(t testing.TB, form productsv1.ProductForm, contents ...string) mixing.Product {
	t.Helper()
	p := mixing.Product{ID: "p", DisplayName: "Product", Form: form}
	for _, content := range contents {
		p.Contents = append(p.Contents, mixing.Content{ActiveIngredient: "active", Amount: some(t, content)})
	}
	return p
}

// equal requires two exact amounts to be the same to the last fraction.
func equal(t testing.TB, want, got quantity.Exact) {
	t.Helper()
	order, err := want.Compare(got)
	require.NoError(t, err)
	require.Zero(t, order, "want %s, got %s", want, got)
}

// near requires an amount to be within a tolerance of a published one.
func near(t testing.TB, want, tolerance string, got quantity.Exact) {
	t.Helper()
	w := exact(t, want)
	same, err := got.In(w.Unit())
	require.NoError(t, err)
	difference := new(big.Rat).Sub(same.Amount(), w.Amount())
	allowed, ok := new(big.Rat).SetString(tolerance)
	require.True(t, ok)
	require.LessOrEqual(t, difference.Abs(difference).Cmp(allowed), 0, "want %s within %s, got %s", want, tolerance, same)
}

func TestAmountForEveryBasis(t *testing.T) {
	for _, test := range []struct {
		name, rate  string
		form        productsv1.ProductForm
		content     string
		water, area string
		plants      int64
		want        string
	}{
		{"mass per litre", "2 g/L", solid, "500 g/kg", "15 L", "", 0, "30 g"},
		{"mass per 100 litres", "150 g/100 L", solid, "500 g/kg", "40 L", "", 0, "60 g"},
		{"volume per gallon", "1 tsp/gal", liquid, "250 g/L", "6 gal", "", 0, "6 tsp"},
		{"volume per 100 gallons", "12 fl oz/100 gal", liquid, "250 g/L", "25 gal", "", 0, "3 fl oz"},
		{"pounds per 100 gallons in litres", "1 lb/100 gal", solid, "500 g/kg", "378.5411784 L", "", 0, "1 lb"},
		{"per hectare", "2.5 kg/ha", solid, "800 g/kg", "", "400 m2", 0, "0.1 kg"},
		{"per acre", "3 pt/acre", liquid, "250 g/L", "", "21780 ft2", 0, "1.5 pt"},
		{"per 1000 square feet", "1.5 oz/1000 ft2", solid, "250 g/kg", "", "4000 ft2", 0, "6 oz"},
		{"per pot", "2 mL/pot", liquid, "250 g/L", "", "", 150, "300 mL"},
		{"per plant", "0.25 g/plant", solid, "250 g/kg", "", "", 150, "37.5 g"},
		{"per 100 pots", "1 fl oz/100 pot", liquid, "250 g/L", "", "", 250, "2.5 fl oz"},
		{"share of the mix", "0.5 %", liquid, "250 g/L", "100 L", "", 0, "500 mL"},
		{"ppm of a powder", "150 ppm", solid, "500 g/kg", "10 L", "", 0, "3 g"},
		{"ppm of a liquid", "150 ppm", liquid, "250 g/L", "10 L", "", 0, "6 mL"},
		{"ppm of a US liquid", "100 ppm", liquid, "2 lb/gal", "1 gal", "", 0, "14329342374446062656/9071847400000000000 mL"},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := mixing.AmountFor(some(t, test.rate), product(t, test.form, test.content), basis(t, test.water, test.area, test.plants))
			require.NoError(t, err)
			equal(t, exact(t, test.want), got)
		})
	}
}

func TestARateThatDoesNotGoWithTheProductIsRefused(t *testing.T) {
	full := basis(t, "10 L", "20 m2", 30)
	two := product(t, solid, "250 g/kg", "100 g/kg")
	for _, test := range []struct {
		name, rate string
		product    mixing.Product
		basis      mixing.Basis
		says       string
	}{
		{"a mass of a liquid", "2 g/L", product(t, liquid, "250 g/L"), full, "measured by volume, so that its rate is a volume, not g"},
		{"ounces of a liquid", "2 oz/gal", product(t, liquid, "250 g/L"), full, "oz is a weight; write fl oz"},
		{"a volume of a solid", "2 mL/L", product(t, solid, "250 g/kg"), full, "is weighed"},
		{"a share of a solid", "0.5 %", product(t, solid, "250 g/kg"), full, "% is volume in volume"},
		{"ppm of two active ingredients", "100 ppm", two, full, "holds 2 active ingredients"},
		{"ppm of none", "100 ppm", product(t, solid), full, "no active ingredient entered"},
		{"ppm at a content of zero", "100 ppm", product(t, solid, "0 g/kg"), full, "content of Product must be above zero"},
		{"ppm with a liquid's content by mass", "100 ppm", product(t, liquid, "250 g/kg"), full, "must be given in g/L"},
		{"per area without an area", "2 kg/ha", product(t, solid, "250 g/kg"), basis(t, "10 L", "", 3), "needs the area to treat"},
		{"per pot without pots", "2 g/pot", product(t, solid, "250 g/kg"), basis(t, "10 L", "3 m2", 0), "needs the number of plants"},
		{"in the water without a volume", "2 g/L", product(t, solid, "250 g/kg"), basis(t, "", "3 m2", 3), "needs the volume of mix"},
		{"a share without a volume", "1 %", product(t, liquid, "250 g/L"), basis(t, "", "3 m2", 3), "needs the volume of mix"},
		{"ppm without a volume", "1 ppm", product(t, liquid, "250 g/L"), basis(t, "", "3 m2", 3), "needs the volume of mix"},
		{"zero", "0 g/L", product(t, solid, "250 g/kg"), full, "must be above zero"},
		{"below zero", "-1 g/L", product(t, solid, "250 g/kg"), full, "must be above zero"},
		{"no rate", "5 g", product(t, solid, "250 g/kg"), full, "is not a rate"},
		{"per time", "5 g/min", product(t, solid, "250 g/kg"), full, "must be per volume, area, pot or plant"},
		{"an area per volume", "5 m2/L", product(t, solid, "250 g/kg"), full, "no amount of a product"},
		{"a form that is not entered", "5 g/L", product(t, 0, "250 g/kg"), full, "is not entered"},
		{"ppm of a form that is not entered", "5 ppm", product(t, 0, "250 g/kg"), full, "is not entered"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := mixing.AmountFor(some(t, test.rate), test.product, test.basis)
			require.ErrorContains(t, err, test.says)
		})
	}
}

func TestTheVolumeOfMixOfAWaterRate(t *testing.T) {
	for _, test := range []struct {
		rate, area string
		plants     int64
		want       string
	}{
		{"1000 L/ha", "250 m2", 0, "25 L"},
		{"0.2 L/m2", "1076.391041670972 ft2", 0, "20 L"},
		{"2 qt/100 ft2", "1000 ft2", 0, "20 qt"},
		{"100 gal/acre", "0.5 acre", 0, "50 gal"},
		{"150 mL/pot", "", 200, "30000 mL"},
		{"4 fl oz/plant", "", 32, "1 gal"},
	} {
		t.Run(test.rate, func(t *testing.T) {
			got, err := mixing.VolumeFor(some(t, test.rate), basis(t, "", test.area, test.plants))
			require.NoError(t, err)
			near(t, test.want, "0.000001", got)
		})
	}
	for _, test := range []struct{ rate, says string }{
		{"2 g/m2", "no volume of water"}, {"2 mL/L", "no volume of water"}, {"2 L", "no volume of water"}, {"2 %", "no volume of water"},
		{"0 L/m2", "above zero"}, {"100 L/ha", "needs the area"}, {"100 mL/pot", "needs the number of plants"},
	} {
		t.Run(test.rate, func(t *testing.T) {
			_, err := mixing.VolumeFor(some(t, test.rate), basis(t, "1 L", "", 0))
			require.ErrorContains(t, err, test.says)
		})
	}
}

func TestConvertBetweenBases(t *testing.T) {
	for _, test := range []struct {
		name, rate, to string
		form           productsv1.ProductForm
		content, water string
		want           string
	}{
		{"per area into per volume", "2 kg/ha", "g/L", solid, "500 g/kg", "1000 L/ha", "2 g/L"},
		{"per volume into per area", "0.5 mL/L", "L/ha", liquid, "500 g/L", "0.2 L/m2", "1 L/ha"},
		{"per pot into per volume", "0.2 mL/pot", "mL/L", liquid, "500 g/L", "100 mL/pot", "2 mL/L"},
		{"per volume into ppm", "0.5 mL/L", "ppm", liquid, "250 g/L", "", "125 ppm"},
		{"ppm into per volume", "125 ppm", "mL/L", liquid, "250 g/L", "", "0.5 mL/L"},
		{"share into per volume", "0.25 %", "mL/L", liquid, "250 g/L", "", "2.5 mL/L"},
		{"fl oz per 100 gal into a share", "128 fl oz/100 gal", "%", liquid, "250 g/L", "", "1 %"},
		{"per hectare into per 100 square metres without water", "5 kg/ha", "g/100 m2", solid, "250 g/kg", "", "50 g/100 m2"},
		{"per pot into per 100 pots without water", "2 mL/pot", "mL/100 pot", liquid, "250 g/L", "", "200 mL/100 pot"},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := mixing.Convert(exact(t, test.rate), quantity.Unit(test.to), product(t, test.form, test.content), some(t, test.water))
			require.NoError(t, err)
			equal(t, exact(t, test.want), got)
		})
	}
	_, err := mixing.Convert(exact(t, "2 kg/ha"), quantity.GramPerLitre, product(t, solid, "500 g/kg"), quantity.Quantity{})
	require.ErrorContains(t, err, "needs the volume of mix")
	_, err = mixing.Convert(exact(t, "2 kg/ha"), "g/pot", product(t, solid, "500 g/kg"), some(t, "100 L/ha"))
	require.ErrorContains(t, err, "needs the number of plants")
	_, err = mixing.Convert(exact(t, "2 kg/ha"), quantity.GramPerLitre, product(t, solid, "500 g/kg"), some(t, "100 L"))
	require.Error(t, err)
}

func TestConversionsRoundTripExactly(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 1959))
	solidUnits := []quantity.Unit{"g/L", "g/100 L", "oz/gal", "lb/100 gal", "kg/ha", "g/m2", "oz/1000 ft2", "lb/acre", "ppm"}
	liquidUnits := []quantity.Unit{"mL/L", "mL/100 L", "fl oz/gal", "fl oz/100 gal", "tsp/gal", "L/ha", "pt/acre", "fl oz/1000 ft2", "ppm", "%"}
	waters := []string{"1000 L/ha", "0.2 L/m2", "65 gal/acre", "2 qt/100 ft2", "333.333333 L/ha"}
	for range 2000 {
		p, units := product(t, solid, "333.333 g/kg"), solidUnits
		if random.IntN(2) == 0 {
			p, units = product(t, liquid, "2 lb/gal"), liquidUnits
		}
		from, to := units[random.IntN(len(units))], units[random.IntN(len(units))]
		water := some(t, waters[random.IntN(len(waters))])
		start := quantity.ExactOf(big.NewRat(1+random.Int64N(1_000_000), 1+random.Int64N(1_000)), from)
		there, err := mixing.Convert(start, to, p, water)
		require.NoError(t, err)
		back, err := mixing.Convert(there, from, p, water)
		require.NoError(t, err)
		require.Zero(t, start.Amount().Cmp(back.Amount()), "%s in %s and back is %s", start, to, back)
	}
}

func FuzzAmountForNeverPanicsAndNeverReturnsNothing(f *testing.F) {
	for _, seed := range []string{"2 g/L", "1.5 fl oz/100 gal", "150 ppm", "0.5 %", "-1 mL/pot", "0 kg/ha", "2 g/g", "1 Cel/L", "3 pt/acre"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rate, err := quantity.Parse(text)
		if err != nil {
			return
		}
		for _, p := range []mixing.Product{product(t, solid, "500 g/kg"), product(t, liquid, "500 g/L")} {
			amount, err := mixing.AmountFor(rate, p, basis(t, "10 L", "20 m2", 30))
			if err == nil {
				require.Positive(t, amount.Sign(), text)
			}
		}
	})
}
