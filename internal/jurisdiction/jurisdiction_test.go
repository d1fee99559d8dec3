package jurisdiction

import (
	"testing"

	"github.com/stretchr/testify/require"
)

func TestANurseryIsInACountry(t *testing.T) {
	for _, code := range []string{"ZA", "DE", "US", "US-CA", "GB-ENG", "DE-BY", "AT-9", "EL", "GR", "UK", "GB", "HR", "XK"} {
		require.NoError(t, Check(code), code)
		require.NoError(t, CheckLaw(code), code)
	}
	for code, explained := range map[string]string{
		"XX": `"XX" is not a country of ISO 3166-1`, "QQ": `"QQ" is not a country of ISO 3166-1`, "ZZ": "not a country",
		"US-ZZZZ": "must be an ISO 3166-1 country", "us": "in capitals", "": "must be", "South Africa": "must be",
		"QQ-CA": `"QQ" is not a country`, "CS": "not a country", "SU": "not a country", "YU": "not a country", "UN": "not a country",
		"DD": "not a country", "EU-CA": "the EU is a union and has no subdivisions", "EZ": "not a country",
	} {
		require.ErrorContains(t, Check(code), explained, code)
		require.ErrorContains(t, CheckLaw(code), explained, code)
	}
	require.ErrorContains(t, Check("EU"), "enter the country")
	require.NoError(t, CheckLaw("EU"))
}

// A subdivision is held to its form only, and whoever errs in a country is told.
func TestASubdivisionIsHeldToItsForm(t *testing.T) {
	require.NoError(t, Check("US-ZZ"))
	require.ErrorContains(t, Check("XX-CA"), "cannot check the part after the hyphen")
}

// ISO 3166-1 has 249 countries and areas (from memory); beside them stand the two
// codes that the EU writes otherwise, and Kosovo's.
func TestCountriesAreThoseOfISO(t *testing.T) {
	var known int
	for a := 'A'; a <= 'Z'; a++ {
		for b := 'A'; b <= 'Z'; b++ {
			if Check(string([]rune{a, b})) == nil {
				known++
			}
		}
	}
	require.Equal(t, 249+len(officialCodes)+1, known)
}

func TestLawsOfAJurisdiction(t *testing.T) {
	require.Len(t, members, 27)
	require.NotContains(t, members, "GB")
	for code, laws := range map[string][]string{
		"US-CA": {"US-CA", "US"}, "DE-BY": {"DE-BY", "DE", "EU"}, "EU": {"EU"}, "EL": {"EL", "GR", "EU"}, "GR": {"GR", "EU"},
		"UK": {"UK", "GB"}, "GB-ENG": {"GB-ENG", "GB"}, "ZA": {"ZA"}, "": nil,
	} {
		require.Equal(t, laws, Laws(code), code)
	}
}

func FuzzCheck(f *testing.F) {
	for _, seed := range []string{"ZA", "US-CA", "EU", "EL", "XX", "US-", "-", "é"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, code string) {
		if Check(code) != nil {
			return
		}
		require.Regexp(t, form, code)
		require.NoError(t, CheckLaw(code))
	})
}
