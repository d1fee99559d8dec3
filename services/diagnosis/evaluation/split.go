package evaluation

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"unicode"

	"velamen/services/diagnosis/knowledge"
)

// Shared lists what keeps the weights and the vignettes from being independent of
// each other: a publication or a publisher that both rest on. Web sites are not
// compared, since archives hold the pages of many publishers.
func Shared(weights []knowledge.Source, all []Vignette) []string {
	pages, works, publishers := map[string]bool{}, map[string]bool{}, map[string]bool{}
	for _, s := range weights {
		if s.URL != "" {
			pages[page(s.URL)] = true
		}
		works[plain(s.Publisher+s.Title)] = true
		publishers[plain(s.Publisher)] = true
	}
	var shared []string
	for _, v := range all {
		s := v.Source
		switch {
		case pages[page(s.URL)]:
			shared = append(shared, fmt.Sprintf("%s: the page %s", v.ID, s.URL))
		case works[plain(s.Publisher+s.Title)]:
			shared = append(shared, fmt.Sprintf("%s: %q of %s", v.ID, s.Title, s.Publisher))
		case publishers[plain(s.Publisher)]:
			shared = append(shared, fmt.Sprintf("%s: the publisher %s", v.ID, s.Publisher))
		}
	}
	return shared
}

// page is a web address without what may differ between two ways to write it.
func page(address string) string {
	u, err := url.Parse(strings.ToLower(strings.TrimSpace(address)))
	if err != nil {
		return address
	}
	return strings.TrimPrefix(u.Host, "www.") + strings.TrimSuffix(u.Path, "/") + "?" + u.Query().Encode()
}

// institutions are the houses behind the publishers of the weights, by words that
// stand in their names in small letters: one university publishes under several.
var institutions = map[string]string{
	"university of massachusetts": "University of Massachusetts", "umass": "University of Massachusetts",
	"university of connecticut": "University of Connecticut", "uconn": "University of Connecticut",
	"connecticut agricultural": "Connecticut Agricultural Experiment Station",
	"north carolina state":     "North Carolina State University", "nc state": "North Carolina State University",
	"penn state": "Pennsylvania State University", "pennsylvania state": "Pennsylvania State University",
	"cornell": "Cornell University", "rutgers": "Rutgers University",
	"washington state": "Washington State University", "oregon state": "Oregon State University",
	"pacific northwest":     "Pacific Northwest Plant Disease Management Handbook",
	"university of florida": "University of Florida", "florida department": "Florida Department of Agriculture",
	"american orchid society": "American Orchid Society", "oregon orchid": "Oregon Orchid Society",
	"houston orchid": "Houston Orchid Society", "macarthur orchid": "Macarthur Orchid Society",
	"st augustine orchid": "St Augustine Orchid Society", "orchid society": "an orchid society",
	"plant management network": "Plant Management Network", "journal of virological methods": "Journal of Virological Methods",
	"phytopatholog": "American Phytopathological Society", "in plant disease": "American Phytopathological Society",
	"usda": "United States Department of Agriculture", "united states department of agriculture": "United States Department of Agriculture",
}

// housesOf are the institutions that a publisher's name speaks of.
func housesOf(publisher string) []string {
	var houses []string
	for words, house := range institutions {
		if strings.Contains(strings.ToLower(publisher), words) && !slices.Contains(houses, house) {
			houses = append(houses, house)
		}
	}
	slices.Sort(houses)
	return houses
}

// SameHouse lists vignettes of a disorder whose weights, or whose tests' figures, cite
// another page of the institution that the vignette is from: it teaches both alike. An
// institution may stand on both sides for different disorders only. A source of the
// weights whose institution is not known is listed as well.
func SameHouse(base *knowledge.Base, all []Vignette) []string {
	var found []string
	cited := map[string][]string{} // houses by disorder
	cite := func(disorder string, keys []string) {
		for _, key := range keys {
			if source, known := base.Source(key); known {
				cited[disorder] = append(cited[disorder], housesOf(source.Publisher)...)
			}
		}
	}
	for _, s := range base.Sources {
		if len(housesOf(s.Publisher)) == 0 {
			found = append(found, fmt.Sprintf("%s: whose is the publisher %s?", s.Key, s.Publisher))
		}
	}
	for _, d := range base.Disorders {
		cite(d.ID, slices.Concat(d.FavouredBy.Source, d.Contagion.Source, d.Fungicide.Source, d.ConfirmationSource, d.HandlingSource))
		for _, e := range d.Signs {
			cite(d.ID, e.Source)
		}
		if d.Latent != nil {
			cite(d.ID, d.Latent.Source)
		}
	}
	for _, test := range base.Tests {
		for _, disorder := range test.Finds {
			cite(disorder, test.Source)
		}
	}
	for _, v := range all {
		for _, house := range housesOf(v.Source.Publisher) {
			for _, disorder := range v.Disorders {
				if slices.Contains(cited[disorder], house) {
					found = append(found, fmt.Sprintf("%s: %s of %s", v.ID, disorder, house))
				}
			}
		}
	}
	return found
}

// plain is letters and digits only.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, text)
}
