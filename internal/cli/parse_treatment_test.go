package cli

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	typev1 "velamen/gen/velamen/type/v1"
)

func q(amount, unit string) *typev1.Quantity { return &typev1.Quantity{Amount: amount, Unit: unit} }

func requireQuantity(t testing.TB, want, got *typev1.Quantity) {
	t.Helper()
	require.True(t, proto.Equal(want, got), "want %v, got %v", want, got)
}

func TestUSUnitsAndRates(t *testing.T) {
	for _, test := range []struct {
		typed string
		want  *typev1.Quantity
	}{
		{"8floz", q("8", "fl oz")},
		{"8 fl oz", q("8", "fl oz")},
		{"8 fl   oz", q("8", "fl oz")},
		{"0.5lb", q("0.5", "lb")},
		{"2gal", q("2", "gal")},
		{"3 tbsp", q("3", "tbsp")},
		{"900ft2", q("900", "ft2")},
		{"1.5floz/100gal", q("1.5", "fl oz/100 gal")},
		{"1.5 fl oz / 100 gal", q("1.5", "fl oz/100 gal")},
		{"1.5 fl oz/100gal", q("1.5", "fl oz/100 gal")},
		{"0.9floz/min", q("0.9", "fl oz/min")},
		{"2lb/acre", q("2", "lb/acre")},
		{"2gal/1000 ft2", q("2", "gal/1000 ft2")},
		{"0.2 L/m2", q("0.2", "L/m2")},
		{"100mL/pot", q("100", "mL/pot")},
		{"0.5%", q("0.5", "%")},
		{"150 ppm", q("150", "ppm")},
	} {
		t.Run(test.typed, func(t *testing.T) {
			got, err := parseQuantity(test.typed)
			require.NoError(t, err)
			requireQuantity(t, test.want, got)
		})
	}
	for _, typed := range []string{"8 f l o z", "8 oz fl", "1g/", "1g/100", "1/100gal", "1g/0gal", "1g/-5gal", "1g/1.5L", "1g/L/h", "8FLOZ"} {
		t.Run("refused "+typed, func(t *testing.T) {
			_, err := parseQuantity(typed)
			require.Error(t, err)
		})
	}
}

func TestProductUseNamesItsContainer(t *testing.T) {
	for _, test := range []struct {
		typed, product, container string
		amount                    *typev1.Quantity
	}{
		{"topspray=20g", "topspray", "", q("20", "g")},
		{"topspray=20g@bag-7", "topspray", "bag-7", q("20", "g")},
		{"rootguard = 8 fl oz @ jug-2", "rootguard", "jug-2", q("8", "fl oz")},
		{"topspray=20g@topspray/bag-7", "topspray", "topspray/bag-7", q("20", "g")},
	} {
		t.Run(test.typed, func(t *testing.T) {
			use, err := parseProductUse(test.typed)
			require.NoError(t, err)
			require.Equal(t, test.product, use.GetProduct())
			require.Equal(t, test.container, use.GetContainer())
			requireQuantity(t, test.amount, use.GetAmount())
		})
	}
	for _, typed := range []string{"topspray=20g@", "topspray=@bag-7", "topspray@bag-7", "=20g@bag-7", "topspray=20@bag-7"} {
		t.Run("refused "+typed, func(t *testing.T) {
			_, err := parseProductUse(typed)
			require.Error(t, err)
		})
	}
}

func TestOverride(t *testing.T) {
	override, err := parseOverride("rotation-return = no other product is registered, a=b")
	require.NoError(t, err)
	require.Equal(t, "rotation-return", override.GetRule())
	require.Equal(t, "no other product is registered, a=b", override.GetNote())
	for _, typed := range []string{"", "rotation-return", "rotation-return=", "rotation-return=  ", "=why"} {
		_, err := parseOverride(typed)
		require.ErrorContains(t, err, "RULE=REASON", typed)
	}
}

func FuzzOverride(f *testing.F) {
	f.Add("rotation-return=no other")
	f.Add("==")
	f.Fuzz(func(t *testing.T, typed string) {
		override, err := parseOverride(typed)
		if err == nil {
			require.NotEmpty(t, override.GetRule())
			require.NotEmpty(t, override.GetNote())
		}
	})
}

