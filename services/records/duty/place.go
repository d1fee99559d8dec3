package duty

import (
	"fmt"
	"slices"
	"strings"

	"velamen/internal/jurisdiction"
)

// place is a law that somebody looked at.
type place struct {
	code     string
	ownBelow bool
	notKnown bool
	says     string
}

// scope is what is known of the law of one nursery.
type scope struct {
	code string
	// laws are the codes that bind, the narrowest first.
	laws []string
	// settled is true where every law that may speak was looked at.
	settled bool
	// says are sentences about what was not.
	says []string
}

// scopeOf finds the laws of a jurisdiction. Both codes of a country count, with a
// subdivision too: a part of the United Kingdom is the same under UK and GB.
func (l *law) scopeOf(code string) (scope, error) {
	if err := jurisdiction.Check(code); err != nil {
		return scope{}, fmt.Errorf("jurisdiction: %w", err)
	}
	country, part, _ := strings.Cut(code, "-")
	official, _ := jurisdiction.Official(country)
	narrowest := official
	if part != "" {
		narrowest += "-" + part
	}
	s := scope{code: code, laws: jurisdiction.Laws(narrowest)}
	found, unread := false, false
	for _, law := range s.laws {
		at := slices.IndexFunc(l.places, func(p place) bool { return p.code == law })
		if at < 0 {
			continue
		}
		p := l.places[at]
		found = true
		// What parts may make of their own is answered by the row of the part.
		if p.ownBelow && p.code != narrowest && l.read(narrowest) {
			continue
		}
		unread = unread || p.notKnown || p.ownBelow
		s.says = append(s.says, p.code+": "+p.says)
	}
	s.settled = found && !unread
	if !found {
		s.says = append(s.says, fmt.Sprintf("The law of %s was not read: ask the authority.", code))
	}
	return s, nil
}

func (l *law) read(code string) bool {
	return slices.ContainsFunc(l.places, func(p place) bool { return p.code == code })
}
