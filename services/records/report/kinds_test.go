package report

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestKindsAreFoundByName(t *testing.T) {
	require.Len(t, Kinds(), len(homes))
	_, err := Find("us-spot-use")
	require.ErrorContains(t, err, `"us-ca-monthly-use"`)
}

// Every row says where it was read, or that it is from memory.
func TestEveryFieldHasASectionAndASource(t *testing.T) {
	for _, kind := range Kinds() {
		for _, field := range kind.Fields {
			require.NotEmpty(t, field.Section, "%s %s", kind.ID, field.Fact)
			require.NotEmpty(t, field.Source, "%s %s", kind.ID, field.Fact)
			if field.Mark == "M" {
				require.Regexp(t, `\(from memory\)$|^common practice, no source`, field.Cited())
			}
		}
	}
}

// 40 CFR 170.311(b): what is displayed, in the words of the posting rule.
func TestPublishedFieldsOfTheWorkerProtectionDisplay(t *testing.T) {
	requireFields(t, "us-wps-application",
		"product-name", "registration", "actives", "crops", "place", "start", "end", "rei", "safety-data-sheet")
}

// 7 CFR 110.3(a): product, registration number, total amount, location, size, crop,
// date, certified applicator and number.
func TestPublishedFieldsOfTheRestrictedUseRecord(t *testing.T) {
	requireFields(t, "us-restricted-use",
		"product-name", "registration", "amount", "legal-location", "treated", "crops", "date", "certified-name", "certified-number")
}

// 3 CCR 6624(b) and (c).
func TestPublishedFieldsOfTheCaliforniaUseReport(t *testing.T) {
	requireFields(t, "us-ca-monthly-use",
		"nursery-name", "operator-id", "county", "place", "legal-location", "site-id", "crops", "planted", "treated",
		"product-name", "registration", "amount", "start", "end", "method")
}

// Implementing Regulation (EU) 2023/564, closed space.
func TestPublishedFieldsOfTheEURecord(t *testing.T) {
	requireFields(t, "eu-closed-space",
		"setting", "product-name", "registration", "date", "dose", "treated", "facility-id", "crops", "crop-eppo")
	for _, field := range kindOf(t, "eu-closed-space").Fields {
		if field.Fact == "treated" {
			require.Equal(t, []UnitCode{{"m2", "m2"}, {"m3", "m3"}}, field.Units)
		}
	}
}

func requireFields(t *testing.T, id string, facts ...string) {
	t.Helper()
	var required []string
	for _, field := range kindOf(t, id).Fields {
		if field.Need == "required" {
			required = append(required, field.Fact)
		}
	}
	require.Subset(t, required, facts)
}

func TestAFaultInTheDataIsNamed(t *testing.T) {
	const good = `date: "2026-11-25"
kinds:
  - id: a-kind
    title: A
    section: B
    laws: [US]
    notes: [{text: N, mark: S, source: X}]
    fields:
      - {fact: amount, title: Amount, need: required, units: [{unit: lb, code: LB}], section: C, mark: S, source: D}
`
	_, err := readKinds([]byte(good))
	require.NoError(t, err)
	for _, c := range []struct{ from, to, want string }{
		{"2026-11-25", "25 Nov", "is not a day"},
		{"fact: amount", "fact: weight", "not one that reports know"},
		{"need: required", "need: sometimes", "is not required, optional or a condition"},
		{"fact: amount", "fact: county", "the fact is no amount"},
		{"mark: S, source: D", "mark: X, source: D", "is not S"},
		{"mark: S, source: D", "mark: S", "source: must be given"},
		{"mark: S, source: X", "mark: S", "note 1: source"},
		{"text: N, ", "", "note 1: text"},
		{"unit: lb", "unit: stone", "is not known"},
		{"code: LB", "code: \"\"", "has no code"},
		{"laws: [US]", "laws: [XX]", "laws:"},
		{"id: a-kind", "id: A kind", "id: must be"},
		{"    title: A\n", "", "title, section: must be given"},
		{"section: C", "section: \"\"", "title, section: must be given"},
		{"mark: S, source: D", "mark: S, source: D, form: x", "one is given without the other"},
		{"mark: S, source: D", "mark: S, source: D, form: \"(\", form_rule: y", "missing closing"},
		{"title: Amount", "colour: red, title: Amount", "field colour not found"},
		{"kinds:\n", "kinds: []\nrest:\n", "field rest not found"},
	} {
		broken := strings.Replace(good, c.from, c.to, 1)
		require.NotEqual(t, good, broken, c.from)
		_, err := readKinds([]byte(broken))
		require.ErrorContains(t, err, c.want)
	}
	for file, want := range map[string]string{
		good + good[strings.Index(good, "  - id"):]:    "id: is listed twice",
		good + "---\n{}\n":                             "more than one document",
		"date: \"2026-11-25\"\n":                       "kinds: must be given",
		good + good[strings.Index(good, "      - {"):]: "fact: is listed twice",
		strings.Replace(strings.Replace(good, ", units: [{unit: lb, code: LB}]", "", 1), "fact: amount, title: Amount, need: required", "fact: county, title: C, need: for-hire", 1): "has no condition",
		good[:strings.Index(good, "    fields")]: "fields: must be given",
	} {
		_, err := readKinds([]byte(file))
		require.ErrorContains(t, err, want)
	}
}
