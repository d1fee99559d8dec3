package products

import (
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/resource"
)

// contract returns the product as the contract carries it, without its etag and
// time.
func (p Product) contract(nursery string) *productsv1.Product {
	message := &productsv1.Product{
		Name:        resource.Of("nurseries", nursery, "products", p.ID),
		DisplayName: p.DisplayName, RegistrationNumber: p.RegistrationNumber,
		Form: p.Form, RestrictedUse: p.RestrictedUse,
		Formulation: p.Formulation, Jurisdiction: p.Jurisdiction, ToxicityCategory: p.ToxicityCategory,
		RegistrationExpireDate: dateContract(p.RegistrationExpireDate),
		Cost:                   p.Cost.contract(), CostPer: p.CostPer.Contract(),
		Respirator: p.Respirator, DoubleNotification: p.DoubleNotification,
		InhalationLimited: p.InhalationLimited, InhalationLevel: p.InhalationLevel.Contract(),
		Organophosphate: p.Organophosphate, FirstAid: p.FirstAid, SafetyDataSheet: p.SafetyDataSheet,
		TimeLimited: p.TimeLimited, StageLimited: p.StageLimited,
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
	message := &productsv1.LabelDirection{
		Method: d.Method, DisorderClasses: d.Classes, Disorders: d.Disorders, Crops: d.Crops, Sites: d.Sites,
		RateMin: d.RateMin.Contract(), RateMax: d.RateMax.Contract(),
		WaterVolumeMin: d.WaterVolumeMin.Contract(), WaterVolumeMax: d.WaterVolumeMax.Contract(),
		RestrictedEntryInterval: d.RestrictedEntryInterval.Contract(), MinIntervalDays: d.MinIntervalDays,
		MaxApplicationsPerCropCycle: d.MaxPerCropCycle, MaxApplicationsPerYear: d.MaxPerYear,
		MaxConsecutiveApplications: d.MaxConsecutive, SaleIntervalDays: d.SaleIntervalDays,
		TemperatureMin: d.TemperatureMin.Contract(), TemperatureMax: d.TemperatureMax.Contract(),
		OpenBloom: d.OpenBloom, Chemigation: d.Chemigation,
		ProtectiveEquipment: d.ProtectiveEquipment, SilentOn: d.SilentOn,
	}
	for _, limit := range d.ActiveLimits {
		message.ActiveLimits = append(message.ActiveLimits, &productsv1.ActiveLimit{
			ActiveIngredient: limit.ActiveIngredient, MostPerYear: limit.MostPerYear.Contract(),
		})
	}
	return message
}

func (a ActiveIngredient) contract() *productsv1.ActiveIngredient {
	return &productsv1.ActiveIngredient{
		Id: a.ID, DisplayName: a.DisplayName, FracCode: a.FRACCode,
		Mobility: a.Mobility, WorksOn: a.WorksOn, Source: a.Source,
		CasNumber: a.CASNumber, ResistanceRisk: a.ResistanceRisk, Aliases: a.Aliases,
	}
}

func (m Money) contract() *typev1.Money {
	if m.Currency == "" {
		return nil
	}
	return &typev1.Money{CurrencyCode: m.Currency, Amount: m.Amount.String()}
}

// dateContract returns a day as the contract carries it; an empty one is absent.
func dateContract(day string) *typev1.Date {
	if day == "" {
		return nil
	}
	return &typev1.Date{Value: day}
}
