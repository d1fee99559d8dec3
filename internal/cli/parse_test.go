package cli

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	identityv1 "velamen/gen/velamen/identity/v1"
	stockv1 "velamen/gen/velamen/stock/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
)

func TestQuantity(t *testing.T) {
	for _, test := range []struct{ typed, amount, unit string }{
		{"120g", "120", "g"},
		{"12.5 mL", "12.5", "mL"},
		{" 0.5L ", "0.5", "L"},
		{"80%", "80", "%"},
		{"12000m3/h", "12000", "m3/h"},
		{"-3Cel", "-3", "Cel"},
	} {
		t.Run(test.typed, func(t *testing.T) {
			q, err := parseQuantity(test.typed)
			require.NoError(t, err)
			require.Equal(t, test.amount, q.GetAmount())
			require.Equal(t, test.unit, q.GetUnit())
		})
	}
}

func TestQuantityRefused(t *testing.T) {
	for _, test := range []struct{ typed, says string }{
		{"120", "has no unit"},
		{"", "has no unit"},
		{"g", "not a plain decimal"},
		{"1e3g", `unit "e3g"`},
		{"1,5L", `unit ",5L"`},
		{"120 grams", `unit "grams"`},
		{"1.2.3g", "not a plain decimal"},
		{"1234567890123g", "more than 12 digits"},
	} {
		t.Run(test.typed, func(t *testing.T) {
			_, err := parseQuantity(test.typed)
			require.ErrorContains(t, err, test.says)
		})
	}
}

func FuzzQuantity(f *testing.F) {
	for _, seed := range []string{"120g", "12.5 mL", "1e3g", "-0.000001ha", ".g", "--1g", "8floz", "1.5 fl oz / 100gal", "1g/g/g"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, typed string) {
		q, err := parseQuantity(typed)
		if err != nil {
			return
		}
		again, err := parseQuantity(q.GetAmount() + q.GetUnit())
		require.NoError(t, err)
		require.Equal(t, q.GetAmount(), again.GetAmount())
		require.Equal(t, q.GetUnit(), again.GetUnit())
	})
}

func TestMoney(t *testing.T) {
	money, err := parseMoney("85.50ZAR")
	require.NoError(t, err)
	require.Equal(t, "85.50", money.GetAmount())
	require.Equal(t, "ZAR", money.GetCurrencyCode())
	for _, typed := range []string{"85.50", "85.50zar", "ZAR85.50", "85.50 R"} {
		_, err := parseMoney(typed)
		require.Error(t, err, typed)
	}
}

func TestProductUse(t *testing.T) {
	use, err := parseProductUse("topspray=120g")
	require.NoError(t, err)
	require.Equal(t, "topspray", use.GetProduct())
	require.Equal(t, "120", use.GetAmount().GetAmount())
	require.Equal(t, "g", use.GetAmount().GetUnit())
	for _, typed := range []string{"topspray", "=120g", "topspray=", "topspray=120"} {
		_, err := parseProductUse(typed)
		require.Error(t, err, typed)
	}
}

func FuzzProductUse(f *testing.F) {
	f.Add("topspray=120g")
	f.Add("a=b=1g")
	f.Add("topspray=8floz@jug-2")
	f.Fuzz(func(t *testing.T, typed string) {
		use, err := parseProductUse(typed)
		if err == nil {
			require.NotEmpty(t, use.GetProduct())
			require.NotEmpty(t, use.GetAmount().GetUnit())
			require.Equal(t, strings.Contains(typed[strings.Index(typed, "=")+1:], "@"), use.GetContainer() != "", "a container that was named is never dropped")
		}
	})
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	location, err := time.LoadLocation(name)
	require.NoError(t, err)
	return location
}

