package diagnosis

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/services/diagnosis/knowledge"
)

// ListSigns returns the sign vocabulary, in the order in which it is asked for.
func (s *Service) ListSigns(context.Context, *diagnosisv1.ListSignsRequest) (*diagnosisv1.ListSignsResponse, error) {
	response := &diagnosisv1.ListSignsResponse{}
	for _, sign := range knowledge.Shipped().Signs {
		way, _ := knowledge.Shipped().Way(sign.Way)
		response.Signs = append(response.Signs, &diagnosisv1.Sign{
			Id: sign.ID, Description: sign.Description, Organs: sign.Organs, Group: sign.Group, Way: sign.Way,
			Minutes: int32(way.Minutes), Excludes: sign.Excludes,
		})
	}
	return response, nil
}

// ListDisorders returns the disorders that can be diagnosed.
func (s *Service) ListDisorders(context.Context, *diagnosisv1.ListDisordersRequest) (*diagnosisv1.ListDisordersResponse, error) {
	response := &diagnosisv1.ListDisordersResponse{}
	for _, d := range knowledge.Shipped().Disorders {
		response.Disorders = append(response.Disorders, disorderContract(d))
	}
	return response, nil
}

func disorderContract(d knowledge.Disorder) *diagnosisv1.Disorder {
	disorder := &diagnosisv1.Disorder{
		Id: d.ID, DisplayName: d.DisplayName, Causes: d.Causes, DisorderClass: d.Class,
		Confirmation: d.Confirmation, Source: sourcesOfDisorder(d), LookAlikes: d.LookAlikes,
		Contagion: d.Contagion.Degree, Routes: d.Contagion.Routes, FungicideUse: d.Fungicide.Works, FungicideNote: d.Fungicide.Note,
		Hygiene: d.Hygiene, Disposal: d.Disposal, Environment: d.Environment, FavouredBy: favouredBy(d.FavouredBy), Genera: d.Genera,
	}
	if d.Latent != nil {
		shortest, longest := int32(d.Latent.MinDays), int32(d.Latent.MaxDays)
		disorder.LatentMinDays, disorder.LatentMaxDays = &shortest, &longest
	}
	for _, e := range d.Signs {
		disorder.Signs = append(disorder.Signs, &diagnosisv1.Expectation{
			Sign: e.Sign, Organs: e.Organs, Chance: e.Word, Sources: citations(e.Source),
		})
	}
	for _, frequency := range d.Plants {
		disorder.Plants = append(disorder.Plants, frequency.Group+": "+frequency.Word)
	}
	return disorder
}

// moistures say in words what water a disorder wants.
var moistures = map[knowledge.Moisture]string{
	knowledge.FreeWater: "free water", knowledge.WetLeaves: "wet leaves", knowledge.Humid: "humid air",
	knowledge.HumidNotWet: "humid air without wet leaves", knowledge.WetMedium: "a wet medium", knowledge.Dry: "dry air",
}

// favouredBy is empty where nothing is known to favour it.
func favouredBy(c knowledge.Conditions) string {
	var parts []string
	if c.HighestTemperature > 0 {
		parts = append(parts, fmt.Sprintf("%g to %g °C", c.LowestTemperature, c.HighestTemperature))
	}
	if water, said := moistures[c.Moisture]; said {
		parts = append(parts, water)
	}
	if c.Light != "any" {
		parts = append(parts, c.Light+" light")
	}
	return strings.Join(parts, ", ")
}

// ListTests returns the tests that confirm disorders.
func (s *Service) ListTests(_ context.Context, request *diagnosisv1.ListTestsRequest) (*diagnosisv1.ListTestsResponse, error) {
	if _, known := DisorderByID(request.GetDisorder()); !known && request.GetDisorder() != "" {
		return nil, fault.Field("disorder", "%q is not a known disorder; ListDisorders has them", request.GetDisorder()).
			With("disorder", request.GetDisorder())
	}
	tests := knowledge.Shipped().Tests
	if request.GetDisorder() != "" {
		tests = knowledge.Shipped().TestsFor(request.GetDisorder())
	}
	response := &diagnosisv1.ListTestsResponse{}
	for _, t := range tests {
		response.Tests = append(response.Tests, &diagnosisv1.Test{
			Id: t.ID, DisplayName: t.DisplayName, Kind: t.Kind, Finds: t.Finds, SampleOrgans: t.SampleOrgans,
			SensitivityPercent: percent(t.Sensitivity), SpecificityPercent: percent(t.Specificity),
			Days: int32(t.Days), Minutes: int32(t.Minutes), Note: t.Note, Sources: citations(t.Source), DesignValues: t.DesignValues(),
		})
	}
	return response, nil
}

// percent writes a share with at most one decimal.
func percent(share float64) string {
	return strconv.FormatFloat(math.Round(share*1000)/10, 'f', -1, 64)
}
