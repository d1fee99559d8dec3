package products

import (
	"fmt"
	"slices"
	"strings"

	"velamen/internal/fault"
	"velamen/internal/jurisdiction"
)

// trade is what a product of the nursery is known by, and what it holds.
type trade struct {
	// product is its identifier.
	product      string
	displayName  string
	registration registration
	contents     []Content
}

// registration is a registration number and the law that it is of.
type registration struct {
	// number in lower case without spaces: people write it in several ways.
	number string
	// law is empty when it is not entered. Two numbers without one are taken to be
	// of the same law, the nursery's.
	law string
}

func registrationOf(number, law string) registration {
	country, _ := jurisdiction.Country(law)
	if official, other := jurisdiction.Official(country); other {
		law = official + strings.TrimPrefix(law, country)
	}
	return registration{number: strings.ToLower(strings.Join(strings.Fields(number), "")), law: law}
}

// trade returns what a product is known by.
func (p Product) trade() trade {
	return trade{
		product: p.ID, displayName: p.DisplayName,
		registration: registrationOf(p.RegistrationNumber, p.Jurisdiction), contents: p.Contents,
	}
}

// besides returns names by which products stand for those of a list with the same
// identifiers, and in which those of the list are known too.
func (n names) besides(added []trade) names {
	replaced := map[string]bool{}
	for _, one := range added {
		replaced[one.product] = true
	}
	all := slices.DeleteFunc(slices.Clone(n.trades), func(one trade) bool { return replaced[one.product] })
	return namesOf(n.own, append(all, added...))
}

// namesOf returns names from a nursery's own aliases and its products.
func namesOf(own map[string]string, trades []trade) names {
	n := names{own: own, trades: trades, byName: map[string][]trade{}, byRegistration: map[registration][]trade{}}
	for _, one := range trades {
		name := closed(normalName(one.displayName))
		n.byName[name] = append(n.byName[name], one)
		n.byRegistration[one.registration] = append(n.byRegistration[one.registration], one)
	}
	return n
}

// traded returns the product that has a name as its display name, whatever its
// hyphens, spaces and capitals.
func (n names) traded(name string) (product trade, found bool) {
	standing := n.byName[closed(normalName(name))]
	if len(standing) == 0 {
		return trade{}, false
	}
	return standing[0], true
}

// mistaken returns a product that has a name as its display name and holds
// something else than the active ingredient that the name means, "" when it means
// none. The names that came with velamen mean what they say, whatever a product is
// called.
func (n names) mistaken(name, active string) (product trade, found bool) {
	if _, shipped := shippedNames()[normalName(name)]; shipped {
		return trade{}, false
	}
	for _, one := range n.byName[closed(normalName(name))] {
		if slices.ContainsFunc(one.contents, func(c Content) bool { return c.ActiveIngredient != active }) {
			return one, true
		}
	}
	return trade{}, false
}

// holds says what a product contains, as a sentence does.
func (t trade) holds() string { return holding(t.contents) }

// holding leaves out what a file names in a way that cannot be read.
func holding(contents []Content) string {
	parts := make([]string, 0, len(contents))
	for _, content := range contents {
		active, known := ActiveIngredientByID(content.ActiveIngredient)
		if !known {
			continue
		}
		parts = append(parts, fmt.Sprintf("%s %s (%s)", active.DisplayName, content.Amount, FRACGroup(active.FRACCode)))
	}
	if len(parts) == 0 {
		return "nothing that is in the catalog"
	}
	return strings.Join(parts, " and ")
}

// isTrade explains that a name is of a product and of no active ingredient.
func isTrade(field, name string, product trade) *fault.Fault {
	return fault.FieldReason(fault.Precondition, fault.AliasConflict, field,
		"%s is the name of the product %s, which contains %s; an active ingredient is meant here, and a trade name never stands in for one",
		name, product.product, product.holds()).
		With("display_name", name).With("product", product.product)
}

// displayName refuses a product that is called what means an active ingredient
// which it does not contain: whoever reads the name would take it for that.
func (r *reading) displayName(field string, product Product) {
	meaning, means := r.names.alike(product.DisplayName)
	if !means || slices.ContainsFunc(product.Contents, func(c Content) bool { return c.ActiveIngredient == meaning }) {
		return
	}
	active, _ := ActiveIngredientByID(meaning)
	r.add(fault.FieldReason(fault.Precondition, fault.AliasConflict, field,
		"%s means the active ingredient %s (%s), which the product does not contain; it contains %s. A trade name never stands in for another active ingredient",
		product.DisplayName, active.DisplayName, FRACGroup(active.FRACCode), holding(product.Contents)).
		With("display_name", product.DisplayName).With("means", active.ID).With("means_frac_code", active.FRACCode))
}

// oneRegistration refuses a product that has the registration of another one with
// other contents: one registration is one product, of which several may be
// entered, for example for its sizes of pack.
func (r *reading) oneRegistration(field string, product Product) {
	own := product.trade()
	for _, other := range r.names.byRegistration[own.registration] {
		if other.product == own.product || sameContents(other.contents, own.contents) {
			continue
		}
		r.add(fault.Field(field,
			"%s is the registration of the product %s (%s), which contains %s; this one contains %s, and one registration is one product",
			product.RegistrationNumber, other.product, other.displayName, other.holds(), own.holds()).
			With("registration_number", product.RegistrationNumber).With("jurisdiction", product.Jurisdiction).
			With("product", other.product))
		return
	}
}

// sameContents reports whether two products hold the same, in any order.
func sameContents(a, b []Content) bool {
	if len(a) != len(b) {
		return false
	}
	return !slices.ContainsFunc(a, func(one Content) bool {
		return !slices.ContainsFunc(b, func(other Content) bool {
			return one.sameActive(other) && one.Amount.Unit == other.Amount.Unit && one.Amount.Amount.Equal(other.Amount.Amount)
		})
	})
}
