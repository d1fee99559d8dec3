package notice

import (
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // the zones of the tests

	"github.com/stretchr/testify/require"

	"velamen/internal/page/pagetest"
	"velamen/internal/quantity"
	"velamen/services/treatment/entry"
)

var update = flag.Bool("update", false, "write the golden files anew")

func requireGolden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o755))
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// utc is a moment of 1 March 2026, eight hours ahead of the nursery's clock.
func utc(hour, minute int) time.Time { return time.Date(2026, 3, 1, hour, minute, 0, 0, time.UTC) }

func california(t *testing.T) Nursery {
	t.Helper()
	zone, err := time.LoadLocation("America/Los_Angeles")
	require.NoError(t, err)
	house := func(id, name string) entry.House {
		return entry.House{ID: id, Name: name, Enclosed: entry.Yes, Fans: entry.Yes, Vents: entry.Yes, AdjoiningEntered: true}
	}
	return Nursery{
		DisplayName: "Glasshouse Lane Orchids", EmergencyPhone: "+1 555 0100", EmergencyCare: "Bay Clinic, 2 Shore Road, San Mateo",
		Law: entry.Nursery{Jurisdiction: "US-CA", Zone: zone, Houses: []entry.House{house("h1", "Vanda house"), house("h2", "Phalaenopsis house")}},
	}
}

// sprayed is a fine spray of two products, of which every fact is entered.
func sprayed(house string) Treatment {
	label := func(name, interval string) entry.Product {
		return entry.Product{
			Name: name, Interval: quantity.Must(interval, quantity.Hour), Respirator: entry.No, Double: entry.Yes, Inhalation: entry.No,
			Category: entry.CategoryIII, Organophosphate: entry.No,
		}
	}
	return Treatment{
		Entry: entry.Application{
			ID: "case-7-systemic-1", House: house, Where: "benches 1 and 2", Start: utc(17, 0), End: utc(18, 0), Form: entry.Spray,
			Droplets: entry.FinerThanMedium, Height: quantity.Must("1", quantity.Metre),
			Products: []entry.Product{label("Leafguard 70", "12"), label("Rotstop SC", "24")},
		},
		Crops: []string{"Vanda coerulea", "Vanda sanderiana"},
		Products: []Product{
			{
				Name: "Leafguard 70", RegistrationNumber: "L1001-55", Recorded: true,
				Actives:         []Active{{Name: "thiophanate-methyl", Content: "700 g/kg"}},
				FirstAid:        "If swallowed: call a doctor at once.\nIf in eyes: rinse slowly with water for 15 to 20 minutes.",
				SafetyDataSheet: "SDS 1001 of 2025-04-02, office, red folder",
			},
			{
				Name: "Rotstop SC", RegistrationNumber: "L1002-55",
				Actives:         []Active{{Name: "epoxiconazole", Content: "125 g/L"}, {Name: "azoxystrobin", Content: "80 g/L"}},
				FirstAid:        "If inhaled: move the person to fresh air.",
				SafetyDataSheet: "SDS 1002 of 2024-11-20, office, red folder",
			},
		},
	}
}

// bare is an application of which nobody entered more than that it was done.
func bare() (Nursery, Treatment) {
	return Nursery{DisplayName: "Bare Nursery", Law: entry.Nursery{Jurisdiction: "KE", Houses: []entry.House{{ID: "h9"}}}}, Treatment{
		Entry: entry.Application{
			ID: "a9", House: "h9", Start: utc(9, 0), End: utc(10, 0),
			Products: []entry.Product{{Name: "Leafguard 70"}},
		},
		Products: []Product{{Name: "Leafguard 70", Actives: []Active{{Name: "thiophanate-methyl"}}}},
	}
}

func lay(t *testing.T, sheet Sheet, nursery Nursery, treatments ...Treatment) (Laid, string) {
	t.Helper()
	laid, err := Lay(sheet, nursery, treatments)
	require.NoError(t, err)
	text := pagetest.Text(t, laid.PDF)
	require.NotContains(t, text, "{", "a fact was not written into its place")
	pagetest.RequireReadable(t, paperOf(nursery.Law.Jurisdiction), laid.PDF)
	return laid, text
}