func TestTime(t *testing.T) {
	for _, test := range []struct{ name, typed, zone, want string }{
		{"on the nursery's clock", "2026-03-01 10:00", "Africa/Johannesburg", "2026-03-01T08:00:00Z"},
		{"with seconds", "2026-03-01 10:00:30", "Africa/Johannesburg", "2026-03-01T08:00:30Z"},
		{"with a T", "2026-03-01T10:00", "Africa/Johannesburg", "2026-03-01T08:00:00Z"},
		{"its own offset wins", "2026-03-01T10:00:00+05:30", "Africa/Johannesburg", "2026-03-01T04:30:00Z"},
		{"in UTC", "2026-03-01T10:00:00Z", "Africa/Johannesburg", "2026-03-01T10:00:00Z"},
		{"summer time", "2026-07-01 10:00", "America/Los_Angeles", "2026-07-01T17:00:00Z"},
		{"just before the hour that is left out", "2026-03-08 01:59", "America/Los_Angeles", "2026-03-08T09:59:00Z"},
		{"just after it", "2026-03-08 03:00", "America/Los_Angeles", "2026-03-08T10:00:00Z"},
		{"after the hour that comes twice", "2026-11-01 02:00", "America/Los_Angeles", "2026-11-01T10:00:00Z"},
	} {
		t.Run(test.name, func(t *testing.T) {
			moment, err := parseTime(test.typed, zone(t, test.zone))
			require.NoError(t, err)
			require.Equal(t, test.want, moment.Format(time.RFC3339))
		})
	}
}

func TestTimeRefused(t *testing.T) {
	for _, test := range []struct{ name, typed, zone, says string }{
		{"no time", "2026-03-01", "UTC", "it must be a time"},
		{"no such day", "2026-02-30 10:00", "UTC", "it must be a time"},
		{"words", "yesterday", "UTC", "it must be a time"},
		{"a time that the clocks leave out", "2026-03-08 02:30", "America/Los_Angeles", "leave out"},
		{"a time that comes twice", "2026-11-01 01:30", "America/Los_Angeles", "twice"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := parseTime(test.typed, zone(t, test.zone))
			require.ErrorContains(t, err, test.says)
		})
	}
}

func FuzzTime(f *testing.F) {
	for _, seed := range []string{"2026-03-01 10:00", "2026-03-08 02:30", "2026-11-01 01:30:59", "2026-03-01T10:00:00.25+14:00"} {
		f.Add(seed)
	}
	zones := []*time.Location{zone(f, "America/Los_Angeles"), zone(f, "Australia/Lord_Howe"), zone(f, "Africa/Johannesburg")}
	f.Fuzz(func(t *testing.T, typed string) {
		for _, zone := range zones {
			moment, err := parseTime(typed, zone)
			if err != nil {
				continue
			}
			require.Equal(t, time.UTC, moment.Location())
			if wall, err := time.Parse(wallClocks[0], strings.TrimSpace(typed)); err == nil {
				require.Equal(t, wall.Format(time.DateTime), moment.In(zone).Format(time.DateTime))
			}
		}
	})
}

func TestShownTimeCarriesItsOffset(t *testing.T) {
	moment := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	require.Equal(t, "2026-03-01 10:00 +02:00", showTime(moment, zone(t, "Africa/Johannesburg")))
	require.Equal(t, "2026-03-01 13:30 +05:30", showTime(moment, zone(t, "Asia/Kolkata")))
	require.Equal(t, "2026-03-01 08:00:07 +00:00", showTime(moment.Add(7*time.Second), time.UTC))
}

func TestObservation(t *testing.T) {
	seen, err := parseObservation("stem:ring-in-cut-face")
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.Organ_ORGAN_STEM, seen.GetOrgan())
	require.Equal(t, "ring-in-cut-face", seen.GetSign())
	require.Equal(t, diagnosisv1.Presence_PRESENCE_OBSERVED, seen.GetPresence())

	absent, err := parseObservation("whole-plant:wilting=absent")
	require.NoError(t, err)
	require.Equal(t, diagnosisv1.Organ_ORGAN_WHOLE_PLANT, absent.GetOrgan())
	require.Equal(t, diagnosisv1.Presence_PRESENCE_ABSENT, absent.GetPresence())

	for _, typed := range []string{"spots", "leaf:", "twig:spots", "leaf:spots=perhaps"} {
		_, err := parseObservation(typed)
		require.Error(t, err, typed)
	}
}

