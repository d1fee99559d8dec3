package mixing_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/treatment/mixing"
)

func TestMeasureOut(t *testing.T) {
	jug, syringe := measure(t, "jug", "1 L", "20 mL"), measure(t, "syringe", "20 mL", "0.5 mL")
	cup, spoon := measure(t, "cup", "8 fl oz", "1 fl oz"), measure(t, "spoon", "1 tbsp", "0.5 tsp")
	for _, test := range []struct {
		name     string
		need     string
		measures []mixing.Measure
		want     string
		fillings string
	}{
		{"one measure to a mark", "340 mL", []mixing.Measure{jug, syringe}, "340 mL", "jug 1 x 340 mL; "},
		{"a coarse and a fine one", "1234.7 mL", []mixing.Measure{jug, syringe}, "1234.5 mL", "jug 1 x 1000 mL; jug 1 x 220 mL; syringe 1 x 14.5 mL; "},
		{"the fine one alone where it is less work", "17 mL", []mixing.Measure{jug, syringe}, "17 mL", "syringe 1 x 17 mL; "},
		{"several times", "3 L", []mixing.Measure{jug}, "3000 mL", "jug 3 x 1000 mL; "},
		{"litres in US measures, in the smaller unit", "250 mL", []mixing.Measure{cup, spoon}, "50.5 tsp", "cup 1 x 8 fl oz; spoon 1 x 2.5 tsp; "},
		{"systems are not mixed in one amount", "1234.7 mL", []mixing.Measure{jug, spoon}, "1220 mL", "jug 1 x 1000 mL; jug 1 x 220 mL; "},
		{"without measures, to a plain decimal", "100/3 g", nil, "33.3 g", ""},
		{"without measures, of a small amount", "1/300 g", nil, "0.00333 g", ""},
		{"without measures, pounds in ounces", "0.5 lb", nil, "8 oz", ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			got, err := mixing.MeasureOut(exact(t, test.need), test.measures)
			require.NoError(t, err)
			text := ""
			for _, filling := range got.Fillings {
				text += fmt.Sprintf("%s %d x %s; ", filling.Measure, filling.Times, filling.Amount)
			}
			require.Equal(t, test.want, got.Amount.String())
			require.Equal(t, test.fillings, text)
			all, err := got.Lost.Add(got.Amount.Exact())
			require.NoError(t, err)
			equal(t, exact(t, test.need), all)
		})
	}
	_, err := mixing.MeasureOut(exact(t, "1/100000000 g"), nil)
	require.ErrorContains(t, err, "too little")
	_, err = mixing.MeasureOut(exact(t, "1 mL"), []mixing.Measure{measure(t, "scales", "1 kg", "1 g")})
	require.ErrorContains(t, err, "no jug")
}

func TestResidueAfterRinsing(t *testing.T) {
	got, err := mixing.ResidueShare(exact(t, "1 L"), exact(t, "9 L"), 3)
	require.NoError(t, err)
	require.Equal(t, "1/1000", got.String())
	got, err = mixing.ResidueShare(exact(t, "500 mL"), exact(t, "1 L"), 2)
	require.NoError(t, err)
	require.Equal(t, "1/9", got.String())
	got, err = mixing.ResidueShare(exact(t, "500 mL"), exact(t, "1 L"), 0)
	require.NoError(t, err)
	require.Equal(t, "1/1", got.String())
	_, err = mixing.ResidueShare(exact(t, "0 L"), exact(t, "1 L"), 3)
	require.Error(t, err)
	_, err = mixing.ResidueShare(exact(t, "1 L"), exact(t, "1 kg"), 3)
	require.Error(t, err)
}

// Every formulation of the contract has a place in the order or is spread dry, so
// that a new one is not forgotten.
func TestEveryFormulationHasAPlace(t *testing.T) {
	for number := range productsv1.Formulation_name {
		formulation := productsv1.Formulation(number)
		_, known := mixing.Order([]mixing.Product{{Formulation: formulation}, {Formulation: formulation}})
		unspecified := formulation == productsv1.Formulation_FORMULATION_UNSPECIFIED
		require.Equal(t, !unspecified && !mixing.SpreadDry(formulation), known, formulation)
	}
}
