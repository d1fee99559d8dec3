package regulation

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
	"velamen/services/diagnosis/knowledge"
)

func ids(pests []Pest) []string {
	var ids []string
	for _, pest := range pests {
		ids = append(ids, pest.ID)
	}
	return ids
}

func TestWhatIsRegulatedWhere(t *testing.T) {
	for _, test := range []struct {
		disorder, genus, jurisdiction string
		want                          []string
	}{
		{"ramorum-blight", "Rhododendron", "US", []string{"ramorum-us"}},
		{"ramorum-blight", "Rhododendron", "US-OR", []string{"ramorum-us"}}, // federal law binds in a state
		{"ramorum-blight", "Camellia", "CA-BC", []string{"ramorum-ca"}},
		{"ramorum-blight", "Viburnum", "DE", []string{"ramorum-eu"}}, // Union law binds in a member
		{"ramorum-blight", "Viburnum", "EL", []string{"ramorum-eu"}}, // whichever code of the member is entered
		{"ramorum-blight", "Pieris", "GB", []string{"ramorum-gb"}},
		{"ramorum-blight", "Pieris", "UK", []string{"ramorum-gb"}},
		{"ramorum-blight", "Pieris", "GB-SCT", []string{"ramorum-gb"}},
		{"ramorum-blight", "Pieris", "ZA", nil},
		{"ramorum-blight", "Pieris", "", nil},
		{"chrysanthemum-white-rust", "Chrysanthemum", "US", []string{"chrysanthemum-white-rust-us"}},
		{"chrysanthemum-white-rust", "Pelargonium", "US", nil}, // the law names hosts
		{"chrysanthemum-white-rust", "", "US", []string{"chrysanthemum-white-rust-us"}},
		{"gladiolus-rust", "Gladiolus", "US-CA", []string{"gladiolus-rust-us"}},
		{"gladiolus-rust", "Gladiolus", "DE", nil},
		{"ralstonia-wilt", "Pelargonium", "US", []string{"ralstonia-us"}},
		{"ralstonia-wilt", "Rosa", "NL", []string{"ralstonia-eu"}},
		{"box-blight", "Buxus", "US-VA", []string{"box-blight-us"}},
		{"box-blight", "Buxus", "DE", nil},
		{"rust", "Phalaenopsis", "US", []string{"orchid-rust-us"}},
		{"rust", "Rosa", "US", nil},
		// No federal report of the usual orchid rots.
		{"black-rot", "Phalaenopsis", "US", nil},
		{"black-rot", "Phalaenopsis", "DE", nil},
	} {
		require.Equal(t, test.want, ids(For(test.disorder, test.genus, test.jurisdiction)), "%+v", test)
	}
	require.Subset(t, ids(In("DE")), []string{"ramorum-eu", "ralstonia-eu"})
	require.NotContains(t, ids(In("DE")), "ramorum-gb")
	require.Empty(t, In("ZA"))
}

// The metres and days stand in regulatory texts; see each row's source.
func TestZonesAndDeadlinesOfPhytophthoraRamorum(t *testing.T) {
	metres := func(amount string) quantity.Quantity {
		q, err := quantity.New(amount, quantity.Metre)
		require.NoError(t, err)
		return q
	}
	for id, want := range map[string]struct {
		destroy, hold string
		days          int
		within        time.Duration
		noMasking     bool
		aroundBlock   bool
		months        int
		fromSurvey    bool
	}{
		"ramorum-us": {"2", "10", 90, 24 * time.Hour, false, true, 0, true},
		"ramorum-ca": {"2", "2", 90, 0, false, true, 0, false},
		"ramorum-eu": {"2", "10", 92, 0, true, false, 3, false},
		"ramorum-gb": {"2", "10", 92, 0, true, false, 3, false},
	} {
		pest, found := ByID(id)
		require.True(t, found, id)
		require.Equal(t, metres(want.destroy), pest.DestroyWithin, id)
		require.Equal(t, want.aroundBlock, pest.AroundBlock, id)
		require.Equal(t, want.months, pest.HoldMonths, id)
		require.Equal(t, want.fromSurvey, pest.FromSurvey, id)
		require.Equal(t, metres(want.hold), pest.HoldWithin, id)
		require.Equal(t, want.days, pest.HoldDays, id)
		require.Equal(t, want.within, pest.NotifyWithin, id)
		require.Equal(t, want.noMasking, pest.NoMasking, id)
		require.Equal(t, want.months > 0, pest.RestOfLot, "%s: held beside what lies within the metres by Defra and the EU", id)
	}
	_, found := ByID("bad-luck")
	require.False(t, found)
}

