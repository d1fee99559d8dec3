package entry

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// edited returns a file with one passage replaced.
func edited(t *testing.T, name, old, replaced string) []byte {
	t.Helper()
	file := string(read(name))
	require.Contains(t, file, old)
	return []byte(strings.Replace(file, old, replaced, 1))
}

func TestTheShippedDataIsSound(t *testing.T) {
	require.Len(t, closedAreas().enclosed, 5)
	require.Len(t, closedAreas().outdoors, 3)
	require.Equal(t, []string{"US", "US-CA"}, ventilation().codes())
	require.Len(t, ventilation().of("US").criteria, 6)
	require.Len(t, ventilation().of("US-CA").criteria, 4)
	require.Len(t, earlyEntry().Kinds, 4)
	require.Len(t, notices().supplies, 2)
}

// A value from memory must say so wherever it is shown, and that is its source.
func TestEveryRowFromMemorySaysSo(t *testing.T) {
	row := regexp.MustCompile(`mark: M,?\s+source: (.*)`)
	for _, name := range []string{"closed-areas.yaml", "ventilation.yaml", "early-entry.yaml", "notices.yaml"} {
		found := row.FindAllStringSubmatch(string(read(name)), -1)
		require.NotEmpty(t, found, name)
		for _, match := range found {
			require.Contains(t, match[1], "from memory", name)
		}
	}
}

// refusal is a passage of a file, what stands in its place, and what the reader says.
type refusal struct{ old, replaced, says string }

func refuses[T any](t *testing.T, name string, parse func([]byte) (T, error), tests map[string]refusal) {
	t.Helper()
	for test, row := range tests {
		t.Run(test, func(t *testing.T) {
			_, err := parse(edited(t, name, row.old, row.replaced))
			require.ErrorContains(t, err, row.says)
			require.ErrorContains(t, err, name+": ")
		})
	}
}

func TestClosedAreasFileRefuses(t *testing.T) {
	refuses(t, "closed-areas.yaml", parseClosedAreas, map[string]refusal{
		"an unknown field":        {"    until: aired", "    till: aired", "field till not found"},
		"another law":             {"law: US", "law: ZA", `law: "ZA" is not US`},
		"no source":               {"source: 40 CFR 170.405 (Worker Protection Standard)", `source: ""`, "source: must be given"},
		"no day":                  {`date: "2026-11-25"`, `date: "2026-11"`, "is not a day"},
		"an unknown form":         {"forms: [fumigant]", "forms: [rocket]", `"rocket" is not a way to apply`},
		"an unknown droplet":      {"droplet_forms: [spray,", "droplet_forms: [rocket,", `droplet_forms: "rocket"`},
		"an unknown class":        {"droplets: finer-than-medium", "droplets: wet", `droplets: "wet" is not a class`},
		"an unknown area":         {"closed: whole-space-and-adjoining", "closed: everything", `closed: "everything" is not an area`},
		"nothing closed":          {"closed: whole-space-and-adjoining", "closed: none", `closed: "none" is not an area`},
		"no area afterwards":      {"    afterwards: none\n", "", `afterwards: "" is not an area`},
		"an unknown end":          {"until: aired", "until: later", `until: "later" is not aired or complete`},
		"feet of a whole space":   {"    closed: whole-space\n", "    closed: whole-space\n    feet: 5\n", "feet: go with treated-area"},
		"feet without bounds":     {"feet: 25", "feet: 25000", "feet: must be from 0 to 5280"},
		"an id twice":             {"id: fine", "id: fumigant", "id: is listed twice"},
		"no id":                   {"id: fine", `id: ""`, "id: must be given"},
		"no condition":            {"    respirator: true\n", "", "otherwise: goes without any condition"},
		"a condition on the rest": {"    otherwise: true\n", "    otherwise: true\n    respirator: true\n", "otherwise: goes without any condition"},
		"the rest before others":  {"    respirator: true\n", "    otherwise: true\n", "otherwise: must be the last row"},
		"no mark":                 {"    mark: M\n", "", `mark: "" is not S`},
		"no source of a row":      {"    source: 40 CFR 170.405(b)(4) table 2, row 1, from memory\n", "", "source: must be given"},
		"a second document":       {"outdoors:\n", "---\noutdoors:\n", "closed-areas.yaml"},
	})
	_, err := parseClosedAreas([]byte("law: US\nsource: x\ndate: \"2026-01-01\"\n"))
	require.ErrorContains(t, err, "enclosed: must have rows")
}

