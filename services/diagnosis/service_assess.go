package diagnosis

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/identity"
	"velamen/services/stock"
)

// AssessSigns ranks what signs point to. It is a proposal and changes nothing.
func (s *Service) AssessSigns(ctx context.Context, request *diagnosisv1.AssessSignsRequest) (*diagnosisv1.Assessment, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	inspections, err := lastIDs("inspections", request.GetInspections(), "inspections")
	if err != nil {
		return nil, err
	}
	if len(inspections) == 0 && len(request.GetObservations()) == 0 {
		return nil, fault.Field("inspections", "name inspections, or give observations: without signs there is nothing to assess")
	}
	if err := checkObservations("observations", request.GetObservations()); err != nil {
		return nil, err
	}
	a := asked{nursery: ids[0], extra: request.GetObservations(), botanicalName: request.GetBotanicalName()}
	if a.conditions, err = conditionsOf(request.GetConditions()); err != nil {
		return nil, err
	}
	var assessment *diagnosisv1.Assessment
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		var err error
		if a.inspections, err = readInspections(ctx, tx, a.nursery, inspections); err != nil {
			return err
		}
		if err := checkOneStand(ctx, tx, a); err != nil {
			return err
		}
		assessment, err = s.propose(ctx, tx, a, int(request.GetMaxCandidates()))
		return err
	})
	return assessment, err
}

// propose assesses what is known in a nursery.
func (s *Service) propose(ctx context.Context, r postgres.Reader, a asked, mostCandidates int) (*diagnosisv1.Assessment, error) {
	place, err := identity.ReadNursery(ctx, r, a.nursery)
	if err != nil {
		return nil, err
	}
	e, err := gather(ctx, r, a)
	if err != nil {
		return nil, err
	}
	return assess(e, place.Jurisdiction, s.db.Now(), mostCandidates), nil
}

// checkOneStand refuses inspections of several lots or benches: their plants may
// have different things. A lot and the bench on which it stands are one.
func checkOneStand(ctx context.Context, r postgres.Reader, a asked) error {
	var lot, bench *target
	for i, inspection := range a.inspections {
		kind := &lot
		if inspection.target.lot == "" {
			kind = &bench
		}
		if *kind == nil {
			*kind = &inspection.target
		}
		if **kind != inspection.target {
			return severalStands(a.nursery, i, **kind, inspection.target)
		}
	}
	if lot == nil || bench == nil {
		return nil
	}
	lots, err := stock.ReadLots(ctx, r, a.nursery, []string{lot.lot})
	if err != nil {
		return err
	}
	if lots[0].House != bench.house || lots[0].Bench != bench.bench {
		at := 0
		for i, inspection := range a.inspections {
			if inspection.target == *bench {
				at = i
			}
		}
		return severalStands(a.nursery, at, *lot, *bench)
	}
	return nil
}

func severalStands(nursery string, at int, first, other target) error {
	return fault.Field(fmt.Sprintf("inspections[%d]", at), "is of %s and another of %s: assess one lot or one bench at a time",
		other.name(nursery), first.name(nursery)).With("target", other.name(nursery)).With("other_target", first.name(nursery))
}
