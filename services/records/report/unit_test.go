package report

import (
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// NIST Special Publication 811, appendix B: the acre is 4 046.873 m2 of the survey foot
// and 43 560 ft2 of the international one, which the house uses. 7 CFR 110.3(b) sets
// the limit of a spot use at 1/10 acre.
func TestPublishedOneTenthOfAnAcre(t *testing.T) {
	tenth := quantity.Must("0.1", quantity.Acre)
	feet, err := tenth.In(quantity.SquareFoot)
	require.NoError(t, err)
	require.Equal(t, "4356 ft2", feet.String())
	metres, err := tenth.Exact().In(quantity.SquareMetre)
	require.NoError(t, err)
	require.Equal(t, "404.685642 m2", metres.Round().String())
	require.Equal(t, "404.7", metres.Amount().FloatString(1))
}

// The exact relations of NIST Special Publication 811, appendix B: ft2, acre, US
// gallon, fluid ounce, ounce and pound.
func TestPublishedUnitsAreConvertedExactly(t *testing.T) {
	for _, c := range []struct {
		amount string
		from   quantity.Unit
		to     quantity.Unit
		want   string
	}{
		{"10000", quantity.SquareFoot, quantity.SquareMetre, "929.0304 m2"},
		{"43560", quantity.SquareFoot, quantity.Acre, "1 acre"},
		{"1", quantity.Acre, quantity.Hectare, "0.404686 ha"},
		{"1000000", quantity.Acre, quantity.Hectare, "404685.64224 ha"},
		{"128", quantity.FluidOunce, quantity.Gallon, "1 gal"},
		{"1", quantity.Gallon, quantity.Litre, "3.785412 L"},
		{"1000", quantity.Gallon, quantity.Litre, "3785.411784 L"},
		{"16", quantity.Ounce, quantity.Pound, "1 lb"},
		{"100", quantity.Pound, quantity.Kilogram, "45.359237 kg"},
		{"1000", quantity.Ounce, quantity.Gram, "28349.523125 g"},
	} {
		got, _, fits := inUnits(quantity.Must(c.amount, c.from), []UnitCode{{Unit: c.to, Code: "x"}})
		require.True(t, fits)
		require.Equal(t, c.want, got.String())
	}
}

// Units of the state's use data, from memory: LB, OZ, PT, QT, GA for products; A acres,
// S square feet, C cubic feet, U other for what is treated.
func TestPublishedUnitCodesOfTheCaliforniaUseReport(t *testing.T) {
	kind := kindOf(t, "us-ca-monthly-use")
	units := func(fact string) []UnitCode {
		for _, field := range kind.Fields {
			if field.Fact == fact {
				return field.Units
			}
		}
		return nil
	}
	for _, c := range []struct {
		fact, amount string
		unit         quantity.Unit
		want, code   string
	}{
		{"amount", "3", quantity.Pound, "3", "LB"},
		{"amount", "3", quantity.Ounce, "3", "OZ"},
		{"amount", "2", quantity.Quart, "2", "QT"},
		{"amount", "1", quantity.Gallon, "1", "GA"},
		{"amount", "3", quantity.FluidOunce, "0.1875", "PT"},
		{"amount", "25", quantity.Gram, "0.881849", "OZ"},
		{"amount", "40", quantity.Kilogram, "88.184905", "LB"},
		{"amount", "20", quantity.Litre, "5.283441", "GA"},
		{"treated", "0.5", quantity.Acre, "0.5", "A"},
		{"treated", "300", quantity.SquareFoot, "300", "S"},
		{"treated", "1000", quantity.CubicFoot, "1000", "C"},
		{"treated", "9.290304", quantity.SquareMetre, "100", "S"},
		{"treated", "1", quantity.Hectare, "2.471054", "A"},
		{"treated", "400", quantity.Pot, "400", "U"},
		{"planted", "400", quantity.Plant, "400", "U"},
	} {
		got, code, fits := inUnits(quantity.Must(c.amount, c.unit), units(c.fact))
		require.True(t, fits)
		require.Equal(t, c.want+" "+c.code, got.Plain()+" "+code, "%s %s", c.amount, c.unit)
	}
	_, _, fits := inUnits(quantity.Must("1", quantity.Hour), units("amount"))
	require.False(t, fits)
}

func TestAnAmountInAnotherUnitShowsWhatWasRecorded(t *testing.T) {
	document, _ := march(t, "us-ca-monthly-use")
	cell := cellOf(t, document.Uses, 1, "amount")
	require.Equal(t, Cell{State: StateGiven, Text: "0.881849 OZ (recorded: 25 g)", Amount: "0.881849", Unit: "OZ", Recorded: "25 g"}, cell)
}
