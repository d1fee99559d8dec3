package records

import (
	"encoding/hex"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/treatment"
)

func body(t testing.TB) string {
	t.Helper()
	entries, err := entriesOf("test", application("a1"))
	require.NoError(t, err)
	e := entries[0]
	e.Sequence, e.CreateTime = 1, now
	text, err := e.body()
	require.NoError(t, err)
	return text
}

// The form is hashed: an entry that is written differently breaks every ledger.
func TestTheCanonicalFormIsFixed(t *testing.T) {
	require.Equal(t, `{"nursery":"test","sequence":1,"application":"nurseries/test/applications/a1",`+
		`"house":"nurseries/test/houses/h1","product":"nurseries/test/products/thiophanate",`+
		`"product_display_name":"Thiophanate 50 WP","registration_number":"L1001","restricted_use":false,`+
		`"actives":[{"active_ingredient":"thiophanate-methyl","frac_code":"1","content":{"amount":"500","unit":"g/kg"},"amount":{"amount":"12.5","unit":"g"}}],`+
		`"product_amount":{"amount":"25","unit":"g"},"mix_volume":{"amount":"20","unit":"L"},"area":{"amount":"12.5","unit":"m2"},`+
		`"start_time":"2026-03-02T08:00:00Z","end_time":"2026-03-02T08:45:00Z",`+
		`"applicator":"nurseries/test/people/wandile","applicator_display_name":"Wandile Worker","target":"anthracnose",`+
		`"crops":["Phalaenopsis amabilis","Vanda coerulea"],"method":"BATH",`+
		`"restricted_entry_interval":{"amount":"24","unit":"h"},"create_time":"2026-03-20T12:00:00Z"}`, body(t))
}

// An entry of before the ledger kept overrides has the form of the test above, and
// reads as it did; what is new stands at the end.
func TestRulesThatWereGoneAgainstStandAtTheEndOfTheForm(t *testing.T) {
	old := body(t)
	e, err := parseEntry(old)
	require.NoError(t, err)
	require.Empty(t, e.Overrides)
	require.Empty(t, e.BreachRules)

	e.Breach = "mixed for another tank"
	e.Overrides = []override{{Rule: "temperature", Note: "shade < 25", Person: "nurseries/test/people/mira"}}
	e.BreachRules = []string{"label-rate-max"}
	text, err := e.body()
	require.NoError(t, err)
	require.Equal(t, strings.TrimSuffix(old, "}")+`,"breach":"mixed for another tank",`+
		`"overrides":[{"rule":"temperature","note":"shade < 25","person":"nurseries/test/people/mira"}],"breach_rules":["label-rate-max"]}`, text)
	again, err := parseEntry(text)
	require.NoError(t, err)
	require.Equal(t, e, again)
}

// wholeDay is an application with every fact of the day.
func wholeDay(id string) treatment.ApplicationConfirmed {
	applied := application(id)
	applied.ApplicatorCertificate = "C-17"
	applied.Supervisor = &treatment.SupervisorApplied{Person: "nurseries/test/people/mira", DisplayName: "Mira Manager", Certificate: "C-4"}
	house := &applied.Houses[0]
	house.DisplayName, house.Benches = "Orchid house", []string{"Bench 1", "Bench 2"}
	house.SiteNumber, house.FacilityNumber, house.LegalLocation = "03", "GH-0042", "San Mateo, section 12"
	house.Setting, house.PlantedArea, house.Plants = "GREENHOUSE", quantity.Must("40", quantity.SquareMetre), 310
	house.CropCodes = []treatment.CropCodeApplied{{Crop: "Vanda coerulea", EPPOCode: "VNDCO"}}
	house.GrowthStage, house.Form, house.Droplets = "61", "fog", "medium or larger"
	product := &house.Products[0]
	product.SafetyDataSheet, product.TimeLimited, product.StageLimited = "SDS 17", "YES", "NO"
	return applied
}

func TestTheFactsOfTheDayStandAtTheEndOfTheForm(t *testing.T) {
	entries, err := entriesOf("test", wholeDay("a1"))
	require.NoError(t, err)
	e := entries[0]
	e.Sequence, e.CreateTime = 1, now
	text, err := e.body()
	require.NoError(t, err)
	require.Equal(t, strings.TrimSuffix(body(t), "}")+`,"house_display_name":"Orchid house","benches":["Bench 1","Bench 2"],`+
		`"site_number":"03","facility_number":"GH-0042","legal_location":"San Mateo, section 12","setting":"GREENHOUSE",`+
		`"planted_area":{"amount":"40","unit":"m2"},"plants":310,"crop_codes":[{"crop":"Vanda coerulea","eppo_code":"VNDCO"}],`+
		`"growth_stage":"61","form":"fog","droplets":"medium or larger","safety_data_sheet":"SDS 17","time_limited":"YES","stage_limited":"NO",`+
		`"applicator_certificate":"C-17","supervisor":{"person":"nurseries/test/people/mira","display_name":"Mira Manager","certificate":"C-4"}}`, text)
	again, err := parseEntry(text)
	require.NoError(t, err)
	rewritten, err := again.body()
	require.NoError(t, err)
	require.Equal(t, text, rewritten)
	require.True(t, e.same(again.dayFacts))
}

