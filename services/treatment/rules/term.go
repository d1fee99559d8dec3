package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/services/products"
)

// term tells products by what is in them.
type term struct {
	// text is how a sentence names it.
	text        string
	actives     []string
	group       string
	formulation productsv1.Formulation
	any         bool
}

// parts are what a term looks at in a product.
type parts struct {
	actives     []string
	groups      []string
	formulation productsv1.Formulation
}

func (t *term) matches(p *parts) bool {
	switch {
	case t.any:
		return true
	case t.group != "":
		return slices.Contains(p.groups, t.group)
	case t.formulation != productsv1.Formulation_FORMULATION_UNSPECIFIED:
		return t.formulation == p.formulation
	default:
		return slices.ContainsFunc(p.actives, func(id string) bool { return slices.Contains(t.actives, id) })
	}
}

// classRow is a named class of active ingredients of spacing.yaml.
type classRow struct {
	Name        string   `yaml:"name"`
	DisplayName string   `yaml:"display_name"`
	Actives     []string `yaml:"actives"`
}

// readClasses reads the classes, by name.
func readClasses(rows []classRow) (map[string]term, error) {
	classes := map[string]term{}
	for i, row := range rows {
		if err := row.check(); err != nil {
			return nil, fmt.Errorf("classes row %d (%q): %w", i+1, row.Name, err)
		}
		if _, twice := classes[row.Name]; twice {
			return nil, fmt.Errorf("classes row %d (%q): name: is listed twice", i+1, row.Name)
		}
		classes[row.Name] = term{text: row.DisplayName, actives: row.Actives}
	}
	return classes, nil
}

func (row classRow) check() error {
	if row.Name == "" || row.DisplayName == "" || len(row.Actives) == 0 {
		return errors.New("name, display_name and actives: must be given")
	}
	for _, id := range row.Actives {
		if _, known := products.ActiveIngredientByID(id); !known {
			return fmt.Errorf("actives: %q is not in the catalog", id)
		}
	}
	return nil
}

// readTerm reads active:<id>, group:<code>, class:<name>, formulation:<code> or any.
func readTerm(text string, classes map[string]term) (term, error) {
	if text == "any" {
		return term{text: "any product", any: true}, nil
	}
	kind, name, _ := strings.Cut(text, ":")
	switch kind {
	case "active":
		if active, known := products.ActiveIngredientByID(name); known {
			return term{text: active.DisplayName, actives: []string{name}}, nil
		}
		return term{}, fmt.Errorf("active ingredient %q is not in the catalog", name)
	case "group":
		if groupCode.MatchString(name) {
			return term{text: "group " + name, group: name}, nil
		}
		return term{}, fmt.Errorf("%q is not a present FRAC code", name)
	case "class":
		if class, known := classes[name]; known {
			return class, nil
		}
		return term{}, fmt.Errorf("class %q is not one of the classes", name)
	case "formulation":
		formulation := productsv1.Formulation(productsv1.Formulation_value["FORMULATION_"+name])
		if formulation != productsv1.Formulation_FORMULATION_UNSPECIFIED {
			return term{text: "an " + name + " formulation", formulation: formulation}, nil
		}
		return term{}, fmt.Errorf("formulation %q is not one of the contract's", name)
	default:
		return term{}, fmt.Errorf("%q is not active:, group:, class:, formulation: or any", text)
	}
}
