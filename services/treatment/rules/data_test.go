package rules

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/diagnosis"
	"velamen/services/products"
)

func TestRuleSetsAreWhole(t *testing.T) {
	set, err := parseRotation(rotationFile)
	require.NoError(t, err)
	for _, active := range products.ActiveIngredients() {
		group := GroupOf(active.FRACCode)
		limits, listed := set.groups[group]
		if !set.capped(group) {
			require.False(t, listed, group)
			continue
		}
		require.True(t, listed, "group %s of %s has no row", group, active.ID)
		risk := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(active.ResistanceRisk.String(), "RESISTANCE_RISK_")), "_", "-")
		require.Equal(t, risk, limits.Risk, "risk of group %s of %s", group, active.ID)
	}
	for code, limits := range set.groups {
		require.NotEmpty(t, limits.Source, code)
		disorders := limits.AloneDisorders
		for _, table := range limits.Tables {
			disorders = append(disorders, table.Disorder)
		}
		for _, id := range disorders {
			_, known := diagnosis.DisorderByID(id)
			require.True(t, known, "group %s: disorder %s", code, id)
		}
	}
	_, err = parseSpacing(spacingFile)
	require.NoError(t, err)
	_, err = parseWeather(weatherFile, spacing().classes)
	require.NoError(t, err)
}

// edited returns a rule set with one passage replaced.
func edited(t *testing.T, file []byte, old, replaced string) []byte {
	t.Helper()
	require.Contains(t, string(file), old)
	return []byte(strings.Replace(string(file), old, replaced, 1))
}

func TestRotationFileRefuses(t *testing.T) {
	for name, test := range map[string]struct{ old, replaced, says string }{
		"an unknown field":          {"    share: 33 %", "    shares: 33 %", "field shares not found"},
		"no source":                 {"source: FRAC Code List and", "sources: FRAC Code List and", "sources"},
		"no date":                   {`date: "2026-11-25"`, `date: "2026-11"`, `date: "2026-11" is not a day`},
		"an unknown mark":           {"    mark: M\n    source: \"FRAC, MBC", "    mark: C\n    source: \"FRAC, MBC", `groups row 1 ("1"): mark: "C"`},
		"an empty source of a row":  {"    source: FRAC Code List, from memory\n  - code: \"13\"", "    source: \"\"\n  - code: \"13\"", `("12"): source`},
		"a share of nothing":        {"    share: 33 %", "    share: 0 %", `groups row 1 ("1"): share: "0 %" is not a share`},
		"a share of more than all":  {"    share: 33 %", "    share: 4/3", `share: "4/3" is not a share`},
		"a risk that is not listed": {"    risk: medium-high\n    max_consecutive: 2", "    risk: extreme\n    max_consecutive: 2", `groups row 2 ("2"): risk: "extreme"`},
		"a group twice":             {`- code: "2"`, `- code: "1"`, `groups row 2 ("1"): code: is listed twice`},
		"an old code":               {`- code: "2"`, `- code: "M1"`, "code: is not a present FRAC code"},
		"a group without a cap":     {`- code: "2"`, `- code: M01`, "code: is listed as uncapped too"},
		"a table that leaps":        {"{up_to: 6, most: 2}", "{up_to: 6, most: 3}", `tables ("grey-mould"): row 2: most: must be 1 or more and rise by one at most`},
		"a table that falls":        {"{up_to: 6, most: 2}", "{up_to: 3, most: 2}", "row 2: up_to: must rise"},
		"a table without an end":    {"          - {up_to: 0, most: 3}\n", "", "up_to: must rise, and be 0 in the last row only"},
		"a number without days":     {"    most_days: 365\n", "", "most: goes with most_days"},
		"a negative number":         {"max_consecutive: 1\n    label_block: 2", "max_consecutive: -1\n    label_block: 2", `risks row 1 ("high"): max_consecutive: must be from 0`},
		"an unknown action":         {"action: refuse", "action: shout", `return: action: "shout"`},
		"an empty window":           {"  days: 180", "  days: 0", "window: applications and days must be"},
		"a second document":         {"groups:\n  - code: \"1\"", "---\ngroups:\n  - code: \"1\"", "more than one document"},
		"an alias of an alias":      {`"U15": "49"`, `"U15": M1`, "is not a present FRAC code"},
		"no high risk":              {"  - risk: high\n", "  - risk: higher\n", `risk: "high" is not one of the risks`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseRotation(edited(t, rotationFile, test.old, test.replaced))
			require.ErrorContains(t, err, test.says)
			require.ErrorContains(t, err, "rotation.yaml: ")
		})
	}
}

