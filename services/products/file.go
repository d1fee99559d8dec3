package products

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"buf.build/go/protovalidate"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/fault"
)

// fileProduct is a product as a file holds it, not yet judged.
type fileProduct struct {
	id      string
	message *productsv1.Product
	// at returns where a field of the product, by its path in it, stands in the
	// file.
	at func(path string) string
}

// idForm is that of a product's id, as in the contract.
var idForm = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

const idRule = "must be 1 to 40 lower-case letters, digits and hyphens, with no hyphen at either end"

const (
	// mostViolations is how many broken rules of a file are kept; all are counted.
	mostViolations = 1000
	// mostShown is how many characters of a rule are shown: it may repeat a text of
	// the file.
	mostShown = 400
)

// rejection collects the rules that a file breaks, in its order.
type rejection struct {
	kept  []fault.Violation
	seen  map[string]bool
	count int
}

// add keeps the first rule that a field breaks: those after it mostly follow from
// the first.
func (r *rejection) add(field, format string, args ...any) {
	if r.seen[field] {
		return
	}
	if r.seen == nil {
		r.seen = map[string]bool{}
	}
	r.seen[field] = true
	r.count++
	if len(r.kept) < mostViolations {
		r.kept = append(r.kept, fault.Violation{Field: shown(field), Rule: shown(fmt.Sprintf(format, args...))})
	}
}

func shown(text string) string {
	text = strings.ToValidUTF8(text, string(utf8.RuneError))
	if utf8.RuneCountInString(text) <= mostShown {
		return text
	}
	return string([]rune(text)[:mostShown]) + "…"
}

// fault returns what is wrong with the file as one fault, nil when nothing is.
func (r *rejection) fault() error {
	switch r.count {
	case 0:
		return nil
	case 1:
		return fault.Rejected(r.kept, "%s: %s; nothing was imported", r.kept[0].Field, r.kept[0].Rule).With("rules_broken", "1")
	default:
		return fault.Rejected(r.kept, "the file breaks %d rules; nothing was imported", r.count).
			With("rules_broken", fmt.Sprint(r.count))
	}
}

// judgeFile holds the products of a file against every rule that a product has.
// They are whole only when the rejection is empty.
func judgeFile(read []fileProduct, known names, problems *rejection) []Product {
	read = readable(read, problems)
	added := make([]trade, len(read))
	for i, one := range read {
		added[i] = known.trade(one)
	}
	known = known.besides(added)
	products := make([]Product, 0, len(read))
	for _, one := range read {
		product, faults := readProduct(productField, one.id, one.message, known)
		for _, f := range faults {
			problems.add(one.at(strings.TrimPrefix(f.Field, productField+".")), "%s", f.Message)
		}
		products = append(products, product)
	}
	return products
}

// readable holds the products of a file to the contract and returns those that can
// be judged further.
func readable(read []fileProduct, problems *rejection) []fileProduct {
	var kept []fileProduct
	for _, one := range read {
		violations, overlong := contractViolations(one.message)
		for _, violation := range violations {
			problems.add(one.at(violation.Field), "%s", violation.Rule)
		}
		if overlong {
			continue // directions are judged in pairs: too many would keep the server busy for hours
		}
		if one.message.GetForm() == productsv1.ProductForm_PRODUCT_FORM_UNSPECIFIED {
			continue // no unit can be judged without it
		}
		kept = append(kept, one)
	}
	return kept
}

// trade returns what a product of a file will be known by. Its contents are read
// by the names of active ingredients alone; what is wrong with them is told where
// the product is judged.
func (n names) trade(one fileProduct) trade {
	r := &reading{names: names{own: n.own}}
	return Product{
		ID: one.id, DisplayName: one.message.GetDisplayName(), RegistrationNumber: one.message.GetRegistrationNumber(),
		Jurisdiction: one.message.GetJurisdiction(),
		Contents:     r.contents("", one.message.GetForm(), one.message.GetContents()),
	}.trade()
}

// listRules are the rules of the contract that bound the length of a list.
var listRules = []string{"repeated.max_items", "repeated.unique"}

// contractViolations returns the rules of the contract that a product breaks, and
// whether one of its lists may be of any length.
func contractViolations(message *productsv1.Product) (violations []fault.Violation, overlong bool) {
	err := protovalidate.Validate(message)
	var invalid *protovalidate.ValidationError
	if !errors.As(err, &invalid) {
		return nil, false
	}
	for _, violation := range invalid.Violations {
		overlong = overlong || slices.Contains(listRules, violation.Proto.GetRuleId())
		rule := violation.Proto.GetMessage()
		if rule == "" {
			rule = violation.Proto.GetRuleId()
		}
		violations = append(violations, fault.Violation{Field: protovalidate.FieldPathString(violation.Proto.GetField()), Rule: rule})
	}
	return violations, overlong
}

// exported returns a product as files hold it: without what velamen itself writes.
func (p Product) exported() *productsv1.Product {
	message := p.contract("")
	message.Name = ""
	return message
}
