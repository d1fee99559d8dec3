package rules

import (
	"fmt"
	"slices"
	"strings"

	"velamen/internal/jurisdiction"
	"velamen/services/products"
)

// country returns the ISO 3166-1 part of a jurisdiction.
func country(code string) string {
	of, _ := jurisdiction.Country(code)
	return of
}

// registration holds a product to the law of the nursery on the day.
func (c *check) registration(l *line) {
	name, expires := l.Product.DisplayName, l.Product.RegistrationExpireDate
	v := l.about(RuleRegistrationExpired, Pass, "the registration of %s has no last day entered", name)
	if expires != "" {
		v.Message = fmt.Sprintf("%s is registered until %s", name, expires)
		v.Numbers = []Number{{Name: "last day", Value: expires}}
	}
	if expires != "" && c.day > expires {
		v.Outcome = Refuse
		v.Message = fmt.Sprintf("the registration of %s ended on %s", name, expires)
	}
	v.Source = "registration " + l.Product.RegistrationNumber
	c.add(v)
	c.registeredHere(l)
	for _, active := range l.actives {
		c.approval(l, active)
	}
}

// registeredHere holds a product to the law under which it is registered.
func (c *check) registeredHere(l *line) {
	name, under, here := l.Product.DisplayName, l.Product.Jurisdiction, c.a.Jurisdiction
	laws := products.LawsOf(here)
	v := l.about(RuleRegistrationPlace, Pass, "%s is registered under the law of %s", name, under)
	switch {
	case under == "":
		v.Outcome, v.Message = Refuse, fmt.Sprintf("under which law %s is registered is not entered", name)
	case here == "":
		v.Outcome, v.Message = Refuse, "the jurisdiction of the nursery is not entered"
	case under == here:
	case under == country(here) && under == "US":
		// FIFRA leaves sale and use to the states too; each registers by itself.
		v.Outcome = Warn
		v.Message = fmt.Sprintf("%s is registered in the US; whether %s registered it too is not known, and without that it must not be used", name, here)
	case slices.Contains(laws, under) && under != country(here):
		v.Outcome = Warn
		v.Message = fmt.Sprintf("%s is entered under the law of %s; a product must be authorised in %s itself", name, under, country(here))
	case slices.Contains(laws, under):
	case country(under) == here:
		v.Outcome = Warn
		v.Message = fmt.Sprintf("%s is registered in %s only; in which part of %s the nursery lies is not entered", name, under, here)
	default:
		v.Outcome = Refuse
		v.Message = fmt.Sprintf("%s is registered under the law of %s, and the nursery is in %s", name, under, here)
	}
	v.Numbers = []Number{{Name: "registered in", Value: under}, {Name: "nursery in", Value: here}}
	v.Source = lawSource(here)
	c.add(v)
}

// lawSource is the law by which a product must be registered where it is used.
func lawSource(code string) string {
	switch {
	case country(code) == "US":
		return "7 USC 136a and 136v (FIFRA sections 3 and 24): no distribution without a registration, and states may ask for their own; from memory"
	case slices.Contains(products.LawsOf(code), "EU"):
		return "Regulation (EC) No 1107/2009, article 28: no use without an authorisation of the member state; from memory"
	default:
		return "law of the nursery's jurisdiction: a product is used only where it is registered; common practice, no source"
	}
}

// approval holds an active ingredient to the law on the day.
func (c *check) approval(l *line, active products.ActiveIngredient) {
	ended, approved := products.ApprovalFor(active.ID, c.a.Jurisdiction, c.day)
	v := l.about(RuleActiveApproval, Pass, "no end of the approval of %s in %s is known", active.DisplayName, c.a.Jurisdiction)
	v.Source = "approvals of " + strings.Join(products.LawsOf(c.a.Jurisdiction), ", ")
	if ended != (products.Approval{}) {
		v.Source = ended.Act + "; " + ended.Source
		last := ended.LastUseDate
		if last == "" {
			last = "a day that is not known"
		}
		v.Numbers = []Number{{Name: "last day of use", Value: last}}
		v.Message = fmt.Sprintf("%s may be used in %s until %s", active.DisplayName, ended.Jurisdiction, last)
		v.Outcome = Warn
		if !approved {
			v.Outcome = Refuse
			v.Message = fmt.Sprintf("%s is not approved in %s any more: its last day of use was %s", active.DisplayName, ended.Jurisdiction, last)
		}
	}
	c.add(v)
}
