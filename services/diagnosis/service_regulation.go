package diagnosis

import (
	"context"
	"fmt"
	"time"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/diagnosis/regulation"
	"velamen/services/identity"
)

// regulationCaution stands on every list of regulated pests.
const regulationCaution = "No list is complete: states and provinces have rules of their own, and rules change. " +
	"Local law and the authority decide; ask it before relying on a row, above all on one from memory."

// ListRegulatedPests returns the pests that the law names where a nursery stands, or
// all that are known.
func (s *Service) ListRegulatedPests(ctx context.Context, request *diagnosisv1.ListRegulatedPestsRequest) (*diagnosisv1.ListRegulatedPestsResponse, error) {
	pests := regulation.All()
	if request.GetParent() != "" {
		ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
		if err != nil {
			return nil, err
		}
		place, err := identity.ReadNursery(ctx, s.db, ids[0])
		if err != nil {
			return nil, err
		}
		if pests = regulation.In(place.Jurisdiction); len(pests) == 0 {
			return &diagnosisv1.ListRegulatedPestsResponse{Caution: fmt.Sprintf(
				"velamen has no list of %s, which is not to say that its law names none: ask the plant health authority. %s", place.Jurisdiction, regulationCaution)}, nil
		}
	}
	response := &diagnosisv1.ListRegulatedPestsResponse{Caution: regulationCaution}
	for _, pest := range pests {
		response.Pests = append(response.Pests, pestContract(pest))
	}
	return response, nil
}

func pestContract(p RegulatedPest) *diagnosisv1.RegulatedPest {
	return &diagnosisv1.RegulatedPest{
		Id: p.ID, Disorder: p.Disorder, Pests: p.Names, Genera: p.Genera, Jurisdictions: p.Jurisdictions, Status: p.Status,
		Authority: p.Authority, NotifyWithinHours: int32(p.NotifyWithin / time.Hour), Duty: p.Duty,
		DestroyWithinM: metresText(p.DestroyWithin), HoldWithinM: metresText(p.HoldWithin), HoldDays: int32(p.HoldDays),
		NoMasking: p.NoMasking, Source: p.Source,
	}
}

// metresText is empty where the law sets no distance.
func metresText(distance quantity.Quantity) string {
	if distance.IsZero() {
		return ""
	}
	return distance.Plain()
}
