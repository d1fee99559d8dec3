package cli

import (
	"fmt"
	"strings"

	"github.com/spf13/pflag"

	recordsv1 "velamen/gen/velamen/records/v1"
)

// dayFacts shows what reports of use ask for beside the amounts, as it was on the day.
func (s *sheet) dayFacts(entry *recordsv1.Entry) {
	s.fact("House on the day", entry.GetHouseDisplayName())
	place := entry.GetPlace()
	if place == "" {
		place = strings.Join(entry.GetBenches(), ", ")
	}
	s.fact("Place", place)
	s.fact("Site number", entry.GetSiteNumber())
	s.fact("Facility number", entry.GetFacilityNumber())
	s.fact("Legal location", entry.GetLegalLocation())
	s.fact("Setting", word(entry.GetSetting()))
	s.fact("Area planted", amount(entry.GetPlantedArea()))
	if entry.GetPlants() > 0 {
		s.fact("Plants treated", fmt.Sprint(entry.GetPlants()))
	}
	s.fact("Growth stage (BBCH)", entry.GetGrowthStage())
	s.fact("Form", entry.GetForm())
	s.fact("Droplets", entry.GetDroplets())
	s.fact("Safety data sheet", entry.GetSafetyDataSheet())
	s.fact("Time of the use limited", word(entry.GetTimeLimited()))
	s.fact("Growth stage limited", word(entry.GetStageLimited()))
	s.fact("Certificate", entry.GetApplicatorCertificate())
	if by := entry.GetSupervisor(); by != nil {
		text := fmt.Sprintf("%s (%s)", by.GetDisplayName(), shortName(by.GetPerson()))
		if by.GetCertificate() != "" {
			text += ", certificate " + by.GetCertificate()
		}
		s.fact("Supervised by", text)
	}
}

// cropsWithCodes writes the plants of an entry, with their EPPO codes where known.
func cropsWithCodes(entry *recordsv1.Entry) string {
	texts := make([]string, len(entry.GetCrops()))
	for i, crop := range entry.GetCrops() {
		var codes []string
		for _, code := range entry.GetCropCodes() {
			if code.GetCrop() == crop {
				codes = append(codes, code.GetEppoCode())
			}
		}
		texts[i] = crop
		if len(codes) > 0 {
			texts[i] += " (" + strings.Join(codes, ", ") + ")"
		}
	}
	return strings.Join(texts, ", ")
}

// correctDayFlags adds the flags for facts of the day and returns their names.
func correctDayFlags(flags *pflag.FlagSet, request *recordsv1.CorrectEntryRequest) []string {
	flags.StringVar(&request.Place, "place", "", "treated area in words, in place of the benches")
	flags.StringVar(&request.SiteNumber, "site-number", "", "right number of the site")
	flags.StringVar(&request.FacilityNumber, "facility-number", "", "right identification of the closed space")
	flags.StringVar(&request.LegalLocation, "legal-location", "", "right legal location")
	enumFlag(flags, &request.Setting, "setting", "what the house was")
	quantityFlag(flags, &request.PlantedArea, "planted-area", "right area planted, as in 300m2")
	flags.Int64Var(&request.Plants, "plants", 0, "right number of pots or plants treated")
	eachFlag(flags, &request.CropCodes, parseCropCode, "crop=code", "crop-code", `EPPO code of a crop, as in "Vanda coerulea=VNDCO" (may be repeated)`)
	flags.StringVar(&request.GrowthStage, "growth-stage", "", "right growth stage on the BBCH scale, as in 61")
	flags.StringVar(&request.SafetyDataSheet, "safety-data-sheet", "", "right safety data sheet: number or date, and where it is kept")
	enumFlag(flags, &request.TimeLimited, "time-limited", "whether the authorisation limited the time of day of the use")
	enumFlag(flags, &request.StageLimited, "stage-limited", "whether the authorisation limited the growth stage of the use")
	flags.StringVar(&request.ApplicatorCertificate, "applicator-certificate", "", "right number of the applicator's certificate")
	flags.StringVar(&request.Supervisor, "supervisor", "", "who supervised it")
	return []string{
		"place", "site-number", "facility-number", "legal-location", "setting", "planted-area", "plants", "crop-code", "growth-stage",
		"safety-data-sheet", "time-limited", "stage-limited", "applicator-certificate", "supervisor",
	}
}

// parseCropCode reads a crop with its EPPO code, as in "Vanda coerulea=VNDCO".
func parseCropCode(typed string) (*recordsv1.CropCode, error) {
	crop, code, found := cutName(typed)
	if !found || code == "" {
		return nil, fmt.Errorf("%q is not a crop with its EPPO code; write it as in \"Vanda coerulea=VNDCO\"", typed)
	}
	return &recordsv1.CropCode{Crop: crop, EppoCode: code}, nil
}
