// Package jurisdiction knows the codes of the laws under which nurseries work and
// products are registered. A code that nobody uses is refused: a typing error
// would leave out the laws of the country that was meant, and nobody would see it.
package jurisdiction

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/text/language"
)

// EU is the code of the European Union's law. It binds in its members: products
// and approvals may be of it, but a nursery stands in a country.
const EU = "EU"

// Rule says in one sentence which codes a nursery may have.
const Rule = "an ISO 3166-1 country in capitals, for example ZA, or one with its ISO 3166-2 subdivision, for example US-CA; " +
	"velamen knows the countries and cannot check the part after the hyphen"

var form = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)

// officialCodes are the ISO 3166-1 codes of countries that the EU and others write
// otherwise: EL for Greece, UK for the United Kingdom (Interinstitutional style
// guide of the EU, from memory).
var officialCodes = map[string]string{"EL": "GR", "UK": "GB"}

// notAssigned are codes that golang.org/x/text takes for countries beyond those of
// ISO 3166-1: reserved ones of parts of countries, of the United Nations and the euro area, and
// those of countries that are no more (CLDR, as that module has it; which of them
// ISO has withdrawn or reserved is from memory). XK is none of them: ISO has no
// code for Kosovo, and XK is the one in use.
var notAssigned = []string{
	"AC", "AN", "CP", "CQ", "CS", "DG", "EA", "EZ", "FQ", "IC", "NT", "PC", "SU", "TA", "UN", "YU",
}

// Official returns the ISO 3166-1 code of a country, and whether it is another
// than the one given.
func Official(country string) (code string, other bool) {
	if code, other = officialCodes[country]; other {
		return code, true
	}
	return country, false
}

// Country returns the country of a jurisdiction, as it is written there, and
// whether a subdivision follows.
func Country(code string) (country string, subdivision bool) {
	country, _, subdivision = strings.Cut(code, "-")
	return country, subdivision
}

// Check refuses a code that is neither of a country nor, by its form, of a
// subdivision of one. The error says what is wrong and what the rule is.
func Check(code string) error {
	if !form.MatchString(code) {
		return fmt.Errorf("%q must be %s", code, Rule)
	}
	country, subdivision := Country(code)
	switch {
	case country == EU && subdivision:
		return fmt.Errorf("%q: the EU is a union and has no subdivisions; must be %s", code, Rule)
	case country == EU:
		return errors.New("EU is a union: enter the country, and the EU's law binds in its members")
	case !assigned(country):
		return fmt.Errorf("%q is not a country of ISO 3166-1; must be %s", country, Rule)
	}
	return nil
}

// CheckLaw is Check for a law, which may be the EU's too.
func CheckLaw(code string) error {
	if code == EU {
		return nil
	}
	return Check(code)
}

func assigned(country string) bool {
	official, _ := Official(country)
	region, err := language.ParseRegion(official)
	// A code with a successor is of a country that has another name now.
	return err == nil && region.IsCountry() && region.Canonicalize() == region &&
		region.String() == official && !slices.Contains(notAssigned, official)
}

// members are the states in which the EU's law binds, since 1 February 2020, by
// their ISO 3166-1 codes. Source: Treaty on European Union, article 52, and the
// withdrawal of the United Kingdom; from memory.
var members = []string{
	"AT", "BE", "BG", "CY", "CZ", "DE", "DK", "EE", "ES", "FI", "FR", "GR", "HR", "HU", "IE", "IT", "LT", "LU", "LV",
	"MT", "NL", "PL", "PT", "RO", "SE", "SI", "SK",
}

// Laws returns the laws that bind in a jurisdiction, the narrowest first: its own,
// its country's, and the EU's in a member. For "US-CA" they are US-CA and US, for
// "DE" DE and EU. A law binds whichever of two codes of a country is entered.
func Laws(code string) []string {
	if code == "" {
		return nil
	}
	all := []string{code}
	country, subdivision := Country(code)
	if subdivision {
		all = append(all, country)
	}
	if official, other := Official(country); other {
		country = official
		all = append(all, country)
	}
	if slices.Contains(members, country) {
		all = append(all, EU)
	}
	return all
}