// This body and its hash are of a ledger that was written before entries held the facts
// of the day.
func TestAnEntryOfBeforeTheFactsOfTheDayHasItsOldHash(t *testing.T) {
	const stored = `{"nursery":"test","sequence":1,"application":"nurseries/test/applications/a1",` +
		`"house":"nurseries/test/houses/h1","product":"nurseries/test/products/thiophanate",` +
		`"product_display_name":"Thiophanate 50 WP","registration_number":"L1001","restricted_use":false,` +
		`"actives":[{"active_ingredient":"thiophanate-methyl","frac_code":"1","content":{"amount":"500","unit":"g/kg"},"amount":{"amount":"12.5","unit":"g"}}],` +
		`"product_amount":{"amount":"25","unit":"g"},"mix_volume":{"amount":"20","unit":"L"},"area":{"amount":"12.5","unit":"m2"},` +
		`"start_time":"2026-03-02T08:00:00Z","end_time":"2026-03-02T08:45:00Z",` +
		`"applicator":"nurseries/test/people/wandile","applicator_display_name":"Wandile Worker","target":"anthracnose",` +
		`"crops":["Phalaenopsis amabilis","Vanda coerulea"],"method":"BATH",` +
		`"restricted_entry_interval":{"amount":"24","unit":"h"},"create_time":"2026-03-20T12:00:00Z"}`
	e, err := parseEntry(stored)
	require.NoError(t, err)
	require.Equal(t, dayFacts{}, e.dayFacts)
	text, err := e.body()
	require.NoError(t, err)
	require.Equal(t, "ecefa6b0ee086499c9d737c31f251d53ee3241d2a5a66d5f32abfb564c7e31be", hex.EncodeToString(seal(start().hash, text)))
}

func TestParseEntryRefuses(t *testing.T) {
	good := body(t)
	_, err := parseEntry(good)
	require.NoError(t, err)
	for name, text := range map[string]string{
		"nothing":               "",
		"an unknown fact":       strings.Replace(good, `{"nursery"`, `{"weather":"dry","nursery"`, 1),
		"other white space":     strings.Replace(good, ",", ", ", 1),
		"an amount as float":    strings.Replace(good, `"amount":"25"`, `"amount":25.0`, 1),
		"trailing zeros":        strings.Replace(good, `"25"`, `"25.0"`, 1),
		"text after it":         good + "{}",
		"no overrides, written": strings.TrimSuffix(good, "}") + `,"overrides":[]}`,
		"no plants, written":    strings.TrimSuffix(good, "}") + `,"plants":0}`,
		"no benches, written":   strings.TrimSuffix(good, "}") + `,"benches":[]}`,
		"no area, written":      strings.TrimSuffix(good, "}") + `,"planted_area":{"amount":"0","unit":""}}`,
		"another zone":          strings.Replace(good, "08:00:00Z", "10:00:00+02:00", 1),
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parseEntry(text)
			require.Error(t, err)
		})
	}
}

func FuzzParseEntry(f *testing.F) {
	f.Add(body(f))
	f.Add(`{"sequence":1}`)
	f.Add(strings.TrimSuffix(body(f), "}") + `,"overrides":[{"rule":"a","note":"b","person":"c"}],"breach_rules":["d"]}`)
	f.Add(strings.TrimSuffix(body(f), "}") + `,"planted_area":{"amount":"40","unit":"m2"},"plants":3,"supervisor":{"person":"p","display_name":"q"}}`)
	f.Fuzz(func(t *testing.T, text string) {
		e, err := parseEntry(text)
		if err != nil {
			return
		}
		again, err := e.body()
		require.NoError(t, err)
		require.Equal(t, text, again)
	})
}

func TestWrap(t *testing.T) {
	for _, test := range []struct {
		name  string
		text  string
		width int
		want  []string
	}{
		{"short", "anthracnose", 20, []string{"anthracnose"}},
		{"empty", "", 20, []string{""}},
		{"at spaces", "Phalaenopsis amabilis alba", 12, []string{"Phalaenopsis", "amabilis", "alba"}},
		{"a word that is too long", "Phalaenopsis", 5, []string{"Phala", "enops", "is"}},
		{"by characters, not bytes", "öööö öööö", 4, []string{"öööö", "öööö"}},
		{"control characters", "a\nb\tc", 20, []string{"a b c"}},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.want, wrap(test.text, test.width))
		})
	}
}

func FuzzWrap(f *testing.F) {
	f.Add("Phalaenopsis amabilis", 7)
	f.Add("  \n ", 1)
	f.Fuzz(func(t *testing.T, text string, width int) {
		if width < 1 || width > pageWidth {
			return
		}
		lines := wrap(text, width)
		require.NotEmpty(t, lines)
		for _, line := range lines {
			require.LessOrEqual(t, len([]rune(line)), width)
			require.NotContains(t, line, "\n")
		}
	})
}
