package records

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
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
