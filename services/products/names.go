package products

import (
	"maps"
	"strings"
	"sync"
	"unicode"
)

// names says what a name means in a nursery: an active ingredient by the names that
// came with velamen or the nursery's own aliases, by normal name, or a product.
type names struct {
	own map[string]string
	// trades are the nursery's products.
	trades []trade
	// byName are they by display name, normal and closed.
	byName map[string][]trade
	// byRegistration are they by what they are registered as.
	byRegistration map[registration][]trade
}

// resolve returns the identifier of the active ingredient that a name means.
func (n names) resolve(name string) (id string, known bool) {
	key := normalName(name)
	if id, known = shippedNames()[key]; known {
		return id, true
	}
	id, known = n.own[key]
	return id, known
}

// alike returns the identifier of an active ingredient of which a name differs
// in hyphens and spaces only: "thiophanatemethyl" is no new name.
func (n names) alike(name string) (id string, found bool) {
	key := closed(normalName(name))
	for _, known := range []map[string]string{shippedNames(), n.own} {
		for other, id := range known {
			if closed(other) == key {
				return id, true
			}
		}
	}
	return "", false
}

// closed is a normal name without its hyphens.
func closed(normal string) string { return strings.ReplaceAll(normal, "-", "") }

// shippedNames are the identifiers, common names and aliases of the catalog, by
// normal name. The catalog's loader refuses a name that means two of them.
var shippedNames = sync.OnceValue(func() map[string]string {
	all := map[string]string{}
	for _, active := range catalog() {
		maps.Copy(all, active.normalNames())
	}
	return all
})

// normalNames returns every name of an active ingredient, normal, with its
// identifier.
func (a ActiveIngredient) normalNames() map[string]string {
	all := map[string]string{normalName(a.ID): a.ID, normalName(a.DisplayName): a.ID}
	for _, alias := range a.Aliases {
		all[normalName(alias)] = a.ID
	}
	return all
}

// described returns the common name with its resistance group, as a sentence uses
// it.
func (a ActiveIngredient) described() string { return a.DisplayName + ", FRAC " + a.FRACCode }

// hyphens are the characters that people write for a hyphen.
const hyphens = "-‐‑‒–—−_"

// normalName returns a name in lower case with single hyphens. Nothing else is
// evened out: names of different substances can differ in one letter.
func normalName(name string) string {
	apart := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return unicode.IsSpace(r) || strings.ContainsRune(hyphens, r)
	})
	return strings.Join(apart, "-")
}
