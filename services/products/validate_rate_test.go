package products

import (
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

const (
	solidForm  = productsv1.ProductForm_PRODUCT_FORM_SOLID
	liquidForm = productsv1.ProductForm_PRODUCT_FORM_LIQUID
	spray      = productsv1.Method_METHOD_SPRAY
	drench     = productsv1.Method_METHOD_DRENCH
	bath       = productsv1.Method_METHOD_BATH
)

func TestRatesThatLabelsGive(t *testing.T) {
	for _, test := range []struct {
		form   productsv1.ProductForm
		method productsv1.Method
		rate   string
	}{
		{solidForm, spray, "1.5 g/L"}, {solidForm, spray, "150 g/100 L"}, {solidForm, spray, "500 mg/L"},
		{solidForm, spray, "1.5 lb/100 gal"}, {solidForm, spray, "0.5 oz/gal"}, {solidForm, spray, "2 kg/ha"},
		{solidForm, spray, "0.2 g/m2"}, {solidForm, spray, "20 g/100 m2"}, {solidForm, spray, "3 oz/1000 ft2"},
		{solidForm, spray, "2 lb/acre"}, {solidForm, drench, "0.1 g/pot"}, {solidForm, drench, "0.1 g/plant"},
		{solidForm, spray, "150 ppm"}, {solidForm, bath, "150 ppm"}, {solidForm, bath, "1 g/L"},
		{liquidForm, spray, "1.5 mL/L"}, {liquidForm, spray, "6 fl oz/100 gal"}, {liquidForm, spray, "1 tsp/gal"},
		{liquidForm, spray, "2 tbsp/gal"}, {liquidForm, spray, "3 pt/acre"}, {liquidForm, spray, "1 qt/acre"},
		{liquidForm, spray, "1 gal/acre"}, {liquidForm, spray, "2 L/ha"}, {liquidForm, spray, "1 fl oz/1000 ft2"},
		{liquidForm, drench, "5 mL/pot"}, {liquidForm, bath, "0.5 %"}, {liquidForm, bath, "2 mL/L"}, {liquidForm, spray, "100 %"},
	} {
		t.Run(test.rate, func(t *testing.T) {
			q, err := quantity.Parse(test.rate)
			require.NoError(t, err)
			require.NoError(t, checkRate(test.form, 1, test.method, q))
		})
	}
}

func TestRatesThatNoLabelCanMean(t *testing.T) {
	for _, test := range []struct {
		name    string
		form    productsv1.ProductForm
		actives int
		method  productsv1.Method
		rate    string
		rule    string
	}{
		{"a mass of a liquid", liquidForm, 1, spray, "1 g/L", "its density is not known"},
		{"a mass of a liquid per area", liquidForm, 1, spray, "1 kg/ha", "its density is not known"},
		{"a volume of a solid", solidForm, 1, spray, "1 mL/L", "a solid is weighed"},
		{"a share of a solid", solidForm, 1, spray, "1 %", "volume in volume"},
		{"more than all", liquidForm, 1, spray, "100.1 %", "must not be above 100 %"},
		{"ppm of a mixture", liquidForm, 2, spray, "150 ppm", "of which?"},
		{"nothing", liquidForm, 1, spray, "0 mL/L", "must be above 0 mL/L"},
		{"less than nothing", solidForm, 1, spray, "-1 g/L", "must be above 0 g/L"},
		{"zero ppm", solidForm, 1, spray, "0 ppm", "must be above 0 ppm"},
		{"more than a million parts in a million", liquidForm, 1, spray, "1000000.5 ppm", "must not be above 1000000 ppm"},
		{"no basis", solidForm, 1, spray, "1 g", "is not a rate"},
		{"per hour", solidForm, 1, spray, "1 g/h", "not per \"h\""},
		{"per kilogram", solidForm, 1, spray, "1 g/kg", "not per \"kg\""},
		{"per millilitre", solidForm, 1, spray, "1 g/mL", "not per \"mL\""},
		{"per 10 ha", solidForm, 1, spray, "1 kg/10 ha", "per one ha"},
		{"per 100 pots", liquidForm, 1, drench, "1 mL/100 pot", "per one pot"},
		{"a length", liquidForm, 1, spray, "1 cm/L", "measured out in"},
		{"cubic metres", liquidForm, 1, spray, "1 m3/ha", "measured out in"},
		{"a bath per area", solidForm, 1, bath, "1 kg/ha", "a bath has a volume of water"},
		{"a bath per pot", liquidForm, 1, bath, "1 mL/pot", "a bath has a volume of water"},
	} {
		t.Run(test.name, func(t *testing.T) {
			q, err := quantity.Parse(test.rate)
			require.NoError(t, err)
			require.ErrorContains(t, checkRate(test.form, test.actives, test.method, q), test.rule)
		})
	}
}

func TestWaterIsAVolumePerAreaPotOrPlant(t *testing.T) {
	for text, good := range map[string]bool{
		"1000 L/ha": true, "0.1 L/m2": true, "100 gal/acre": true, "2 gal/1000 ft2": true, "50 mL/pot": true, "50 mL/plant": true,
		"0 L/ha": false, "1 kg/ha": false, "1 L/L": false, "1 L": false, "1 %": false, "1 L/10 ha": false, "1 L/h": false,
	} {
		q, err := quantity.Parse(text)
		require.NoError(t, err, text)
		if good {
			require.NoError(t, checkWaterVolume(q), text)
			continue
		}
		require.Error(t, checkWaterVolume(q), text)
	}
}

func FuzzRate(f *testing.F) {
	for _, seed := range []string{"1.5 fl oz/100 gal", "2 g/L", "0.5 %", "150 ppm", "1 g/", "1 /L", "1e3 g/L", "1 g/0 L", " g/L", "1 g/L/L"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rate, err := quantity.ParseRate(text)
		if err != nil {
			return
		}
		again, err := quantity.ParseRate(rate.String())
		require.NoError(t, err, "what was read can be read again")
		require.Equal(t, rate.String(), again.String())
		for _, form := range []productsv1.ProductForm{solidForm, liquidForm} {
			for _, method := range []productsv1.Method{spray, drench, bath} {
				if checkRate(form, 1, method, rate.Quantity()) != nil {
					continue
				}
				require.True(t, rate.Amount.Positive())
				require.False(t, method == bath && !rate.Per.IsZero() && !quantity.Convertible(rate.Per.Unit, quantity.Litre))
			}
		}
	})
}