// flat is a text without its line breaks.
func flat(text string) string { return strings.Join(strings.Fields(text), " ") }

func TestEverySheetIsLaidOutAsTheGoldenFiles(t *testing.T) {
	for _, sheet := range Sheets() {
		complete, text := lay(t, sheet, california(t), sprayed("h1"), sprayed("h2"))
		require.Empty(t, complete.Missing, sheet)
		require.NotContains(t, text, "MISSING", sheet)
		requireGolden(t, string(sheet)+"-complete.txt", text)

		nursery, treatment := bare()
		lacking, text := lay(t, sheet, nursery, treatment)
		require.NotEmpty(t, lacking.Missing, sheet)
		require.Contains(t, text, "MISSING / FALTA", sheet)
		requireGolden(t, string(sheet)+"-bare.txt", text+"\nMissing:\n"+strings.Join(lacking.Missing, "\n")+"\n")
	}
}

// planned is an application that is not done yet.
func planned(treatment Treatment) Treatment {
	treatment.Planned, treatment.Entry.ID = true, ""
	treatment.Products = slices.Clone(treatment.Products)
	for i := range treatment.Products {
		treatment.Products[i].Recorded = false
	}
	return treatment
}

func TestASheetOfPlannedWorkSaysSoInBothLanguages(t *testing.T) {
	for _, sheet := range Sheets() {
		laid, text := lay(t, sheet, california(t), planned(sprayed("h1")), planned(sprayed("h2")))
		require.Empty(t, laid.Missing, "%s: that planned work has no record is no fact that is missing", sheet)
		requireGolden(t, string(sheet)+"-planned.txt", text)
		text = flat(text)
		for _, language := range languages {
			require.Equal(t, 2, strings.Count(text, printed().in(language, "planned")), "%s, once for each house", sheet)
		}
		require.Contains(t, text, "planned, not recorded / planificada, no registrada", sheet)
		require.NotContains(t, text, "recorded with the application", sheet)
		require.NotContains(t, text, "What was applied", sheet)

		nursery, treatment := bare()
		laid, lacking := lay(t, sheet, nursery, planned(treatment))
		require.NotEmpty(t, laid.Missing, sheet)
		require.Contains(t, lacking, "MISSING / FALTA", "%s: an interval that nobody entered is not invented", sheet)
		if sheet == EntranceSign {
			require.Contains(t, text, "page 1 of 1", "a sign is one page")
			require.Contains(t, lacking, "page 1 of 1", "a sign is one page")
		}
	}
}

func TestASheetOfWorkThatIsDoneDoesNotSayThatItIsPlanned(t *testing.T) {
	for _, sheet := range Sheets() {
		_, text := lay(t, sheet, california(t), sprayed("h1"))
		require.NotContains(t, strings.ToLower(text), "planned", sheet)
		require.NotContains(t, strings.ToLower(text), "planificada", sheet)
	}
}

func TestEverySheetCarriesTheCautionInBothLanguagesAndNumbersThePagesOfEachHouse(t *testing.T) {
	for _, sheet := range Sheets() {
		_, text := lay(t, sheet, california(t), sprayed("h1"), sprayed("h2"))
		text = flat(text)
		for _, language := range languages {
			require.Equal(t, 2, strings.Count(text, printed().in(language, "caution")), "%s, once for each house", sheet)
		}
		require.Equal(t, 2, strings.Count(text, "page 1 of"), sheet)
		for _, house := range []string{"Vanda house", "Phalaenopsis house"} {
			require.Contains(t, text, house+", page 1 of", sheet)
		}
	}
}

func TestTheSameFactsGiveTheSameBytes(t *testing.T) {
	for _, sheet := range Sheets() {
		first, _ := lay(t, sheet, california(t), sprayed("h1"))
		second, _ := lay(t, sheet, california(t), sprayed("h1"))
		require.Equal(t, first, second, sheet)
	}
}

