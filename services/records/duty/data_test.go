package duty

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"velamen/internal/jurisdiction"
)

func TestEveryRowSaysWhereItStandsAndWhatIsFromMemory(t *testing.T) {
	l := shipped()
	require.NotEmpty(t, l.deadlines.rules)
	require.NotEmpty(t, l.retention)
	require.NotEmpty(t, l.shortForms)
	for _, rule := range l.deadlines.rules {
		require.NotEqual(t, rule.verified, strings.Contains(rule.source, "from memory"), rule.id)
	}
	for _, rule := range l.retention {
		require.NotEqual(t, rule.verified, strings.Contains(rule.source, "from memory"), rule.id)
	}
	for _, form := range l.shortForms {
		require.NotEqual(t, form.verified, strings.Contains(form.source, "from memory"), form.id)
	}
}

// A document that names every row leads from a question to its rule in one step.
func TestEveryRowStandsInTheDocument(t *testing.T) {
	document, err := os.ReadFile("../../../docs/record-duties.md")
	require.NoError(t, err)
	l := shipped()
	var ids []string
	for _, rule := range l.deadlines.rules {
		ids = append(ids, rule.id)
	}
	for _, rule := range l.retention {
		ids = append(ids, rule.id)
	}
	for _, form := range l.shortForms {
		ids = append(ids, form.id)
	}
	for _, id := range ids {
		require.Contains(t, string(document), "`"+id+"`")
	}
}

// South Africa's time was not confirmed and must not get a number by accident.
func TestSouthAfricaHasNoNumber(t *testing.T) {
	for _, rule := range shipped().retention {
		if rule.law == "ZA" {
			require.True(t, rule.notKnown, rule.id)
			require.Zero(t, rule.years, rule.id)
		}
	}
}

const frame = "source: test\ndate: \"2026-01-01\"\n"

