package rules

import (
	"velamen/services/products"
)

// KeptApart reports whether rules refuse two products in one mix or on the same
// plants within days: what is left of the one in a tank would meet the other.
func KeptApart(one, other products.Product) bool {
	a, b := partsOf(one), partsOf(other)
	for i := range spacing().pairs {
		p := &spacing().pairs[i]
		if p.action == Refuse && ((p.a.matches(&a) && p.b.matches(&b)) || (p.a.matches(&b) && p.b.matches(&a))) {
			return true
		}
	}
	return false
}

// partsOf returns what the terms of rules look at in a product.
func partsOf(product products.Product) parts {
	held := parts{formulation: product.Formulation}
	for _, content := range product.Contents {
		held.actives = append(held.actives, content.ActiveIngredient)
		if active, known := products.ActiveIngredientByID(content.ActiveIngredient); known {
			held.groups = append(held.groups, GroupOf(active.FRACCode))
		}
	}
	return held
}