func TestTheEnglishWordsAreThoseOfTheRulesOfEntry(t *testing.T) {
	nursery := california(t)
	fine, coarse, unknown := sprayed("h1"), sprayed("h1"), sprayed("h1")
	coarse.Entry.Droplets = entry.MediumOrLarger
	coarse.Benches, coarse.Entry.Where = []string{"b1", "b2"}, "benches b1, b2"
	unknown.Entry.Products[0].Interval = quantity.Quantity{}
	smoke, fumigant, drench := sprayed("h1"), sprayed("h1"), sprayed("h1")
	smoke.Entry.Form, fumigant.Entry.Form, drench.Entry.Form = entry.Smoke, entry.Fumigant, entry.Drench
	drench.Entry.Height = quantity.Must("10", quantity.Centimetre)
	for _, treatment := range []Treatment{fine, coarse, unknown, smoke, fumigant, drench} {
		words := nursery.Law.NoticesDue(treatment.Entry, entry.Unknown).Words
		require.NotEmpty(t, words)
		_, text := lay(t, SpokenWords, nursery, treatment)
		require.Contains(t, flat(text), words)
	}
}

func TestWhatIsClosedIsSaidInSpanish(t *testing.T) {
	treatment := sprayed("h1")
	_, text := lay(t, SpokenWords, california(t), treatment)
	require.Contains(t, flat(text), "Vanda house: no entre en todo el invernadero desde 2026-03-01 09:00 PST hasta 2026-03-02 10:00 PST, "+
		"y después hasta que el invernadero esté ventilado. Allí se aplica un pesticida. No entre mientras los letreros de advertencia estén puestos.")

	treatment.Entry.Droplets = entry.MediumOrLarger
	treatment.Benches = []string{"b1", "b2"}
	_, text = lay(t, SpokenWords, california(t), treatment)
	require.Contains(t, flat(text), "no entre en el área tratada y 25 pies a su alrededor (mesas b1, b2) desde")

	treatment.Entry.Products[0].Interval = quantity.Quantity{}
	laid, text := lay(t, SpokenWords, california(t), treatment)
	require.Contains(t, flat(text), "hasta que le digan que está abierto")
	require.Contains(t, laid.Missing, "the restricted-entry interval of Leafguard 70")
}

func TestASignDoesNotPassForThePrescribedOne(t *testing.T) {
	_, text := lay(t, EntranceSign, california(t), sprayed("h1"))
	require.Contains(t, flat(text), "This page is not the sign that the law prescribes.")
	require.Contains(t, flat(text), "Esta página no es el letrero que prescribe la ley.")
	require.Contains(t, text, "page 1 of 1", "a sign is one page")
}

func TestFirstAidStandsWordForWordAndMissingFirstAidSendsToTheLabel(t *testing.T) {
	treatment := sprayed("h1")
	_, text := lay(t, Physician, california(t), treatment)
	require.Contains(t, text, "If swallowed: call a doctor at once.\nIf in eyes: rinse slowly with water for 15 to 20 minutes.\n")

	treatment.Products[1].FirstAid = " \n"
	treatment.Products[1].Actives[1].Content = ""
	laid, text := lay(t, Physician, california(t), treatment)
	require.Equal(t, []string{"Rotstop SC: azoxystrobin: content", "Rotstop SC: First aid, word for word as it was entered from the label"}, laid.Missing)
	require.Contains(t, flat(text), "azoxystrobin, MISSING / FALTA")
	require.Contains(t, text, "MISSING / FALTA\nRead the label.\nLea la etiqueta.\n")
}

func TestALongTextIsWrappedAndNothingOfItIsLost(t *testing.T) {
	treatment := sprayed("h1")
	treatment.Products[0].FirstAid = strings.Repeat("word ", 4000)
	treatment.Products[0].Name = strings.Repeat("ñ", 600)
	for _, sheet := range []Sheet{Physician, CentralDisplay} {
		_, text := lay(t, sheet, california(t), treatment)
		require.Equal(t, 600, strings.Count(strings.ReplaceAll(text, "Señales", ""), "ñ"), sheet)
		if sheet == Physician {
			require.Equal(t, 4000+4, strings.Count(text, "word"), "the labels of both have it twice: word for word")
			require.Contains(t, text, "page 1 of 5")
		}
	}
}

func TestWhatIsNoSheetIsRefused(t *testing.T) {
	_, err := Lay("poster", california(t), []Treatment{sprayed("h1")})
	require.ErrorContains(t, err, `"poster" is no sheet`)
	_, err = Lay(Physician, california(t), nil)
	require.ErrorContains(t, err, "no house was treated")
}