func TestVentilationFileRefuses(t *testing.T) {
	refuses(t, "ventilation.yaml", parseVentilation, map[string]refusal{
		"an unknown field":         {"combine: any", "combined: any", "field combined not found"},
		"a law that is none":       {"law: US-CA", "law: California", "law: "},
		"a law twice":              {"law: US-CA", "law: US", "is listed twice"},
		"no federal law":           {"law: US\n", "law: ZA\n", "laws: US must be listed"},
		"an unknown way to join":   {"combine: fractions", "combine: all", `combine: "all" is not any or fractions`},
		"two numbers":              {"exchanges: 10, name", "exchanges: 10, fans_h: 2, name", "one of them"},
		"no number":                {"fans_h: 2, name", "name", "one of them"},
		"a negative number":        {"vents_h: 4", "vents_h: -4", "vents_h: must be from 0"},
		"no name":                  {", name: 2 h of fans", "", "id, name: must be given"},
		"shut before the exchange": {"exchanges: 10, name", "exchanges: 10, shut_h: 11, name", "shut_h: does not go before this"},
		"nothing of a shut house":  {"      - {id: shut, shut_h: 24, name: 24 h shut}\n  # Cal", "  # Cal", "criteria: one must be of a house that stays shut"},
		"no mark":                  {"    mark: S\n", "", `mark: "" is not S`},
		"no day":                   {`date: "2026-11-25"`, `date: ""`, "is not a day"},
	})
}

func TestEarlyEntryFileRefuses(t *testing.T) {
	refuses(t, "early-entry.yaml", parseEarlyEntry, map[string]refusal{
		"an unknown field":     {"most_minutes: 60", "minutes: 60", "field minutes not found"},
		"no age":               {"years: 18", "years: 0", "years: must be from 1"},
		"a kind twice":         {"id: short-term", "id: no-contact", "an id once"},
		"a kind without limit": {"    no_contact: true\n", "", "one of them must be true"},
		"too many minutes":     {"most_minutes: 60", "most_minutes: 6000", "most_minutes: must be from 0 to 1440"},
		"an empty condition":   {"text: Water, soap and towels stand ready, and steps against heat illness are taken.", `text: ""`, "conditions row 3: text: must be given"},
		"no source of a kind":  {"    source: 40 CFR 170.603(c), from memory\n", "", "source: must be given"},
		"another law":          {"law: US", "law: GB", `law: "GB" is not US`},
	})
}

func TestNoticesFileRefuses(t *testing.T) {
	refuses(t, "notices.yaml", parseNotices, map[string]refusal{
		"an unknown field":      {"display_days: {days", "display_days: {day", "field day not found"},
		"no bound":              {"enclosed: {hours: 4", "enclosed: {hours: 0", "signs_above_h.enclosed: hours: must be from 1"},
		"no source":             {`double: {mark: M, source: "40 CFR 170.409, from memory"}`, "double: {mark: M}", "double: source: must be given"},
		"supplies without end":  {"{above_h: 0, days: 7", "{above_h: 1, days: 7", "above_h: must fall, to 0 in the last row"},
		"supplies out of order": {"{above_h: 4, days: 30", "{above_h: 0, days: 30", "above_h: must fall"},
		"another law":           {"law: US", "law: DE", `law: "DE" is not US`},
	})
	_, err := parseNotices([]byte(string(read("notices.yaml")[:strings.Index(string(read("notices.yaml")), "supplies:")])))
	require.ErrorContains(t, err, "supplies: must have rows")
}

// fuzz holds a reader to its promise: it refuses by name, or what it read can be used.
func fuzz[T any](f *testing.F, name string, parse func([]byte) (T, error), use func(*testing.T, T)) {
	f.Add(read(name))
	f.Add([]byte("law: US\nsource: x\ndate: \"2026-01-01\"\n"))
	f.Add([]byte("{}"))
	f.Fuzz(func(t *testing.T, file []byte) {
		set, err := parse(file)
		if err != nil {
			require.ErrorContains(t, err, name+": ")
			return
		}
		use(t, set)
	})
}

func FuzzClosedAreasFile(f *testing.F) {
	fuzz(f, "closed-areas.yaml", parseClosedAreas, func(t *testing.T, set *areaSet) {
		for _, rows := range [][]areaRow{set.enclosed, set.outdoors} {
			for _, a := range []Application{{}, fog("4"), drench("4")} {
				closed := set.decide(rows, a)
				require.NotEqual(t, Nowhere, closed.Closed.Extent, "an application always closes something")
				require.NotEmpty(t, closed.Source)
			}
		}
	})
}

func FuzzVentilationFile(f *testing.F) {
	fuzz(f, "ventilation.yaml", parseVentilation, func(t *testing.T, set ventilationSet) {
		for _, law := range set {
			_, by, met := law.airedAt(stretches(greenhouse("h1"), nil, time.Time{}))
			require.True(t, met, "a shut house is aired in the end")
			require.NotEmpty(t, by)
		}
	})
}

func FuzzEarlyEntryFile(f *testing.F) {
	fuzz(f, "early-entry.yaml", parseEarlyEntry, func(t *testing.T, set *earlySet) {
		require.Positive(t, set.LeastAge.Years)
		for _, kind := range set.Kinds {
			require.NotEmpty(t, kind.Source)
		}
	})
}

func FuzzNoticesFile(f *testing.F) {
	fuzz(f, "notices.yaml", parseNotices, func(t *testing.T, set *noticeSet) {
		require.Zero(t, set.supplies[len(set.supplies)-1].AboveH)
		require.Positive(t, set.enclosed.Hours)
	})
}
