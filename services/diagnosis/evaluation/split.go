package evaluation

import (
	"fmt"
	"net/url"
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

// plain is letters and digits only.
func plain(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, text)
}
