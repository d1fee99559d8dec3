package records

import (
	"fmt"
	"reflect"

	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/quantity"
	"velamen/services/treatment"
)

// dayFacts are what reports of use say beside the amounts, as it was on the day. They
// stand at the end of an entry, in this order and left out when empty: entries written
// before the ledger kept them keep their form.
type dayFacts struct {
	HouseDisplayName string   `json:"house_display_name,omitempty"`
	Benches          []string `json:"benches,omitempty"`
	// Place is the treated area in words, where a correction gave it.
	Place          string `json:"place,omitempty"`
	SiteNumber     string `json:"site_number,omitempty"`
	FacilityNumber string `json:"facility_number,omitempty"`
	LegalLocation  string `json:"legal_location,omitempty"`
	// Setting is GREENHOUSE or OUTDOOR.
	Setting     string            `json:"setting,omitempty"`
	PlantedArea quantity.Quantity `json:"planted_area,omitzero"`
	Plants      int64             `json:"plants,omitempty"`
	CropCodes   []cropCode        `json:"crop_codes,omitempty"`
	GrowthStage string            `json:"growth_stage,omitempty"`
	Form        string            `json:"form,omitempty"`
	Droplets    string            `json:"droplets,omitempty"`

	SafetyDataSheet string `json:"safety_data_sheet,omitempty"`
	// TimeLimited and StageLimited are YES, NO or nothing.
	TimeLimited  string `json:"time_limited,omitempty"`
	StageLimited string `json:"stage_limited,omitempty"`

	ApplicatorCertificate string       `json:"applicator_certificate,omitempty"`
	Supervisor            *supervision `json:"supervisor,omitempty"`
}

// cropCode is the EPPO code of a crop of the entry.
type cropCode struct {
	Crop     string `json:"crop"`
	EPPOCode string `json:"eppo_code"`
}

// supervision is who supervised, named by resource, with the number of a certificate
// that was valid on the day.
type supervision struct {
	Person      string `json:"person"`
	DisplayName string `json:"display_name"`
	Certificate string `json:"certificate,omitempty"`
}

// factsOn returns the facts of a product in a house of an application.
func factsOn(applied treatment.ApplicationConfirmed, house treatment.HouseApplied, product treatment.ProductApplied) dayFacts {
	day := dayFacts{
		HouseDisplayName: house.DisplayName, Benches: house.Benches,
		SiteNumber: house.SiteNumber, FacilityNumber: house.FacilityNumber, LegalLocation: house.LegalLocation,
		Setting: house.Setting, PlantedArea: house.PlantedArea, Plants: house.Plants,
		GrowthStage: house.GrowthStage, Form: house.Form, Droplets: house.Droplets,
		SafetyDataSheet: product.SafetyDataSheet, TimeLimited: product.TimeLimited, StageLimited: product.StageLimited,
		ApplicatorCertificate: applied.ApplicatorCertificate,
	}
	for _, code := range house.CropCodes {
		day.CropCodes = append(day.CropCodes, cropCode{Crop: code.Crop, EPPOCode: code.EPPOCode})
	}
	if s := applied.Supervisor; s != nil {
		day.Supervisor = &supervision{Person: s.Person, DisplayName: s.DisplayName, Certificate: s.Certificate}
	}
	return day
}

// same reports whether two say the same; an area counts as the same in another unit.
func (d dayFacts) same(other dayFacts) bool {
	bothEmpty := d.PlantedArea.IsZero() && other.PlantedArea.IsZero()
	if !bothEmpty && !same(d.PlantedArea, other.PlantedArea) {
		return false
	}
	d.PlantedArea, other.PlantedArea = quantity.Quantity{}, quantity.Quantity{}
	return reflect.DeepEqual(d, other)
}

// codesOf returns the EPPO codes of a crop of the entry.
func (d dayFacts) codesOf(crop string) []string {
	var codes []string
	for _, code := range d.CropCodes {
		if code.Crop == crop {
			codes = append(codes, code.EPPOCode)
		}
	}
	return codes
}

// fill writes the facts into a message of the contract. It fails on a word that no entry
// was ever written with.
func (d dayFacts) fill(message *recordsv1.Entry) error {
	message.HouseDisplayName, message.Benches, message.Place = d.HouseDisplayName, d.Benches, d.Place
	message.SiteNumber, message.FacilityNumber, message.LegalLocation = d.SiteNumber, d.FacilityNumber, d.LegalLocation
	message.PlantedArea, message.Plants, message.GrowthStage = d.PlantedArea.Contract(), d.Plants, d.GrowthStage
	message.Form, message.Droplets, message.SafetyDataSheet = d.Form, d.Droplets, d.SafetyDataSheet
	message.ApplicatorCertificate = d.ApplicatorCertificate
	for _, code := range d.CropCodes {
		message.CropCodes = append(message.CropCodes, &recordsv1.CropCode{Crop: code.Crop, EppoCode: code.EPPOCode})
	}
	if s := d.Supervisor; s != nil {
		message.Supervisor = &recordsv1.Supervisor{Person: s.Person, DisplayName: s.DisplayName, Certificate: s.Certificate}
	}
	setting, known := numberOf(productsv1.Site_value, sitePrefix, d.Setting)
	if !known {
		return fmt.Errorf("%q is no setting", d.Setting)
	}
	timed, timeKnown := numberOf(productsv1.LabelAnswer_value, answerPrefix, d.TimeLimited)
	staged, stageKnown := numberOf(productsv1.LabelAnswer_value, answerPrefix, d.StageLimited)
	if !timeKnown || !stageKnown {
		return fmt.Errorf("%q or %q is no answer", d.TimeLimited, d.StageLimited)
	}
	message.Setting = productsv1.Site(setting)
	message.TimeLimited, message.StageLimited = productsv1.LabelAnswer(timed), productsv1.LabelAnswer(staged)
	return nil
}

// How the names of the contract begin that entries hold without that.
const (
	sitePrefix   = "SITE_"
	answerPrefix = "LABEL_ANSWER_"
)

// numberOf returns the number of a word of an entry; 0 for none.
func numberOf(numbers map[string]int32, prefix, word string) (int32, bool) {
	if word == "" {
		return 0, true
	}
	number, known := numbers[prefix+word]
	return number, known
}