func FuzzObservation(f *testing.F) {
	f.Add("stem:ring=absent")
	f.Add("leaf:a:b=c=d")
	f.Fuzz(func(t *testing.T, typed string) {
		observation, err := parseObservation(typed)
		if err == nil {
			require.NotEmpty(t, observation.GetSign())
			require.NotZero(t, observation.GetOrgan())
		}
	})
}

func TestCertificate(t *testing.T) {
	certificate, err := parseCertificate("A-123:2027-06-30:plant pathology: greenhouse")
	require.NoError(t, err)
	require.Equal(t, "A-123", certificate.GetNumber())
	require.Equal(t, "2027-06-30", certificate.GetExpireDate().GetValue())
	require.Equal(t, "plant pathology: greenhouse", certificate.GetCategory())
	for _, typed := range []string{"A-123", ":2027-06-30", "A-123:30-06-2027"} {
		_, err := parseCertificate(typed)
		require.Error(t, err, typed)
	}
}

func TestEnumWords(t *testing.T) {
	require.Equal(t, "lab-test", word(treatmentv1.StepKind_STEP_KIND_LAB_TEST))
	require.Equal(t, "owner", word(identityv1.Role_ROLE_OWNER))
	require.Equal(t, "", word(identityv1.Role_ROLE_UNSPECIFIED))

	covering, err := enumOf[stockv1.Covering]("rigid-plastic")
	require.NoError(t, err)
	require.Equal(t, stockv1.Covering_COVERING_RIGID_PLASTIC, covering)
	for _, typed := range []string{"", "unspecified", "wood", "COVERING_GLASS"} {
		_, err := enumOf[stockv1.Covering](typed)
		require.ErrorContains(t, err, "glass, rigid-plastic, film, net", typed)
	}
}

func TestWholeName(t *testing.T) {
	for _, test := range []struct {
		typed       string
		collections []string
		want        string
	}{
		{"l-0001", []string{"lots"}, "nurseries/vanda/lots/l-0001"},
		{"h1/b03", []string{"houses", "benches"}, "nurseries/vanda/houses/h1/benches/b03"},
		{"houses/h1/benches/b03", []string{"houses", "benches"}, "nurseries/vanda/houses/h1/benches/b03"},
		{"nurseries/other/lots/l-0001", []string{"lots"}, "nurseries/other/lots/l-0001"},
		{"-", []string{"programs"}, "nurseries/vanda/programs/-"},
		{"p1/systemic-1", []string{"programs", "steps"}, "nurseries/vanda/programs/p1/steps/systemic-1"},
	} {
		t.Run(test.typed, func(t *testing.T) {
			name, err := wholeName("IT", "vanda", test.typed, test.collections...)
			require.NoError(t, err)
			require.Equal(t, test.want, name)
		})
	}
}

func TestNameThatIsNoneSaysWhatToGive(t *testing.T) {
	_, err := wholeName("BENCH", "vanda", "b03", "houses", "benches")
	require.EqualError(t, err, `BENCH "b03": give HOUSE/BENCH, or the whole name nurseries/NURSERY/houses/HOUSE/benches/BENCH`)
	for _, typed := range []string{"", "L-1", "a b", "../x", "lots/", "houses/h1"} {
		_, err := wholeName("LOT", "vanda", typed, "lots")
		require.Error(t, err, typed)
	}
}

func FuzzWholeName(f *testing.F) {
	f.Add("h1/b03")
	f.Add("nurseries/vanda/houses/h1/benches/b03")
	f.Add("houses/h1/benches/-")
	f.Fuzz(func(t *testing.T, typed string) {
		name, err := wholeName("BENCH", "vanda", typed, "houses", "benches")
		if err != nil {
			return
		}
		again, err := wholeName("BENCH", "vanda", name, "houses", "benches")
		require.NoError(t, err)
		require.Equal(t, name, again)
	})
}

func TestShortName(t *testing.T) {
	require.Equal(t, "l-0001", shortName("nurseries/vanda/lots/l-0001"))
	require.Equal(t, "h1/b03", shortName("nurseries/vanda/houses/h1/benches/b03"))
	require.Equal(t, "", shortName(""))
	require.Equal(t, "nurseries/vanda", shortName("nurseries/vanda"))
}
