package products

import (
	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/resource"
)

// contract returns the product as the contract carries it, without its etag and
// time.
func (p Product) contract(nursery string) *productsv1.Product {
	message := &productsv1.Product{
		Name:        resource.Of("nurseries", nursery, "products", p.ID),
		DisplayName: p.DisplayName, RegistrationNumber: p.RegistrationNumber,
		Form: p.Form, RestrictedUse: p.RestrictedUse,
	}
	for _, content := range p.Contents {
		message.Contents = append(message.Contents, &productsv1.Content{
			ActiveIngredient: content.ActiveIngredient, Amount: content.Amount.Contract(),
		})
	}
	for _, direction := range p.Directions {
		message.Directions = append(message.Directions, direction.contract())
	}
	return message
}

func (d Direction) contract() *productsv1.LabelDirection {
	return &productsv1.LabelDirection{
		Method: d.Method, DisorderClasses: d.Classes,
		RateMin: d.RateMin.Contract(), RateMax: d.RateMax.Contract(),
		RestrictedEntryInterval: d.RestrictedEntryInterval.Contract(),
		MinIntervalDays:         d.MinIntervalDays, ProtectiveEquipment: d.ProtectiveEquipment,
	}
}

func (a ActiveIngredient) contract() *productsv1.ActiveIngredient {
	return &productsv1.ActiveIngredient{
		Id: a.ID, DisplayName: a.DisplayName, FracCode: a.FRACCode,
		Mobility: a.Mobility, WorksOn: a.WorksOn, Source: a.Source,
	}
}
