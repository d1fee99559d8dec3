package quantity_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func TestConversionIsExact(t *testing.T) {
	for _, test := range []struct{ amount, from, to, want string }{
		{"1.5", "kg", "g", "1500"},
		{"250", "mL", "L", "0.25"},
		{"0.000001", "L", "mL", "0.001"},
		{"12345", "m2", "ha", "1.2345"},
		{"1.5", "h", "min", "90"},
		{"2", "m3", "L", "2000"},
		{"0.5", "L/m2", "mL/m2", "500"},
		{"0.1", "kg", "kg", "0.1"},
	} {
		t.Run(test.amount+" "+test.from+" in "+test.to, func(t *testing.T) {
			got, err := quantity.Must(test.amount, quantity.Unit(test.from)).In(quantity.Unit(test.to))
			require.NoError(t, err)
			require.Equal(t, test.want, got.Plain())
		})
	}
}

func TestUnitsOfDifferentThingsDoNotMix(t *testing.T) {
	grams, litres := quantity.Must("1", quantity.Gram), quantity.Must("1", quantity.Litre)
	_, err := grams.In(quantity.Litre)
	require.ErrorContains(t, err, "g cannot be given in L")
	_, err = grams.Add(litres)
	require.Error(t, err)
	_, err = grams.Compare(litres)
	require.Error(t, err)
}

func TestTenTenthsAreOne(t *testing.T) {
	sum := quantity.Must("0", quantity.Litre)
	for range 10 {
		var err error
		sum, err = sum.Add(quantity.Must("100", quantity.Millilitre))
		require.NoError(t, err)
	}
	order, err := sum.Compare(quantity.Must("1", quantity.Litre))
	require.NoError(t, err)
	require.Zero(t, order)
}

func TestNewRefuses(t *testing.T) {
	for name, test := range map[string]struct{ amount, unit string }{
		"empty":           {"", "g"},
		"an exponent":     {"1e3", "g"},
		"a bare point":    {".5", "g"},
		"a trailing dot":  {"5.", "g"},
		"a sign alone":    {"-", "g"},
		"a comma":         {"1,5", "g"},
		"seven places":    {"0.1234567", "g"},
		"thirteen digits": {"1234567890123", "g"},
		"an unknown unit": {"1", "pint"},
		"other digits":    {"١", "g"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := quantity.New(test.amount, quantity.Unit(test.unit))
			require.Error(t, err)
		})
	}
}

func FuzzNewAcceptsOnlyWhatItCanGiveBack(f *testing.F) {
	for _, seed := range []string{"1", "-0.5", "000.10", "999999999999.999999", "1e5", "0x1", " 1"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, amount string) {
		q, err := quantity.New(amount, quantity.Gram)
		if err != nil {
			return
		}
		again, err := quantity.New(q.Plain(), quantity.Gram)
		require.NoError(t, err)
		require.True(t, q.Amount.Equal(again.Amount))
		back, err := quantity.FromContract(q.Contract())
		require.NoError(t, err)
		require.True(t, q.Amount.Equal(back.Amount))
	})
}

// NIST Special Publication 811 (2008), appendix B.8: factors printed in bold are
// exact.
func TestPublishedConversionFactorsAreExact(t *testing.T) {
	for _, test := range []struct{ amount, from, to, want string }{
		{"1", "gal", "mL", "3785.411784"},
		{"1", "lb", "g", "453.59237"},
		{"1", "acre", "ft2", "43560"},
		{"1", "gal", "fl oz", "128"},
		{"1", "qt", "pt", "2"},
		{"1", "fl oz", "tbsp", "2"},
		{"1", "fl oz", "tsp", "6"},
		{"1", "lb", "oz", "16"},
		{"1", "mi", "ft", "5280"},
		{"1", "ft", "in", "12"},
		{"90", "s", "min", "1.5"},
		{"1", "km/h", "m/min", "16.666667"},
		{"100", "fl oz/100 gal", "fl oz/gal", "1"},
		{"1", "mi/h", "km/h", "1.609344"},
	} {
		t.Run(test.amount+" "+test.from+" in "+test.to, func(t *testing.T) {
			got, err := quantity.Must(test.amount, quantity.Unit(test.from)).In(quantity.Unit(test.to))
			require.NoError(t, err)
			require.Equal(t, test.want, got.Plain())
		})
	}
	acre, err := quantity.Must("1", quantity.Acre).Exact().In(quantity.SquareMetre)
	require.NoError(t, err)
	require.Equal(t, "4046.8564224", acre.Amount().FloatString(7))
	ounce, err := quantity.Must("1", quantity.FluidOunce).Exact().In(quantity.Millilitre)
	require.NoError(t, err)
	require.Equal(t, "29.5735295625", ounce.Amount().FloatString(10))
}

