package cli

import (
	"fmt"
	"strings"

	"velamen/internal/resource"
)

// wholeName makes a resource name of what a person typed: a whole name stays,
// and ids get their collections and the nursery. With the collections houses
// and benches, h1/b03 is houses/h1/benches/b03 of the nursery. What names the
// argument or flag in the error.
func wholeName(what, nursery, typed string, collections ...string) (string, error) {
	full := append([]string{"nurseries"}, collections...)
	name := typed
	if !strings.HasPrefix(typed, "nurseries/") {
		name = resource.Of(append([]string{"nurseries", nursery}, pairs(typed, collections)...)...)
	}
	if _, err := resource.ParseParent(what, name, full...); err != nil {
		return "", usagef("%s %q: give %s, or the whole name %s", what, typed, shortPattern(collections), pattern(full))
	}
	return name, nil
}

// pairs puts the collections before the ids, unless they stand there already.
func pairs(typed string, collections []string) []string {
	parts := strings.Split(typed, "/")
	if len(parts) != len(collections) {
		return parts
	}
	named := make([]string, 0, 2*len(parts))
	for i, part := range parts {
		named = append(named, collections[i], part)
	}
	return named
}

func pattern(collections []string) string {
	parts := make([]string, len(collections))
	for i, collection := range collections {
		parts[i] = collection + "/" + strings.ToUpper(singular(collection))
	}
	return strings.Join(parts, "/")
}

// shortPattern is what people type: HOUSE/BENCH.
func shortPattern(collections []string) string {
	parts := make([]string, len(collections))
	for i, collection := range collections {
		parts[i] = strings.ToUpper(singular(collection))
	}
	return strings.Join(parts, "/")
}

// singulars are the collections whose singular is not the plural without its s.
var singulars = map[string]string{
	"nurseries": "nursery", "people": "person", "benches": "bench", "diagnoses": "diagnosis", "entries": "entry",
	"duties": "duty",
}

func singular(collection string) string {
	if word, irregular := singulars[collection]; irregular {
		return word
	}
	return strings.TrimSuffix(collection, "s")
}

// shortName is a resource name as tables show it: its ids without the nursery.
func shortName(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 4 || len(parts)%2 != 0 || parts[0] != "nurseries" {
		return name
	}
	ids := make([]string, 0, len(parts)/2-1)
	for i := 3; i < len(parts); i += 2 {
		ids = append(ids, parts[i])
	}
	return strings.Join(ids, "/")
}

func shortNames(names []string) string {
	short := make([]string, len(names))
	for i, name := range names {
		short[i] = shortName(name)
	}
	return strings.Join(short, ", ")
}

// name makes a resource name of what a person typed for this nursery.
func (a *app) name(what, typed string, collections ...string) (string, error) {
	if strings.HasPrefix(typed, "nurseries/") {
		return wholeName(what, "", typed, collections...)
	}
	nursery, err := a.nursery()
	if err != nil {
		return "", err
	}
	return wholeName(what, nursery, typed, collections...)
}

// names is name for several.
func (a *app) names(what string, typed []string, collections ...string) ([]string, error) {
	names := make([]string, len(typed))
	for i, one := range typed {
		name, err := a.name(what, one, collections...)
		if err != nil {
			return nil, err
		}
		names[i] = name
	}
	return names, nil
}

// optionalName is name where nothing may be given.
func (a *app) optionalName(what, typed string, collections ...string) (string, error) {
	if typed == "" {
		return "", nil
	}
	return a.name(what, typed, collections...)
}

// place names a house or a bench, whichever was typed.
func (a *app) place(what, typed string) (string, error) {
	if typed == "" {
		return "", nil
	}
	if name, err := a.name(what, typed, "houses"); err == nil {
		return name, nil
	}
	name, err := a.name(what, typed, "houses", "benches")
	if err != nil {
		return "", fmt.Errorf("%w (or HOUSE alone)", err)
	}
	return name, nil
}
