package records

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/treatment"
)

// correctedDay returns the facts of the day of an entry with what a request puts right.
// supervisor is who the request names; nil for nobody.
func correctedDay(old entry, request *recordsv1.CorrectEntryRequest, supervisor *supervision) (dayFacts, error) {
	after := old.dayFacts
	for _, right := range []struct {
		field, text string
		to          *string
	}{
		{"place", request.GetPlace(), &after.Place},
		{"site_number", request.GetSiteNumber(), &after.SiteNumber},
		{"facility_number", request.GetFacilityNumber(), &after.FacilityNumber},
		{"legal_location", request.GetLegalLocation(), &after.LegalLocation},
		{"growth_stage", request.GetGrowthStage(), &after.GrowthStage},
		{"safety_data_sheet", request.GetSafetyDataSheet(), &after.SafetyDataSheet},
		{"applicator_certificate", request.GetApplicatorCertificate(), &after.ApplicatorCertificate},
	} {
		if right.text == "" {
			continue
		}
		if strings.TrimSpace(right.text) != right.text || strings.ContainsFunc(right.text, unicode.IsControl) {
			return dayFacts{}, fault.Field(right.field, "must be one line that neither begins nor ends with a space")
		}
		*right.to = right.text
	}
	if site := request.GetSetting(); site != productsv1.Site_SITE_UNSPECIFIED {
		after.Setting = siteWord(site)
	}
	after.TimeLimited = cmp.Or(answer(request.GetTimeLimited()), after.TimeLimited)
	after.StageLimited = cmp.Or(answer(request.GetStageLimited()), after.StageLimited)
	after.Plants = cmp.Or(request.GetPlants(), after.Plants)
	after.Supervisor = cmp.Or(supervisor, after.Supervisor)
	var err error
	if after.PlantedArea, err = rightPlanted(after.PlantedArea, request); err != nil {
		return dayFacts{}, err
	}
	after.CropCodes, err = rightCodes(old, request.GetCropCodes())
	return after, err
}

func answer(of productsv1.LabelAnswer) string {
	if of == productsv1.LabelAnswer_LABEL_ANSWER_UNSPECIFIED {
		return ""
	}
	return strings.TrimPrefix(of.String(), answerPrefix)
}

// rightPlanted refuses an area of nothing: where nothing is planted, nothing was treated.
func rightPlanted(old quantity.Quantity, request *recordsv1.CorrectEntryRequest) (quantity.Quantity, error) {
	right, err := rightAmount("planted_area", old, request.GetPlantedArea(), treatment.AreaUnits())
	if err == nil && request.GetPlantedArea() != nil && !right.Positive() {
		err = fault.Field("planted_area", "must be above zero").With("value", right.String())
	}
	return right, err
}

// rightCodes returns the EPPO codes of an entry with those that a request gives; a crop
// that it names has the codes of the request and no others.
func rightCodes(old entry, given []*recordsv1.CropCode) ([]cropCode, error) {
	if len(given) == 0 {
		return old.CropCodes, nil
	}
	var codes []cropCode
	for i, code := range given {
		if !slices.Contains(old.Crops, code.GetCrop()) {
			return nil, fault.Field(fmt.Sprintf("crop_codes[%d].crop", i), "%q is none of the crops of the entry: %s",
				code.GetCrop(), strings.Join(old.Crops, ", ")).With("crop", code.GetCrop())
		}
		codes = append(codes, cropCode{Crop: code.GetCrop(), EPPOCode: code.GetEppoCode()})
	}
	for _, code := range old.CropCodes {
		if !slices.ContainsFunc(given, func(g *recordsv1.CropCode) bool { return g.GetCrop() == code.Crop }) {
			codes = append(codes, code)
		}
	}
	slices.SortFunc(codes, func(a, b cropCode) int {
		return cmp.Or(strings.Compare(a.Crop, b.Crop), strings.Compare(a.EPPOCode, b.EPPOCode))
	})
	return slices.Compact(codes), nil
}

// readSupervisor reads who a correction names as supervisor, with their certificate of
// the day on which the work began; nil for nobody. Somebody who left since may have
// supervised it; who applied it may not.
func readSupervisor(ctx context.Context, r postgres.Reader, old entry, name string) (*supervision, error) {
	if name == "" {
		return nil, nil
	}
	ids, err := resource.Parse("supervisor", name, "nurseries", "people")
	if err != nil {
		return nil, err
	}
	person, err := identity.ReadPerson(ctx, r, old.Nursery, ids[1])
	if err != nil {
		return nil, err
	}
	if name == old.Applicator {
		return nil, fault.Field("supervisor", "%s applied it: name somebody else, or nobody", person.DisplayName).With("person", person.ID)
	}
	nursery, err := identity.ReadNursery(ctx, r, old.Nursery)
	if err != nil {
		return nil, err
	}
	return &supervision{
		Person: name, DisplayName: person.DisplayName,
		Certificate: certificateOn(person, old.StartTime.In(nursery.Zone).Format(time.DateOnly)),
	}, nil
}

// certificateOn returns the number of a certificate that was valid on a day,
// YYYY-MM-DD; empty for none.
func certificateOn(person identity.Person, day string) string {
	for _, certificate := range person.Certificates {
		if certificate.ExpireDate >= day {
			return certificate.Number
		}
	}
	return ""
}