func TestWhenTellingTheAuthorityIsLate(t *testing.T) {
	suspected := time.Date(2026, 3, 10, 8, 0, 0, 0, time.UTC)
	atOnce, _ := ByID("ramorum-eu")
	inADay, _ := ByID("ramorum-us")
	for _, test := range []struct {
		name  string
		pest  Pest
		after time.Duration
		late  bool
	}{
		{"at once, in the same minute", atOnce, time.Minute, false},
		{"at once, after a call's time", atOnce, time.Hour, false},
		{"at once, later", atOnce, time.Hour + time.Second, true},
		{"within a day, on the last moment", inADay, 24 * time.Hour, false},
		{"within a day, a second later", inADay, 24*time.Hour + time.Second, true},
	} {
		t.Run(test.name, func(t *testing.T) {
			require.Equal(t, test.late, Late(suspected, test.pest.NotifyBy(suspected), suspected.Add(test.after)))
		})
	}
	require.Equal(t, suspected, atOnce.NotifyBy(suspected))
}

func TestEveryRowSaysWhereItStandsAndWhatIsFromMemory(t *testing.T) {
	for _, pest := range All() {
		require.NotEmpty(t, pest.Source, pest.ID)
		require.NotContains(t, pest.Duty, "\n", pest.ID)
		if pest.NotifyWithin > 0 {
			require.Contains(t, pest.Source, "design value", "%s: no text that was read sets hours", pest.ID)
		}
	}
}

const sound = `{id: a-us, disorder: black-rot, pests: [A], jurisdictions: [US], status: s, authority: w, notify_within_hours: 0, duty: d, source: from memory}`

func TestBrokenRowsAreRefused(t *testing.T) {
	_, err := Read([]byte("pests: ["+sound+"]"), knowledge.Shipped())
	require.NoError(t, err)
	for name, test := range map[string]struct{ old, new, explained string }{
		"an id with capitals":     {"a-us", "A", "lower-case"},
		"an unknown disorder":     {"black-rot", "bad-luck", "not a known disorder"},
		"no authority":            {"authority: w", `authority: ""`, "an authority"},
		"no source":               {"source: from memory", `source: ""`, "a source"},
		"no such country":         {"[US]", "[XX]", "not a country"},
		"no deadline":             {"notify_within_hours: 0, ", "", "notify_within_hours"},
		"a deadline before":       {"hours: 0", "hours: -1", "notify_within_hours"},
		"a deadline out of reach": {"hours: 0", "hours: 100000", "notify_within_hours"},
		"a hold that is negative": {"duty: d", "duty: d, hold_days: -1", "hold_days"},
		"a zone around nothing":   {"duty: d", "duty: d, hold_within_m: 4", "hold_around"},
		"a hold from nowhere":     {"duty: d", "duty: d, hold_days: 9, hold_from: winter", "hold_from"},
		"months without days":     {"duty: d", "duty: d, hold_months: 3", "hold_months"},
		"no metres":               {"duty: d", "duty: d, hold_within_m: far", "metres"},
		"metres below 0":          {"duty: d", `duty: d, destroy_within_m: "-2"`, "above 0"},
		"an unknown plant group":  {"duty: d", "duty: d, plant_groups: [weeds]", "no plant group"},
		"a field nobody reads":    {"duty: d", "duty: d, dutty: e", "dutty"},
	} {
		t.Run(name, func(t *testing.T) {
			broken := strings.Replace(sound, test.old, test.new, 1)
			require.NotEqual(t, sound, broken)
			_, err := Read([]byte("pests: ["+broken+"]"), knowledge.Shipped())
			require.ErrorContains(t, err, test.explained)
		})
	}
	_, err = Read([]byte("pests: ["+sound+", "+sound+"]"), knowledge.Shipped())
	require.ErrorContains(t, err, "stands there twice")
	_, err = Read([]byte("pests: []"), knowledge.Shipped())
	require.ErrorContains(t, err, "must be some")
}

func FuzzRead(f *testing.F) {
	f.Add(file)
	f.Add([]byte("pests: [" + sound + "]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		pests, err := Read(bytes.Clone(data), knowledge.Shipped())
		if err != nil {
			return
		}
		for _, pest := range pests {
			require.NotEmpty(t, pest.Source)
			require.GreaterOrEqual(t, pest.NotifyWithin, time.Duration(0))
		}
	})
}