// Whatever is converted there and back is what it was, to the last digit.
func TestEveryConversionRoundTripsExactly(t *testing.T) {
	units := []quantity.Unit{
		"mg", "g", "kg", "oz", "lb", "mL", "L", "tsp", "tbsp", "fl oz", "pt", "qt", "gal", "m3", "ft3", "m2", "ha", "ft2", "acre",
		"cm", "m", "km", "in", "ft", "mi", "s", "min", "h", "d", "g/L", "oz/100 gal", "lb/gal", "mL/L", "fl oz/gal", "gal/acre", "L/ha",
		"g/kg", "fl oz/1000 ft2", "m3/h", "ft3/min", "km/h", "mi/h", "pot", "plant", "%", "ppm", "Cel",
	}
	random := rand.New(rand.NewPCG(1, 2))
	for _, from := range units {
		for _, to := range units {
			if !quantity.Convertible(from, to) {
				continue
			}
			q := quantity.ExactOf(big.NewRat(random.Int64N(1_000_000)+1, random.Int64N(1000)+1), from)
			there, err := q.In(to)
			require.NoError(t, err)
			back, err := there.In(from)
			require.NoError(t, err)
			require.Zero(t, q.Amount().Cmp(back.Amount()), "%s in %s and back", from, to)
		}
	}
}

func TestRoundingOfWhatIsMeasuredOut(t *testing.T) {
	third := quantity.ExactOf(big.NewRat(1, 3), quantity.Gram)
	require.Equal(t, "0.3 g", third.Floor(1).String())
	require.Equal(t, "0.4 g", third.Ceil(1).String())
	require.Equal(t, "0.333333 g", third.Round().String())
	half := quantity.ExactOf(big.NewRat(25, 10_000_000), quantity.Gram)
	require.Equal(t, "0.000002 g", half.Round().String(), "half to even")
	require.Equal(t, "-0.4 g", quantity.ExactOf(big.NewRat(-1, 3), quantity.Gram).Floor(1).String())
	require.Equal(t, "-0.3 g", quantity.ExactOf(big.NewRat(-1, 3), quantity.Gram).Ceil(1).String())
}

func TestRatesAreReadAsLabelsPrintThem(t *testing.T) {
	for _, test := range []struct{ text, amount, per string }{
		{"1.5 fl oz/100 gal", "1.5 fl oz", "100 gal"},
		{"2 g/L", "2 g", "1 L"},
		{"3 pt/acre", "3 pt", "1 acre"},
		{"0.5 %", "0.5 %", ""},
		{"150 ppm", "150 ppm", ""},
		{"5 mL/pot", "5 mL", "1 pot"},
		{"16 oz/1000 ft2", "16 oz", "1000 ft2"},
	} {
		t.Run(test.text, func(t *testing.T) {
			rate, err := quantity.ParseRate(test.text)
			require.NoError(t, err)
			require.Equal(t, test.amount, rate.Amount.String())
			require.Equal(t, test.per, rate.Per.String())
			require.Equal(t, test.text, rate.String())
		})
	}
}

func TestParseRateRefuses(t *testing.T) {
	for name, text := range map[string]string{
		"no unit":          "1.5",
		"no rate":          "1.5 fl oz",
		"no space":         "1.5fl oz/gal",
		"nothing below":    "1 g/",
		"nothing above":    "1 /L",
		"two strokes":      "1 g/L/ha",
		"an unknown unit":  "1 g/bucket",
		"per nought":       "1 g/0 L",
		"a leading nought": "1 g/010 L",
		"per one written":  "1 g/1 L",
		"a decimal basis":  "1 g/1.5 L",
		"too large":        "1 g/10000000 L",
	} {
		t.Run(name, func(t *testing.T) {
			_, err := quantity.ParseRate(text)
			require.Error(t, err)
		})
	}
}

func TestARateGivesTheAmountForItsBasis(t *testing.T) {
	rate, err := quantity.ParseRate("1.5 fl oz/100 gal")
	require.NoError(t, err)
	amount, err := rate.For(quantity.Must("50", quantity.Gallon).Exact())
	require.NoError(t, err)
	require.Equal(t, "0.75 fl oz", amount.String())
	_, err = rate.For(quantity.Must("50", quantity.SquareMetre).Exact())
	require.ErrorContains(t, err, "a rate per gal does not go with an amount in m2")
	share, err := quantity.ParseRate("0.5 %")
	require.NoError(t, err)
	_, err = share.For(quantity.Must("50", quantity.Litre).Exact())
	require.ErrorContains(t, err, "is no amount per L")
}

func FuzzParseRateGivesBackWhatItRead(f *testing.F) {
	for _, seed := range []string{"1.5 fl oz/100 gal", "2 g/L", "0.5 %", "1 g/1 L", "1 fl  oz/gal", "9 /", "1 g/99999999999999999999 L"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rate, err := quantity.ParseRate(text)
		if err != nil {
			return
		}
		again, err := quantity.ParseRate(rate.String())
		require.NoError(t, err)
		require.Equal(t, rate.String(), again.String())
		q := rate.Quantity()
		require.True(t, q.Unit.Known())
	})
}
