package notice

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/services/treatment/entry"
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

// namedIn are the phrases that a file of the rules of entry adds to what is missing.
var namedIn = regexp.MustCompile(`\b(?:interval|closed|due|d)\.Missing = append\([^"\n]*"([^"]+)"`)

func TestEveryFactThatTheRulesOfEntryCanMissHasEveryLanguage(t *testing.T) {
	found := map[string]bool{}
	for _, file := range []string{"interval.go", "closed_area.go", "notice.go"} {
		source, err := os.ReadFile(filepath.Join("..", "entry", file))
		require.NoError(t, err)
		for _, phrase := range namedIn.FindAllStringSubmatch(string(source), -1) {
			found[phrase[1]] = true
		}
	}
	require.GreaterOrEqual(t, len(found), 6, "the rules of entry are read")
	for _, a := range applicationsWithFactsMissing() {
		for _, enclosed := range []entry.Fact{entry.Yes, entry.No, entry.Unknown} {
			law := entry.Nursery{Jurisdiction: "US", Houses: []entry.House{{ID: "h1", Enclosed: enclosed}}}
			for _, facts := range [][]string{
				law.IntervalOf(a).Missing, entry.ClosedAreaOf(a, enclosed).Missing, law.NoticesDue(a, entry.Unknown).Missing,
				(entry.Nursery{}).NoticesDue(a, entry.Unknown).Missing,
			} {
				for _, fact := range facts {
					found[fact] = true
				}
			}
		}
	}
	used := map[string]bool{}
	for fact := range found {
		for _, language := range languages {
			text, known := printed().fact(language, fact)
			require.True(t, known, "%q has no %s text", fact, language)
			used[text] = true
		}
		english, _ := printed().fact("en", fact)
		require.Equal(t, fact, english)
	}
	for _, key := range entryFacts {
		text := strings.ReplaceAll(printed()["es"][key], "{product}", "Leafguard 70")
		require.True(t, used[text], "%s: the rules of entry do not name it", key)
	}
}

// applicationsWithFactsMissing lack one fact or more of those that decide what is closed.
func applicationsWithFactsMissing() []entry.Application {
	var all []entry.Application
	for _, form := range []entry.Form{"", entry.Spray, entry.Mist, entry.Fog, entry.Smoke, entry.Fumigant, entry.Drench, entry.Drip, entry.Bath} {
		for _, droplets := range []entry.Droplets{"", entry.FinerThanMedium, entry.MediumOrLarger} {
			for _, products := range [][]entry.Product{nil, {{Name: "Leafguard 70"}}} {
				all = append(all, entry.Application{House: "h1", Form: form, Droplets: droplets, Products: products})
			}
		}
	}
	return all
}

func TestAFactThatHasNoTextIsNamedAsItIs(t *testing.T) {
	text, known := printed().fact("es", "the colour of the house")
	require.False(t, known)
	require.Equal(t, "the colour of the house", text)
}