func TestSpacingFileRefuses(t *testing.T) {
	for name, test := range map[string]struct{ old, replaced, says string }{
		"an unknown field":             {"    days: 30", "    weeks: 30", "field weeks not found"},
		"days and the same day":        {"    days: 30", "    days: 30\n    same_day: true", `pairs row 1 ("spacing-oil-lime-sulphur"): days, same_day`},
		"neither":                      {"    days: 30\n", "", "days, same_day: one of them must be given"},
		"too many days":                {"    days: 30", "    days: 36500", "days: must be from 0 to 3660"},
		"an unknown active ingredient": {"b: active:lime-sulphur", "b: active:dragonbane", `b: active ingredient "dragonbane"`},
		"an unknown class":             {"a: class:oil", "a: class:grease", `a: class "grease"`},
		"an unknown kind":              {"a: class:oil", "a: brand:x", `a: "brand:x" is not active:`},
		"an old code":                  {"a: group:11", "a: group:M1", `a: "M1" is not a present FRAC code`},
		"an unknown formulation":       {"b: formulation:EC", "b: formulation:ZZ", `b: formulation "ZZ"`},
		"an unknown order":             {"order: either", "order: whenever", `order: "whenever"`},
		"an id twice":                  {"id: spacing-oil-sulphur", "id: spacing-oil-lime-sulphur", "id: is listed twice"},
		"the id of a label rule":       {"id: spacing-oil-sulphur", "id: label-use", "id: is not the identifier of a spacing rule"},
		"a class of nothing":           {"actives: [neem-oil, paraffinic-oil]", "actives: []", `classes row 1 ("oil")`},
		"a class of unknowns":          {"actives: [neem-oil, paraffinic-oil]", "actives: [grease]", `actives: "grease" is not in the catalog`},
		"a class twice":                {"name: phosphite", "name: oil", "name: is listed twice"},
		"an unknown action":            {"action: refuse", "action: shout", `action: "shout"`},
		"no mark":                      {"    mark: S\n", "", `mark: "" is not`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseSpacing(edited(t, spacingFile, test.old, test.replaced))
			require.ErrorContains(t, err, test.says)
			require.ErrorContains(t, err, "spacing.yaml: ")
		})
	}
}

func TestWeatherFileRefuses(t *testing.T) {
	for name, test := range map[string]struct{ old, replaced, says string }{
		"an unknown field":       {"    min: 0", "    least: 0", "field least not found"},
		"a minimum above":        {"    min: 10\n", "    min: 30\n", `rows row 2 ("weather-oil-temperature"): min: is above max`},
		"no such temperature":    {"    max: 38", "    max: 380", "max: must be from -50 to 100"},
		"an unknown method":      {"methods: [SPRAY]", "methods: [FOG]", `methods: method "FOG"`},
		"no method":              {"methods: [SPRAY]", "methods: []", "methods: must be given"},
		"the sun without a leaf": {"    tissue: 32\n", "    max: 32\n", "sun_from, sun_to: must rise and go with tissue"},
		"nothing to hold to":     {"    max: 32\n", "", "one of them must be given"},
		"an id of another set":   {"id: weather-oil-never", "id: oil-never", "id: is not the identifier of a weather rule"},
		"an id twice":            {"id: weather-oil-never", "id: weather-oil-temperature", "id: is listed twice"},
		"an unknown class":       {"what: class:oil", "what: class:grease", `what: class "grease"`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseWeather(edited(t, weatherFile, test.old, test.replaced), spacing().classes)
			require.ErrorContains(t, err, test.says)
			require.ErrorContains(t, err, "weather.yaml: ")
		})
	}
}

// A pair with an order counts only where b comes after a.
func TestAPairMayHaveAnOrder(t *testing.T) {
	set, err := parseSpacing(edited(t, spacingFile, "order: either", "order: a-then-b"))
	require.NoError(t, err)
	p := &set.pairs[0] // a oil, b lime sulphur
	oil := &Past{Products: []PastProduct{{ID: "o", Actives: []PastActive{{ID: "neem-oil", Group: "NC"}}}}}
	lime := &Past{Products: []PastProduct{{ID: "l", Actives: []PastActive{{ID: "lime-sulphur", Group: "M02"}}}}}
	l := &line{Line: Line{Product: products.Product{ID: "x", RegistrationNumber: "x"}}}
	for _, test := range []struct {
		past            *Past
		isA, isB, later bool
		meets           bool
	}{
		{oil, false, true, false, true},   // lime sulphur now, oil before
		{lime, true, false, false, false}, // oil now, lime sulphur before
		{lime, true, false, true, true},   // oil entered late, lime sulphur after it
		{oil, false, true, true, false},
	} {
		_, meets := p.meets(test.past, l, test.isA, test.isB, test.later)
		require.Equal(t, test.meets, meets)
	}
}

func FuzzRotationFile(f *testing.F) {
	f.Add(rotationFile)
	f.Add([]byte("source: x\ndate: \"2026-01-01\"\ngroups: [{code: \"1\", share: 33 %}]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		set, err := parseRotation(file)
		if err != nil {
			require.ErrorContains(t, err, "rotation.yaml: ")
			return
		}
		for code, limits := range set.groups {
			require.NotEmpty(t, limits.Source, code)
			for n := 1; n < 20; n++ {
				require.GreaterOrEqual(t, 1, limits.Share.ofNext(n)-limits.Share.ofNext(n-1))
			}
		}
	})
}

// ofNext is Of where there is a limit.
func (s Share) ofNext(n int) int {
	if s.IsZero() {
		return 0
	}
	return s.Of(n)
}

func FuzzSpacingFile(f *testing.F) {
	f.Add(spacingFile)
	f.Add([]byte("source: x\ndate: \"2026-01-01\"\npairs: [{id: spacing-a, a: any, b: any}]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		set, err := parseSpacing(file)
		if err != nil {
			require.ErrorContains(t, err, "spacing.yaml: ")
			return
		}
		for _, p := range set.pairs {
			require.NotEmpty(t, p.source)
			require.True(t, p.sameDay != (p.days > 0))
		}
	})
}

func FuzzWeatherFile(f *testing.F) {
	f.Add(weatherFile)
	f.Add([]byte("source: x\ndate: \"2026-01-01\"\nrows: [{id: weather-a, what: any, methods: [SPRAY], max: 3}]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		rows, err := parseWeather(file, spacing().classes)
		if err != nil {
			require.ErrorContains(t, err, "weather.yaml: ")
			return
		}
		for _, row := range rows {
			require.NotEmpty(t, row.source)
			require.NotContains(t, row.methods, productsv1.Method_METHOD_UNSPECIFIED)
		}
	})
}
