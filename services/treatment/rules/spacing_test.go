package rules_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/treatment/rules"
)

// of returns an application of products with one active ingredient each.
func of(actives ...string) func() rules.Application {
	return func() rules.Application {
		a := mix()
		for _, id := range actives {
			a.Treatments[0].Lines = append(a.Treatments[0].Lines, mix(product(id, id)).Treatments[0].Lines...)
		}
		return a
	}
}

// The marks and sources of the pairs stand in data/spacing.yaml.
func TestSpacing(t *testing.T) {
	for _, pair := range []struct {
		id, first, then string
		days            int
		free            string
	}{
		{"spacing-oil-lime-sulphur", "lime-sulphur", "paraffinic-oil", 30, "2026-07-14 10:00"},
		{"spacing-oil-lime-sulphur", "neem-oil", "lime-sulphur", 30, "2026-07-14 10:00"},
		{"spacing-oil-sulphur", "sulphur", "paraffinic-oil", 28, "2026-07-12 10:00"},
		{"spacing-oil-sulphur", "paraffinic-oil", "sulphur", 28, "2026-07-12 10:00"},
		{"spacing-oil-captan", "captan", "neem-oil", 12, "2026-06-26 10:00"},
		{"spacing-oil-chlorothalonil", "chlorothalonil", "neem-oil", 12, "2026-06-26 10:00"},
		{"spacing-oil-mancozeb", "mancozeb", "neem-oil", 12, "2026-06-26 10:00"},
		{"spacing-lime-sulphur-captan", "lime-sulphur", "captan", 14, "2026-06-28 10:00"},
		{"spacing-lime-sulphur-copper", "copper-hydroxide", "lime-sulphur", 14, "2026-06-28 10:00"},
		{"spacing-lime-sulphur-phosphite", "fosetyl-al", "lime-sulphur", 14, "2026-06-28 10:00"},
	} {
		specify(t, pair.id, true, []rule{
			{name: pair.then + " exactly after " + pair.first, of: of(pair.then), before: sprayed(pair.first, pair.days), want: "pass"},
			{name: pair.then + " the day after " + pair.first, of: of(pair.then), before: sprayed(pair.first, 1), want: "refuse", says: "lot p1", earliest: pair.free},
			{name: pair.then + " with " + pair.first, of: of(pair.then, pair.first), want: "refuse", says: "together"},
			{name: "neither", of: of("iprodione"), before: sprayed("mancozeb", 1), want: ""},
			{name: "entered late, before the other", of: of(pair.then), before: sprayed(pair.first, -pair.days-1), want: "pass"},
		})
	}
	specify(t, "spacing-bacillus-copper", true, []rule{
		{name: "the day before", of: of("bacillus-subtilis"), before: sprayed("copper-hydroxide", 1), want: "pass"},
		{name: "the same day", of: of("bacillus-subtilis"), before: rules.History{"p1": {past(at("2026-06-15 07:00"), "rust", fungus, "copper-hydroxide")}},
			want: "refuse", says: "on separate days", earliest: "2026-06-16 00:00"},
		{name: "a minute before midnight", of: of("bacillus-subtilis"), before: rules.History{"p1": {past(at("2026-06-14 23:59"), "rust", fungus, "copper-hydroxide")}}, want: "pass"},
	})
}

func TestWhatIsNeverMixed(t *testing.T) {
	for _, pair := range []struct {
		id, a, b    string
		outcome     string
		overridable bool
	}{
		{"mix-oil-sulphur", "neem-oil", "sulphur", "refuse", false},
		{"mix-oil-lime-sulphur", "paraffinic-oil", "lime-sulphur", "refuse", false},
		{"mix-oil-captan", "paraffinic-oil", "captan", "refuse", false},
		{"mix-lime-sulphur-acid", "lime-sulphur", "phosphorous-acid", "refuse", false},
		{"mix-lime-sulphur-acid", "fosetyl-al", "lime-sulphur", "refuse", false},
		{"mix-lime-sulphur-copper", "lime-sulphur", "copper-hydroxide", "refuse", false},
		{"mix-captan-alkaline", "captan", "lime-sulphur", "refuse", true},
		{"mix-captan-alkaline", "captan", "potassium-bicarbonate", "refuse", true},
		{"mix-thiophanate-methyl-alkaline", "thiophanate-methyl", "potassium-bicarbonate", "refuse", true},
		{"mix-copper-phosphite", "copper-hydroxide", "fosetyl-al", "refuse", true},
		{"mix-qoi-oil", "azoxystrobin", "neem-oil", "warn", true},
		{"mix-dmi-oil", "tebuconazole", "neem-oil", "warn", true},
	} {
		specify(t, pair.id, pair.overridable, []rule{
			{name: pair.a + " with " + pair.b, of: of(pair.a, pair.b), want: pair.outcome, says: "together"},
			{name: pair.a + " without", of: of(pair.a), want: "pass"},
			{name: "in separate houses", of: of(pair.a, pair.b), change: func(a *rules.Application) {
				second := a.Treatments[0]
				second.House, second.Lines = "south", a.Treatments[0].Lines[1:]
				a.Treatments[0].Lines = a.Treatments[0].Lines[:1]
				a.Treatments = append(a.Treatments, second)
				a.Lots[1].House = "south"
			}, want: "pass"},
		})
	}
	emulsifiable := func(a *rules.Application) {
		a.Treatments[0].Lines[1].Product.Formulation = productsv1.Formulation_FORMULATION_EC
	}
	specify(t, "mix-captan-solvent", true, []rule{
		{name: "an EC", of: of("captan", "tebuconazole"), change: emulsifiable, want: "refuse"},
		{name: "a WP", of: of("captan", "tebuconazole"), want: "pass"},
	})
}

