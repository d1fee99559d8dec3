package duty

import (
	"fmt"
	"slices"

	"velamen/internal/quantity"
)

// Site is where a spot application was made.
type Site string

// Sites. The empty one is that nobody said.
const (
	Greenhouse Site = "greenhouse"
	Nursery    Site = "nursery"
	Elsewhere  Site = "elsewhere"
)

var sites = []Site{Greenhouse, Nursery, Elsewhere}

// ShortFormVerdict says whether the shorter record of a spot application will do.
type ShortFormVerdict struct {
	Allowed bool
	// Reason is a sentence.
	Reason string
	// Source says where it stands; Verified is false where that is from memory or where
	// no law decided.
	Source   string
	Verified bool
}

// ShortForm reports whether the shorter record will do for what was treated on a site
// in one day, an area. It will not unless every law that binds was read and each of
// those that speak of it allows it; in greenhouses and nurseries it never does.
func ShortForm(jurisdiction string, site Site, treated quantity.Quantity) (ShortFormVerdict, error) {
	return shipped().shortForm(jurisdiction, site, treated)
}

func (l *law) shortForm(code string, site Site, treated quantity.Quantity) (ShortFormVerdict, error) {
	place, err := l.scopeOf(code)
	if err != nil {
		return ShortFormVerdict{}, err
	}
	if site != "" && !slices.Contains(sites, site) {
		return ShortFormVerdict{}, fmt.Errorf("%q is no site", site)
	}
	var allowing *shortForm
	for i, form := range l.shortForms {
		if !slices.Contains(place.laws, form.law) {
			continue
		}
		why, err := form.refuses(site, treated)
		if err != nil {
			return ShortFormVerdict{}, err
		}
		if why != "" {
			return ShortFormVerdict{Reason: "Write the full record: " + why, Source: form.source, Verified: form.verified}, nil
		}
		allowing = &l.shortForms[i]
	}
	switch {
	case allowing == nil:
		return ShortFormVerdict{Reason: fmt.Sprintf("Write the full record: no law that was read for %s has a shorter one.", code)}, nil
	case !place.settled:
		return ShortFormVerdict{
			Reason: fmt.Sprintf("Write the full record: %s has a shorter one, but not all of the law of %s was read.", allowing.law, code),
			Source: allowing.source, Verified: allowing.verified,
		}, nil
	}
	return ShortFormVerdict{
		Allowed: true, Reason: fmt.Sprintf("The shorter record will do for less than %s a day.", allowing.below),
		Source: allowing.source, Verified: allowing.verified,
	}, nil
}

// refuses says in a sentence why a law refuses the shorter record.
func (form shortForm) refuses(site Site, treated quantity.Quantity) (string, error) {
	switch {
	case form.never:
		return fmt.Sprintf("%s knows no shorter one.", form.law), nil
	case slices.Contains(form.neverIn, site):
		return fmt.Sprintf("in a %s there is no shorter one, whatever the area.", site), nil
	case site == "":
		return "it was not said where the application was made.", nil
	case treated.IsZero():
		return "it was not said how much was treated that day.", nil
	}
	compared, err := treated.Compare(form.below)
	if err != nil {
		return "", fmt.Errorf("what was treated: %w", err)
	}
	if compared >= 0 {
		return fmt.Sprintf("%s is not less than %s a day.", treated, form.below), nil
	}
	return "", nil
}
