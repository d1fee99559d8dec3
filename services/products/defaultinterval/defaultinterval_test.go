package defaultinterval

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

// 40 CFR 156.208(c), numbers from memory.
func TestDefaultIntervalsOfTheCategoriesPublished(t *testing.T) {
	for category, want := range map[Category]int{CategoryI: 48, CategoryII: 24, CategoryIII: 12, CategoryIV: 12} {
		interval, known := Of(category)
		require.True(t, known)
		require.Equal(t, Interval{Category: category, Hours: want, Source: "40 CFR 156.208(c), numbers from memory"}, interval)
	}
	require.Equal(t, 72, DryOutdoors().Hours)
	require.Equal(t, quantity.Must("25", quantity.Inch), DryOutdoors().RainBelow)
	require.Equal(t, "I 48 h, II 24 h, III 12 h, IV 12 h", List())
	require.Equal(t, "40 CFR 156.208(c), numbers from memory", Source())
}

func TestNoOtherCategoryHasADefault(t *testing.T) {
	for _, none := range []Category{"", "V", "i"} {
		_, known := Of(none)
		require.False(t, known, none)
	}
}

// A value from memory must say so wherever it is shown, and that is its source.
func TestEveryIntervalFromMemorySaysSo(t *testing.T) {
	found := regexp.MustCompile(`mark: M,?\s+source: (.*)`).FindAllStringSubmatch(string(file), -1)
	require.Len(t, found, 5)
	for _, match := range found {
		require.Contains(t, match[1], "from memory")
	}
}

func TestDefaultIntervalsFileRefuses(t *testing.T) {
	for name, test := range map[string]struct{ old, replaced, says string }{
		"an unknown field":          {"rain_below_in: 25", "rain: 25", "field rain not found"},
		"a category out of order":   {"category: II,", "category: III,", "must be I, II, III and IV"},
		"hours that rise":           {"hours: 24", "hours: 60", "hours: must not rise"},
		"no hours":                  {"hours: 12,", "hours: 0,", "hours: must be from 1"},
		"a dry interval below":      {"  hours: 72", "  hours: 24", "hours: must be from 48"},
		"a dry interval of another": {"dry_outdoors:\n  category: I", "dry_outdoors:\n  category: II", "category: must be I"},
		"no rain":                   {"rain_below_in: 25", "rain_below_in: 0", "rain_below_in: must be from 1"},
		"another law":               {"law: US", "law: EU", `law: "EU" is not US`},
		"no day":                    {`date: "2026-11-25"`, `date: "2026-11"`, "is not a day"},
		"no source of the dry one":  {"  source: 40 CFR 156.208(c), numbers from memory", `  source: ""`, "dry_outdoors: source"},
		"no mark":                   {"  mark: M\n", "", `mark: "" is not S`},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, string(file), test.old)
			_, err := parse([]byte(strings.Replace(string(file), test.old, test.replaced, 1)))
			require.ErrorContains(t, err, test.says)
			require.ErrorContains(t, err, "default-intervals.yaml: ")
		})
	}
}

func FuzzDefaultIntervalsFile(f *testing.F) {
	f.Add(file)
	f.Add([]byte("law: US\nsource: x\ndate: \"2026-01-01\"\n"))
	f.Fuzz(func(t *testing.T, file []byte) {
		read, err := parse(file)
		if err != nil {
			require.ErrorContains(t, err, "default-intervals.yaml: ")
			return
		}
		require.GreaterOrEqual(t, read.dry.Hours, read.categories[0].Hours)
		require.True(t, read.dry.RainBelow.Positive())
	})
}
