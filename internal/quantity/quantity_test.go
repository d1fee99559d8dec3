package quantity_test

import (
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