func TestYesNo(t *testing.T) {
	yes, err := parseYesNo("yes")
	require.NoError(t, err)
	require.True(t, *yes)
	no, err := parseYesNo("no")
	require.NoError(t, err)
	require.False(t, *no)
	for _, typed := range []string{"", "true", "Yes", "perhaps"} {
		answer, err := parseYesNo(typed)
		require.ErrorContains(t, err, "neither yes nor no", typed)
		require.Nil(t, answer, "what cannot be read is not said")
	}
}

func TestMixProduct(t *testing.T) {
	for _, test := range []struct {
		typed, product string
		rate           *typev1.Quantity
	}{
		{"topspray", "topspray", nil},
		{" topspray ", "topspray", nil},
		{"topspray=1.2g/L", "topspray", q("1.2", "g/L")},
		{"copperflow=1.5 fl oz/100 gal", "copperflow", q("1.5", "fl oz/100 gal")},
		{"topspray=150ppm", "topspray", q("150", "ppm")},
	} {
		t.Run(test.typed, func(t *testing.T) {
			product, err := parseMixProduct(test.typed)
			require.NoError(t, err)
			require.Equal(t, test.product, product.GetProduct())
			requireQuantity(t, test.rate, product.GetRate())
		})
	}
	for _, typed := range []string{"", " ", "=1g/L", "topspray=", "topspray=1", "topspray=strong"} {
		_, err := parseMixProduct(typed)
		require.Error(t, err, typed)
	}
}

func FuzzMixProduct(f *testing.F) {
	for _, seed := range []string{"topspray", "topspray=1.2g/L", "a==", "a=1floz/100gal"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, typed string) {
		product, err := parseMixProduct(typed)
		if err != nil {
			return
		}
		require.NotEmpty(t, product.GetProduct())
		if rate := product.GetRate(); rate != nil {
			again, err := parseQuantity(rate.GetAmount() + rate.GetUnit())
			require.NoError(t, err)
			requireQuantity(t, rate, again)
		}
	})
}

func TestMeasure(t *testing.T) {
	for _, test := range []struct {
		typed, name          string
		capacity, graduation *typev1.Quantity
	}{
		{"jug=1L/10mL", "jug", q("1", "L"), q("10", "mL")},
		{"big jug = 1 gal / 2 fl oz", "big jug", q("1", "gal"), q("2", "fl oz")},
		{"scales=2kg/1g", "scales", q("2", "kg"), q("1", "g")},
	} {
		t.Run(test.typed, func(t *testing.T) {
			measure, err := parseMeasure(test.typed)
			require.NoError(t, err)
			require.Equal(t, test.name, measure.GetDisplayName())
			requireQuantity(t, test.capacity, measure.GetCapacity())
			requireQuantity(t, test.graduation, measure.GetGraduation())
		})
	}
	for _, typed := range []string{"jug", "=1L/10mL", "jug=1L", "jug=1L/", "jug=/10mL", "jug=1L/10mL/2", "jug=1/10mL"} {
		_, err := parseMeasure(typed)
		require.ErrorContains(t, err, "jug=1L/10mL", typed)
	}
}

func TestCatchAndCourse(t *testing.T) {
	for _, typed := range []string{"450mL/30s", "450 mL/30 s", " 450 mL / 30 s "} {
		caught, err := parseCatch(typed)
		require.NoError(t, err)
		requireQuantity(t, q("450", "mL"), caught.GetCaught())
		requireQuantity(t, q("30", "s"), caught.GetDuration())
	}
	way, err := parseCourse("150ft/0.5min")
	require.NoError(t, err)
	requireQuantity(t, q("150", "ft"), way.length)
	requireQuantity(t, q("0.5", "min"), way.duration)
	for _, typed := range []string{"", "450mL", "450mL/", "/30s", "450mL/min", "450mL/30s/min", "450mL per 30s"} {
		_, err := parseCatch(typed)
		require.ErrorContains(t, err, "450mL/30s", typed)
		_, err = parseCourse(typed)
		require.ErrorContains(t, err, "50m/36s", typed)
	}
}

func FuzzPair(f *testing.F) {
	for _, seed := range []string{"450mL/30s", "15 fl oz/30 s", "1L/10mL", "//", "1g/1g/"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, typed string) {
		first, second, err := parsePair(typed, "1L/10mL")
		if err != nil {
			return
		}
		require.NotContains(t, first.GetUnit()+second.GetUnit(), "/", "neither is a rate")
		a, b, err := parsePair(amount(first)+"/"+amount(second), "1L/10mL")
		require.NoError(t, err)
		requireQuantity(t, first, a)
		requireQuantity(t, second, b)
	})
}
