package notice

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func dataFiles(t *testing.T) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	for _, language := range languages {
		file, err := files.ReadFile("data/" + language + ".yaml")
		require.NoError(t, err)
		all[language] = file
	}
	return all
}

func TestEveryTextHasEveryLanguage(t *testing.T) {
	read, err := parseTexts(dataFiles(t))
	require.NoError(t, err)
	require.Len(t, read["es"], len(read["en"]))
	for key := range read["en"] {
		for _, language := range languages {
			require.NotEmpty(t, read[language][key], "%s of %s", key, language)
		}
	}
}

func TestAFileOfTextsWithAFaultIsRefused(t *testing.T) {
	for name, test := range map[string]struct{ language, from, to, fault string }{
		"a key without Spanish":        {"es", `  house: {mark: own, text: "Invernadero"}` + "\n", "", "es.yaml: house: is missing"},
		"a key without English":        {"en", `  house: {mark: own, text: "House"}` + "\n", "", "en.yaml: house: is missing"},
		"an empty text":                {"es", `"FALTA"`, `" "`, "es.yaml: missing: text: must be given"},
		"a fact that has no place":     {"es", "{zone}", "zona", "es.yaml: zone: must have a place for {zone}"},
		"an unknown mark":              {"en", `mark: own, text: "MISSING"`, `mark: X, text: "MISSING"`, "is not S"},
		"own words with a source":      {"en", `mark: own, text: "MISSING"`, `mark: own, source: x, text: "MISSING"`, "own words have none"},
		"no source":                    {"en", `source: "40 CFR 170.409(b), from memory", text: "DANGER"`, `text: "DANGER"`, "source: must be given"},
		"a source from memory unsaid":  {"en", `source: "40 CFR 170.409(b), from memory", text: "DANGER"`, `source: "40 CFR 170.409(b)", text: "DANGER"`, "from memory"},
		"a field that nobody reads":    {"en", `mark: own, text: "MISSING"`, `mark: own, note: x, text: "MISSING"`, "note"},
		"the language of another file": {"es", "language: es", "language: en", `language: "en" is not es`},
		"no day":                       {"es", `date: "2026-11-29"`, `date: soon`, "is not a day"},
	} {
		t.Run(name, func(t *testing.T) {
			all := dataFiles(t)
			before := string(all[test.language])
			require.Contains(t, before, test.from)
			all[test.language] = []byte(strings.Replace(before, test.from, test.to, 1))
			_, err := parseTexts(all)
			require.ErrorContains(t, err, test.fault)
		})
	}
}

func TestEveryTextIsPrintedSomewhere(t *testing.T) {
	sources, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var code strings.Builder
	for _, source := range sources {
		if strings.HasSuffix(source, "_test.go") {
			continue
		}
		file, err := os.ReadFile(source)
		require.NoError(t, err)
		code.Write(file)
	}
	for key := range printed()["en"] {
		require.Regexp(t, regexp.QuoteMeta(`"`+key+`"`), code.String(), key)
	}
}

// 40 CFR 170.409(b), from memory.
func TestTheWordsOfTheSignPublished(t *testing.T) {
	for key, want := range map[string]string{
		"sign.danger": "DANGER / PELIGRO", "sign.pesticides": "PESTICIDES / PESTICIDAS", "sign.keep-out": "KEEP OUT / NO ENTRE", //nolint:misspell // one word is Spanish
	} {
		require.Equal(t, want, printed().both(key))
	}
}