func TestAFaultInAFileIsNamed(t *testing.T) {
	deadline := frame + `deadlines:
  - {id: one, law: US, duty: write-record, what: write it, whose: somebody, days: 14, counts_from: application-start-day, mark: S, source: a law}
`
	_, err := parseDeadlines([]byte(deadline))
	require.NoError(t, err)
	kept := frame + `retention:
  - {id: one, law: US, record: use-record, years: 2, counts_from: application-end-day, mark: S, source: a law}
`
	_, err = parseRetention([]byte(kept))
	require.NoError(t, err)
	form := frame + "short_forms:\n  - {id: one, law: US, below: 0.1 acre, never_in: [nursery], mark: S, source: a law}\n"
	_, err = parseShortForms([]byte(form))
	require.NoError(t, err)
	placed := frame + "places:\n  - {code: US, below: bound, says: ask, mark: S, source: a law}\n"
	_, err = parsePlaces([]byte(placed))
	require.NoError(t, err)

	readDeadlines := func(file []byte) error { _, err := parseDeadlines(file); return err }
	readRetention := func(file []byte) error { _, err := parseRetention(file); return err }
	readForms := func(file []byte) error { _, err := parseShortForms(file); return err }
	readPlaces := func(file []byte) error { _, err := parsePlaces(file); return err }
	for _, test := range []struct {
		read          func([]byte) error
		file          string
		old, new, say string
	}{
		{readDeadlines, deadline, "source: test", "source: ''", "source: must be given"},
		{readDeadlines, deadline, "2026-01-01", "January", "is not a day"},
		{readDeadlines, deadline, "whose:", "who:", "field who not found"},
		{readDeadlines, deadline, "id: one", "id: One", "id: must be"},
		{readDeadlines, deadline, "law: US", "law: USA", "law:"},
		{readDeadlines, deadline, "mark: S", "mark: X", "mark:"},
		{readDeadlines, deadline, "mark: S", "mark: M", "from memory"},
		{readDeadlines, deadline, "source: a law", "source: 'a law, from memory'", "must be M"},
		{readDeadlines, deadline, "source: a law", "source: ''", "source: must be given"},
		{readDeadlines, deadline, "days: 14", "days: 0", "exactly one"},
		{readDeadlines, deadline, "days: 14", "days: 14, hours: 3", "exactly one"},
		{readDeadlines, deadline, "days: 14", "days: 900", "days: must be"},
		{readDeadlines, deadline, "days: 14", "hours: -3", "hours: must be"},
		{readDeadlines, deadline, "days: 14", "hours: 3", "counts_from"},
		{readDeadlines, deadline, "days: 14", "day_of_next_month: 31", "day_of_next_month: must be"},
		{readDeadlines, deadline, "days: 14", "day_of_next_month: 10", "counts_from"},
		{readDeadlines, deadline, "write-record", "write-poem", "duty:"},
		{readDeadlines, deadline, "what: write it", "what: ''", "what, whose"},
		{readDeadlines, deadline, "days: 14", "days: 14, holds_until: true", "holds_until"},
		{readDeadlines, deadline, "days: 14", "days: 14, nil_month: true", "nil_month"},
		{readDeadlines, deadline, "days: 14", "days: 14, uses_from: soon", "uses_from"},
		{readDeadlines, deadline, "days: 14", "days: 14, when: {restricted_use: maybe}", "not yes or no"},
		{readDeadlines, deadline, "days: 14", "days: 14, when: {done_by: nobody}", "not grower or business"},
		{readDeadlines, deadline + "---\n", "days: 14", "days: 14", "more than one document"},
		{readDeadlines, deadline + "deferrals:\n  - {deadline: two, law: DE, uses_before: '2027-01-01', says: later, mark: S, source: a law}\n", "", "", `there is no "two"`},
		{readDeadlines, deadline + "deferrals:\n  - {deadline: one, law: DE, uses_before: '2027', says: later, mark: S, source: a law}\n", "", "", "uses_before"},
		{readDeadlines, deadline + "extensions:\n  - {deadline: one, uses_before: '2027-01-01', last_day_of_next_year: '02-31', says: later, mark: S, source: a law}\n", "", "", "last_day_of_next_year"},
		{readDeadlines, deadline + "extensions:\n  - {deadline: one, uses_before: '2027-01-01', last_day_of_next_year: '01-30', mark: S, source: a law}\n", "", "", "says"},
		{readRetention, kept, "years: 2", "years: 0", "years: must be"},
		{readRetention, kept, "years: 2", "years: 2, not_known: true", "not_known"},
		{readRetention, kept, "use-record", "diary", "no kind of record"},
		{readRetention, kept, "application-end-day", "request-day", "counts_from"},
		{readRetention, kept, "application-end-day", "tomorrow", "counts_from"},
		{readForms, form, "0.1 acre", "0.1 L", "not an area"},
		{readForms, form, "0.1 acre", "'0 acre'", "not an area"},
		{readForms, form, "0.1 acre", "some", "below:"},
		{readForms, form, "below: 0.1 acre", "never: false", "one of them"},
		{readForms, form, "[nursery]", "[balcony]", "no site"},
		{readPlaces, placed, "code: US", "code: USA", "code:"},
		{readPlaces, placed, "below: bound", "below: maybe", "below:"},
		{readPlaces, placed, "says: ask", "says: ''", "says:"},
	} {
		err := test.read([]byte(strings.Replace(test.file, test.old, test.new, 1)))
		require.ErrorContains(t, err, test.say, "%s -> %s", test.old, test.new)
	}
	twice := deadline + deadline[strings.Index(deadline, "  - "):]
	require.ErrorContains(t, readDeadlines([]byte(twice)), "listed twice")

	_, err = readLaw(bytes.ReplaceAll(placesFile, []byte("code: ZA"), []byte("code: JP")), deadlinesFile, retentionFile, shortFormFile)
	require.ErrorContains(t, err, "no row for ZA")
}

// Whatever a file says, it is refused or it holds what the code relies on.
func FuzzFiles(f *testing.F) {
	for _, file := range [][]byte{placesFile, deadlinesFile, retentionFile, shortFormFile} {
		f.Add(file)
	}
	f.Add([]byte(frame + "retention:\n  - {id: one, law: US, record: use-record, years: 2, counts_from: application-end-day, mark: S, source: a law}\n"))
	f.Add([]byte("&a [*a]"))
	f.Fuzz(func(t *testing.T, file []byte) {
		if set, err := parseDeadlines(file); err == nil {
			for _, rule := range set.rules {
				require.NoError(t, jurisdiction.CheckLaw(rule.law))
				require.NotEmpty(t, rule.source)
				require.True(t, rule.atOnce || rule.hours > 0 || rule.days > 0 || rule.dayOfNextMonth > 0)
			}
		}
		if rules, err := parseRetention(file); err == nil {
			for _, rule := range rules {
				require.NoError(t, jurisdiction.CheckLaw(rule.law))
				require.NotEmpty(t, rule.source)
				require.NotEqual(t, rule.notKnown, rule.years > 0)
			}
		}
		if forms, err := parseShortForms(file); err == nil {
			for _, form := range forms {
				require.NotEqual(t, form.never, form.below.Positive())
			}
		}
		if places, err := parsePlaces(file); err == nil {
			for _, p := range places {
				require.NoError(t, jurisdiction.CheckLaw(p.code))
				require.NotEmpty(t, p.says)
			}
		}
	})
}
