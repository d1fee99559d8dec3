package products

import (
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

func TestActiveIn(t *testing.T) {
	for _, test := range []struct {
		amount  quantity.Quantity
		content quantity.Quantity
		want    string
	}{
		{quantity.Must("25", quantity.Gram), quantity.Must("500", quantity.GramPerKilogram), "12.5"},
		{quantity.Must("0.025", quantity.Kilogram), quantity.Must("500", quantity.GramPerKilogram), "12.5"},
		{quantity.Must("40", quantity.Millilitre), quantity.Must("125", quantity.GramPerLitre), "5"},
		{quantity.Must("0.04", quantity.Litre), quantity.Must("125", quantity.GramPerLitre), "5"},
		{quantity.Must("0.1", quantity.Gram), quantity.Must("0.3", quantity.GramPerKilogram), "0.00003"},
		{quantity.Must("0", quantity.Gram), quantity.Must("500", quantity.GramPerKilogram), "0"},
		// Half a microgram goes to the even neighbour, only after the exact product.
		{quantity.Must("0.000001", quantity.Gram), quantity.Must("500", quantity.GramPerKilogram), "0"},
		{quantity.Must("0.000003", quantity.Gram), quantity.Must("500", quantity.GramPerKilogram), "0.000002"},
	} {
		t.Run(test.amount.String()+" at "+test.content.String(), func(t *testing.T) {
			grams, err := ActiveIn(test.amount, test.content)
			require.NoError(t, err)
			require.Equal(t, quantity.Gram, grams.Unit)
			require.Equal(t, test.want, grams.Plain())
		})
	}
}

func TestActiveInRefuses(t *testing.T) {
	for name, test := range map[string]struct{ amount, content quantity.Quantity }{
		"a volume of a solid": {quantity.Must("1", quantity.Litre), quantity.Must("500", quantity.GramPerKilogram)},
		"a mass of a liquid":  {quantity.Must("1", quantity.Kilogram), quantity.Must("500", quantity.GramPerLitre)},
		"a unit of space":     {quantity.Must("1", quantity.CubicMetre), quantity.Must("500", quantity.GramPerLitre)},
		"a share as content":  {quantity.Must("1", quantity.Kilogram), quantity.Must("50", quantity.Percent)},
		"no quantity":         {quantity.Quantity{}, quantity.Must("500", quantity.GramPerLitre)},
		"more than a record holds": {
			quantity.Must("999999999999", quantity.Kilogram), quantity.Must("1000", quantity.GramPerKilogram),
		},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ActiveIn(test.amount, test.content)
			require.Error(t, err)
		})
	}
}

func TestAMixtureHoldsEachOfItsActives(t *testing.T) {
	product := Product{ID: "mix", Form: productsv1.ProductForm_PRODUCT_FORM_LIQUID, Contents: []Content{
		{ActiveIngredient: "epoxiconazole", Amount: quantity.Must("125", quantity.GramPerLitre)},
		{ActiveIngredient: "thiophanate-methyl", Amount: quantity.Must("310", quantity.GramPerLitre)},
	}}
	actives, err := product.ActivesIn(quantity.Must("20", quantity.Millilitre))
	require.NoError(t, err)
	require.Len(t, actives, 2)
	require.Equal(t, "3", actives[0].ActiveIngredient.FRACCode)
	require.Equal(t, "2.5 g", actives[0].Amount.String())
	require.Equal(t, "1", actives[1].ActiveIngredient.FRACCode)
	require.Equal(t, "6.2 g", actives[1].Amount.String())
}
