// Package resource reads and writes resource names (AIP-122), such as
// nurseries/vanda/houses/h1/benches/b03.
package resource

import (
	"regexp"
	"strings"

	"velamen/internal/fault"
)

// Any stands for every resource of a collection in a parent, as in houses/-.
const Any = "-"

// segment is what the last part of a name may be: lower-case letters, digits
// and hyphens, at most 64 (a photo is named by its SHA-256 in hexadecimal).
var segment = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`)

// Of builds a name from collection and id pairs.
func Of(parts ...string) string { return strings.Join(parts, "/") }

// Parse reads a name that has exactly the given collections, and names the
// field in the fault when it has not. The ids are returned in order.
func Parse(field, name string, collections ...string) ([]string, error) {
	return parse(field, name, false, collections)
}

// ParseParent is Parse for a parent whose last id may be "-", meaning all.
func ParseParent(field, name string, collections ...string) ([]string, error) {
	return parse(field, name, true, collections)
}

func parse(field, name string, anyLast bool, collections []string) ([]string, error) {
	parts := strings.Split(name, "/")
	if len(parts) != 2*len(collections) {
		return nil, malformed(field, name, collections)
	}
	ids := make([]string, len(collections))
	for i, collection := range collections {
		id := parts[2*i+1]
		wildcard := anyLast && i == len(collections)-1 && id == Any
		if parts[2*i] != collection || (!wildcard && !segment.MatchString(id)) {
			return nil, malformed(field, name, collections)
		}
		ids[i] = id
	}
	return ids, nil
}

func malformed(field, name string, collections []string) error {
	pattern := make([]string, len(collections))
	for i, collection := range collections {
		pattern[i] = collection + "/{id}"
	}
	want := strings.Join(pattern, "/")
	return fault.Field(field, "%q is not a name like %s", name, want).With("name", name).With("pattern", want)
}

// NurseryOf returns the nursery id of a name, and false for a text that is no
// name in a nursery.
func NurseryOf(name string) (string, bool) {
	rest, found := strings.CutPrefix(name, "nurseries/")
	if !found {
		return "", false
	}
	id, _, _ := strings.Cut(rest, "/")
	if !segment.MatchString(id) {
		return "", false
	}
	return id, true
}
