package report

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"velamen/internal/quantity"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}

func moment(t *testing.T, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	require.NoError(t, err)
	return at.UTC()
}

func kindOf(t *testing.T, id string) Kind {
	t.Helper()
	kind, err := Find(id)
	require.NoError(t, err)
	return kind
}

// place of the law of each kind, so that every kind has a nursery that may make it.
var homes = map[string]struct{ jurisdiction, zone string }{
	"us-wps-application": {"US-FL", "America/New_York"},
	"us-restricted-use":  {"US", "America/Chicago"},
	"us-ca-monthly-use":  {"US-CA", "America/Los_Angeles"},
	"eu-closed-space":    {"DE", "Europe/Berlin"},
	"house-record":       {"KE", "Africa/Nairobi"},
	"gb-use-record":      {"GB", "Europe/London"},
	"za-use-record":      {"ZA", "Africa/Johannesburg"},
}

func nurseryFor(t *testing.T, kind string) Nursery {
	t.Helper()
	home, found := homes[kind]
	require.True(t, found, "no nursery for %s", kind)
	return Nursery{
		Name: "nurseries/test", DisplayName: "Žofie & Çelik Орхидеи", Address: "1 Glasshouse Lane", OperatorID: "40-26-4000123",
		County: "San Mateo", Jurisdiction: home.jurisdiction, Zone: zone(t, home.zone),
	}
}

// fullUse has every fact that any kind asks for.
func fullUse(t *testing.T) Use {
	t.Helper()
	return Use{
		Entry: "nurseries/test/entries/1", Application: "nurseries/test/applications/a1", House: "nurseries/test/houses/h1",
		Product: "nurseries/test/products/thiophanate", HouseName: "Vanda house",
		Start: moment(t, "2026-03-02T17:00:00Z"), End: moment(t, "2026-03-02T17:45:00Z"),
		Place: "Vanda house, benches 1 to 3", LegalLocation: "San Mateo, section 12, T5S R5W, Mount Diablo", SiteID: "03",
		FacilityID: "GH-0042", Setting: "closed space", Method: "ground spray",
		Treated: quantity.Must("12.5", quantity.SquareMetre), Planted: quantity.Must("40", quantity.SquareMetre),
		Plants: quantity.Must("310", quantity.Plant), MixVolume: quantity.Must("20", quantity.Litre),
		ProductName: "Thiophanate 50 WP", RegistrationNumber: "L1001", RestrictedUse: true,
		Actives: []Active{{
			Name: "thiophanate-methyl", FRAC: "1", Content: quantity.Must("500", quantity.GramPerKilogram), Amount: quantity.Must("12.5", quantity.Gram),
		}},
		Amount: quantity.Must("25", quantity.Gram), RestrictedEntryInterval: quantity.Must("24", quantity.Hour),
		SafetyDataSheet: "sds-thiophanate-2025.pdf",
		Applicator:      Person{Resource: "nurseries/test/people/wandile", Name: "Wandile Worker", Certificate: "C-17"},
		Supervisor:      Person{Resource: "nurseries/test/people/mira", Name: "Mira Manager", Certificate: "C-4"},
		ForHire:         No, Crops: []Crop{{Name: "Vanda coerulea", EPPO: "VNDCO"}},
		BBCH: "61", TimeLimited: Yes, StageLimited: Yes, Target: "anthracnose",
	}
}

// mixture is another product of the same load with two active ingredients, applied by
// somebody without a certificate and put right later.
func mixture(t *testing.T) Use {
	t.Helper()
	use := fullUse(t)
	use.Entry, use.Product = "nurseries/test/entries/5", "nurseries/test/products/mixture"
	use.ProductName, use.RegistrationNumber = "Epoxiconazole and thiophanate-methyl SC; \"new\"", "L1002"
	use.Actives = []Active{
		{Name: "epoxiconazole", FRAC: "3", Content: quantity.Must("187", quantity.GramPerLitre), Amount: quantity.Must("6.03075", quantity.Gram)},
		{Name: "thiophanate-methyl", FRAC: "1", Content: quantity.Must("310", quantity.GramPerLitre), Amount: quantity.Must("9.9975", quantity.Gram)},
	}
	use.Amount = quantity.Must("32.25", quantity.Millilitre)
	use.Applicator.Certificate = ""
	use.Corrects, use.CorrectionNote = "nurseries/test/entries/2", "The cylinder was read at the upper edge; weighed back from the bottle."
	use.Overrides = []Override{{Rule: "rotation-consecutive", Person: "nurseries/test/people/mira", Note: "No other product is registered; the adviser agreed."}}
	return use
}

// bare has only what the ledger always had.
func bare(t *testing.T) Use {
	t.Helper()
	return Use{
		Entry: "nurseries/test/entries/6", Application: "nurseries/test/applications/a3", House: "nurseries/test/houses/h2",
		Product: "nurseries/test/products/mancozeb", Start: moment(t, "2026-03-16T17:00:00Z"), End: moment(t, "2026-03-16T17:45:00Z"),
		Method: "drench", MixVolume: quantity.Must("20", quantity.Litre), ProductName: "Mancozeb 80 WP 兰花", RegistrationNumber: "L1003", RestrictedUse: true,
		Actives: []Active{{Name: "mancozeb", FRAC: "M03"}}, Amount: quantity.Must("0.06", quantity.Kilogram),
		Treated:    quantity.Must("200", quantity.Pot),
		Applicator: Person{Resource: "nurseries/test/people/wandile", Name: "Wandile Worker"},
		Crops:      []Crop{{Name: "Phalaenopsis amabilis"}}, Target: "grey-mould", Breach: "The scale was read in ounces.",
		BreachRules: []string{"label-rate-max", "rotation-consecutive"},
	}
}

// corrected is an entry that mixture takes the place of.
func corrected(t *testing.T) Use {
	t.Helper()
	use := mixture(t)
	use.Entry, use.Corrects, use.CorrectedBy = "nurseries/test/entries/2", "", "nurseries/test/entries/5"
	use.Amount = quantity.Must("99", quantity.Millilitre)
	return use
}

// general is a use of a product that is not restricted.
func general(t *testing.T) Use {
	t.Helper()
	use := fullUse(t)
	use.Entry, use.Application, use.RestrictedUse = "nurseries/test/entries/7", "nurseries/test/applications/a4", false
	use.Start, use.End = moment(t, "2026-03-20T12:00:00Z"), moment(t, "2026-03-20T13:30:00Z")
	use.Amount, use.Treated = quantity.Must("3", quantity.FluidOunce), quantity.Must("300", quantity.SquareFoot)
	use.ProductName = "Potassium bicarbonate SL"
	use.Actives = []Active{{Name: "potassium bicarbonate", FRAC: "NC", Amount: quantity.Must("40", quantity.Gram)}}
	use.TimeLimited, use.StageLimited, use.BBCH = No, No, ""
	return use
}

func march(t *testing.T, kind string) (Document, Nursery) {
	t.Helper()
	nursery := nurseryFor(t, kind)
	period, err := Month(2026, time.March, nursery.Zone)
	require.NoError(t, err)
	uses := []Use{general(t), bare(t), fullUse(t), corrected(t), mixture(t)}
	document, err := Build(kindOf(t, kind), nursery, period, uses)
	require.NoError(t, err)
	return document, nursery
}