// Oil and sulphur: Washington State University, 2 to 4 weeks apart in either order.
func TestPublishedOilAfterSulphur(t *testing.T) {
	v, _ := verdictOn(t, of("paraffinic-oil")(), sprayed("sulphur", 10), "spacing-oil-sulphur")
	require.Equal(t, rules.Refuse, v.Outcome)
	require.Equal(t, at("2026-07-03 10:00"), v.Earliest)
	v, _ = verdictOn(t, of("paraffinic-oil")(), sprayed("sulphur", 30), "spacing-oil-sulphur")
	require.Equal(t, rules.Pass, v.Outcome)
}

func TestWeather(t *testing.T) {
	degrees := func(temperature string) func(*rules.Application) {
		return func(a *rules.Application) { a.Conditions.Temperature = amount(temperature) }
	}
	unmeasured := func(a *rules.Application) { a.Conditions = rules.Conditions{} }
	specify(t, "weather-oil-temperature", true, []rule{
		{name: "no oil", want: ""},
		{name: "coldest", of: of("neem-oil"), change: degrees("10 Cel"), want: "pass"},
		{name: "too cold", of: of("neem-oil"), change: degrees("9.9 Cel"), want: "refuse"},
		{name: "hottest", of: of("neem-oil"), change: degrees("29 Cel"), want: "pass"},
		{name: "too hot", of: of("neem-oil"), change: degrees("29.1 Cel"), want: "refuse"},
		{name: "not measured", of: of("neem-oil"), change: unmeasured, want: "warn", says: "not measured"},
		{name: "a drench does not lie on leaves", of: of("neem-oil"), change: func(a *rules.Application) {
			degrees("40 Cel")(a)
			a.Method = productsv1.Method_METHOD_DRENCH
		}, want: ""},
	})
	specify(t, "weather-oil-never", false, []rule{
		{name: "freezing point", of: of("neem-oil"), change: degrees("0 Cel"), want: "pass"},
		{name: "frost", of: of("neem-oil"), change: degrees("-0.1 Cel"), want: "refuse"},
		{name: "38 Cel", of: of("neem-oil"), change: degrees("38 Cel"), want: "pass"},
		{name: "hotter", of: of("neem-oil"), change: degrees("38.1 Cel"), want: "refuse"},
	})
	specify(t, "weather-oil-humidity", true, []rule{
		{name: "90 %", of: of("neem-oil"), change: func(a *rules.Application) { a.Conditions.Humidity = amount("90 %") }, want: "pass"},
		{name: "more", of: of("neem-oil"), change: func(a *rules.Application) { a.Conditions.Humidity = amount("90.1 %") }, want: "warn", says: "above 90 %"},
		{name: "wet leaves", of: of("neem-oil"), change: func(a *rules.Application) { a.Conditions.WetFoliage = yes() }, want: "warn", says: "leaves are wet"},
		{name: "nobody said", of: of("neem-oil"), change: unmeasured, want: "warn", says: "not said"},
	})
	specify(t, "weather-sulphur-temperature", true, []rule{
		{name: "32 Cel", of: of("sulphur"), change: degrees("32 Cel"), want: "pass"},
		{name: "hotter", of: of("sulphur"), change: degrees("32.1 Cel"), want: "refuse"},
	})
	specify(t, "weather-lime-sulphur-temperature", true, []rule{
		{name: "29 Cel", of: of("lime-sulphur"), change: degrees("29 Cel"), want: "pass"},
		{name: "hotter", of: of("lime-sulphur"), change: degrees("29.1 Cel"), want: "refuse"},
	})
	sun := func(temperature string, sunlit *bool) func(*rules.Application) {
		return func(a *rules.Application) {
			a.Conditions.Temperature, a.Conditions.Sunlit = amount(temperature), sunlit
		}
	}
	specify(t, "weather-leaf-temperature", true, []rule{
		{name: "shade, 31.9 Cel", change: sun("31.9 Cel", no()), want: "pass"},
		{name: "shade, 32 Cel", change: sun("32 Cel", no()), want: "refuse"},
		{name: "sun, 23.9 Cel", change: sun("23.9 Cel", yes()), want: "pass"},
		{name: "sun, 24 Cel", change: sun("24 Cel", yes()), want: "refuse", says: "3 to 8 Cel hotter"},
		{name: "not said, 23.9 Cel", change: sun("23.9 Cel", nil), want: "pass"},
		{name: "not said, 24 Cel", change: sun("24 Cel", nil), want: "warn"},
		{name: "not measured", change: unmeasured, want: "warn"},
	})
	specify(t, "weather-copper-drying", true, []rule{
		{name: "warm and dry", of: of("copper-hydroxide"), want: "pass"},
		{name: "cool", of: of("copper-hydroxide"), change: degrees("14.9 Cel"), want: "warn"},
		{name: "damp", of: of("copper-hydroxide"), change: func(a *rules.Application) { a.Conditions.Humidity = amount("95 %") }, want: "warn"},
	})
}
