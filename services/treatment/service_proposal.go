package treatment

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/proposal"
	"velamen/services/treatment/rotation"
	"velamen/services/treatment/rules"
)

// ProposeProducts ranks the products for a step.
func (s *Service) ProposeProducts(ctx context.Context, request *treatmentv1.ProposeProductsRequest) (*treatmentv1.ProposeProductsResponse, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "programs", "steps")
	if err != nil {
		return nil, err
	}
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	var response *treatmentv1.ProposeProductsResponse
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		application, history, err := s.stepApplication(ctx, tx, ids[0], ids[1], ids[2], request, caller.Person)
		if err != nil {
			return err
		}
		stocked, err := readStocked(ctx, tx, ids[0], nil, application.Start.In(application.Zone).Format(time.DateOnly))
		if err != nil {
			return err
		}
		found, err := proposal.Propose(proposal.Request{Application: application, History: history, Products: stocked})
		if err != nil {
			return err
		}
		response = proposalContract(ids[0], found)
		response.StartTime, response.Caution = timestamp(application.Start), Caution
		return nil
	})
	return response, err
}

// stepApplication is the application that a step would be, without its products.
func (s *Service) stepApplication(ctx context.Context, r postgres.Reader, nursery, program, id string, request *treatmentv1.ProposeProductsRequest, caller string) (rules.Application, rules.History, error) {
	p, err := readProgram(ctx, r, nursery, program, false)
	if err != nil {
		return rules.Application{}, nil, err
	}
	step, err := p.state.confirmable(id)
	if err != nil {
		return rules.Application{}, nil, err
	}
	if !Applies(step.Kind) {
		return rules.Application{}, nil, fault.Field("name", "a step of the kind %s applies no chemical", kindName(step.Kind)).With("step", id)
	}
	o, err := readOutbreak(ctx, r, nursery, p.outbreak, false)
	if err != nil {
		return rules.Application{}, nil, err
	}
	lots, err := withParts(ctx, r, p, o.lots)
	if err != nil {
		return rules.Application{}, nil, err
	}
	used, err := readGroups(ctx, r, nursery, []string{p.id})
	if err != nil {
		return rules.Application{}, nil, err
	}
	w := work{
		nursery: nursery, path: "application", method: methodOf(step.Kind), disorder: p.disorder, class: p.disorderClass, lots: lots,
		conditions: request.GetConditions(), start: later(s.db.Now(), step.Open), roundBefore: used.before(p.id, step),
		candidates: p.templateStep(step.Key).GetCandidateActiveIngredients(),
	}
	if request.GetStartTime() != nil {
		if request.GetStartTime().CheckValid() != nil {
			return rules.Application{}, nil, fault.Field("start_time", "is not a time between the years 1 and 9999")
		}
		w.start = clock.Stored(request.GetStartTime().AsTime())
	}
	w.performerField = "applicator"
	if w.performer, err = applicator(ctx, r, nursery, w.performerField, request.GetApplicator(), caller); err != nil {
		return rules.Application{}, nil, err
	}
	application, history, err := readFacts(ctx, r, w)
	if err != nil {
		return rules.Application{}, nil, err
	}
	application.Treatments, err = plannedTreatments(ctx, r, nursery, lotIDs(application.Lots), request)
	return application, history, err
}

// plannedTreatments are the houses that lots stand in, each with the area of the
// benches that they stand on and the plants there, unless an area or a volume was
// asked for.
func plannedTreatments(ctx context.Context, r postgres.Reader, nursery string, ids []string, request *treatmentv1.ProposeProductsRequest) ([]rules.Treatment, error) {
	lots, err := stock.ReadLots(ctx, r, nursery, ids)
	if err != nil {
		return nil, err
	}
	treatments, err := treatmentsOf(ctx, r, nursery, lots)
	if err != nil {
		return nil, err
	}
	if request.GetArea() == nil && request.GetMixVolume() == nil {
		return treatments, nil
	}
	if len(treatments) > 1 {
		return nil, fault.Field("area", "the lots stand in %d houses; leave out area and mix_volume, each house has its own", len(treatments))
	}
	if request.GetArea() != nil {
		if treatments[0].Area, err = positive("area", request.GetArea(), AreaUnits()...); err != nil {
			return nil, err
		}
	}
	if request.GetMixVolume() != nil {
		treatments[0].MixVolume, err = positive("mix_volume", request.GetMixVolume(), MixUnits()...)
	}
	return treatments, err
}

// treatmentsOf returns one treatment for each house that lots stand in.
func treatmentsOf(ctx context.Context, r postgres.Reader, nursery string, lots []stock.Lot) ([]rules.Treatment, error) {
	var treatments []rules.Treatment
	benches := map[string]bool{}
	for _, lot := range lots {
		i := slices.IndexFunc(treatments, func(t rules.Treatment) bool { return t.House == lot.House })
		if i < 0 {
			house, err := stock.ReadHouse(ctx, r, nursery, lot.House)
			if err != nil {
				return nil, err
			}
			i = len(treatments)
			treatments = append(treatments, rules.Treatment{
				Field: fmt.Sprintf("treatments[%d]", i), House: house.ID, Site: SiteOf(house), Area: quantity.Must("0", quantity.SquareMetre),
			})
		}
		treatments[i].Plants += lot.Plants
		if benches[lot.House+"/"+lot.Bench] {
			continue
		}
		benches[lot.House+"/"+lot.Bench] = true
		bench, err := stock.ReadBench(ctx, r, nursery, lot.House, lot.Bench)
		if err != nil {
			return nil, err
		}
		if treatments[i].Area, err = treatments[i].Area.Add(bench.Area); err != nil {
			return nil, err
		}
	}
	return treatments, nil
}

// readStocked returns products with what the store holds of them on a day: those
// named by id, or all. It returns a fault that names the first that does not exist.
func readStocked(ctx context.Context, r postgres.Reader, nursery string, only []string, day string) ([]proposal.Stocked, error) {
	all, err := products.ReadProducts(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	var ids []string
	var stocked []proposal.Stocked
	for _, product := range all {
		if len(only) == 0 || slices.Contains(only, product.ID) {
			ids, stocked = append(ids, product.ID), append(stocked, proposal.Stocked{Product: product})
		}
	}
	for _, id := range only {
		if !slices.Contains(ids, id) {
			return nil, fault.Missing("product", resource.Of("nurseries", nursery, "products", id))
		}
	}
	held, err := products.ReadStore(ctx, r, nursery, ids)
	if err != nil {
		return nil, err
	}
	for i := range stocked {
		stocked[i].Store = storeOf(held[stocked[i].Product.ID], day)
	}
	return stocked, nil
}

func proposalContract(nursery string, found proposal.Proposal) *treatmentv1.ProposeProductsResponse {
	message := &treatmentv1.ProposeProductsResponse{ToBuy: found.ToBuy}
	for _, option := range found.Proposed {
		message.Proposed = append(message.Proposed, optionContract(nursery, option))
	}
	for _, option := range found.Lost {
		message.Lost = append(message.Lost, optionContract(nursery, option))
	}
	return message
}

func optionContract(nursery string, option proposal.Option) *treatmentv1.ProductOption {
	message := &treatmentv1.ProductOption{
		Product: resource.Of("nurseries", nursery, "products", option.Product.ID), DisplayName: option.Product.DisplayName,
		FracCodes: option.Groups, Rank: int32(option.Rank), Rate: option.Rate.Contract(), Amount: option.Amount.Contract(),
		MixVolume: option.MixVolume.Contract(), RestrictedEntryInterval: option.RestrictedEntryInterval.Contract(),
		InStore: option.InStore.Contract(), Reasons: option.Reasons, Verdicts: verdictsContract(nursery, option.Verdicts),
	}
	if option.Cost.Currency != "" {
		message.Cost = &typev1.Money{CurrencyCode: option.Cost.Currency, Amount: option.Cost.Amount.String()}
	}
	if option.ApplicationsLeft != nil {
		left := int32(*option.ApplicationsLeft)
		message.ApplicationsLeft = &left
	}
	return message
}

// PlanRotation lays out a sequence of resistance groups for the lots of a house.
func (s *Service) PlanRotation(ctx context.Context, request *treatmentv1.PlanRotationRequest) (*treatmentv1.PlanRotationResponse, error) {
	ids, err := resource.Parse("house", request.GetHouse(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	only, err := productIDs(request.GetProducts())
	if err != nil {
		return nil, err
	}
	var wanted rotation.Request
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		var err error
		if wanted, err = readSeason(ctx, tx, ids[0], ids[1], request, s.db.Now()); err != nil {
			return err
		}
		wanted.Products, err = readStocked(ctx, tx, ids[0], only, request.GetFromDate().GetValue())
		return err
	})
	if err != nil {
		return nil, err
	}
	// The search may take seconds, so nothing in the database waits for it.
	plan, err := rotation.Lay(ctx, wanted)
	if err != nil {
		return nil, err
	}
	return planContract(ids[0], plan, wanted.Application.Zone), nil
}

func productIDs(names []string) ([]string, error) {
	ids := make([]string, len(names))
	for i, name := range names {
		parts, err := resource.Parse(fmt.Sprintf("products[%d]", i), name, "nurseries", "products")
		if err != nil {
			return nil, err
		}
		ids[i] = parts[1]
	}
	return ids, nil
}

// unknownDisorder refuses a disorder that nobody knows, or that was not said.
func unknownDisorder(field, id string) error {
	if id == "" {
		return fault.Field(field, "name the disorder; ListDisorders has them")
	}
	return fault.Field(field, "there is no disorder %q", id).With("disorder", id)
}

// readSeason reads what a rotation is laid out for: the lots in a house, what they
// were treated with, and the days, which must not be over.
func readSeason(ctx context.Context, r postgres.Reader, nursery, house string, request *treatmentv1.PlanRotationRequest, now time.Time) (rotation.Request, error) {
	disorder, known := diagnosis.DisorderByID(request.GetDisorder())
	if !known {
		return rotation.Request{}, unknownDisorder("disorder", request.GetDisorder())
	}
	if _, err := stock.ReadHouse(ctx, r, nursery, house); err != nil {
		return rotation.Request{}, err
	}
	lots, err := stock.ReadLotsIn(ctx, r, nursery, house)
	if err != nil {
		return rotation.Request{}, err
	}
	if len(lots) == 0 {
		return rotation.Request{}, fault.FieldReason(fault.Precondition, fault.LotEmpty, "house", "no lot with plants stands in house %s", house).
			With("house", request.GetHouse())
	}
	w := work{nursery: nursery, path: "application", method: request.GetMethod(), disorder: disorder.ID, class: disorder.Class}
	for _, lot := range lots {
		w.lots = append(w.lots, lot.ID)
	}
	application, history, err := readFacts(ctx, r, w)
	if err != nil {
		return rotation.Request{}, err
	}
	if application.Treatments, err = treatmentsOf(ctx, r, nursery, lots); err != nil {
		return rotation.Request{}, err
	}
	for i := range application.Lots {
		// Lots with the same past are planned as one, and plants come and go in a season.
		application.Lots[i].Plants = 0
	}
	wanted := rotation.Request{IntervalDays: int(request.GetIntervalDays()), Application: application, History: history}
	if wanted.From, err = dayIn("from_date", request.GetFromDate(), application.Zone); err != nil {
		return rotation.Request{}, err
	}
	// Days are compared as days: both are YYYY-MM-DD.
	if today := now.In(application.Zone).Format(time.DateOnly); request.GetFromDate().GetValue() < today {
		return rotation.Request{}, fault.Field("from_date", "must not be before today, %s", today)
	}
	wanted.To, err = dayIn("to_date", request.GetToDate(), application.Zone)
	return wanted, err
}

// dayIn returns the beginning of a day in a zone.
func dayIn(field string, date *typev1.Date, zone *time.Location) (time.Time, error) {
	begin, _, err := clock.Day(date.GetValue(), zone)
	if err != nil {
		return time.Time{}, fault.Field(field, "%s", err)
	}
	return begin, nil
}

func planContract(nursery string, plan rotation.Plan, zone *time.Location) *treatmentv1.PlanRotationResponse {
	message := &treatmentv1.PlanRotationResponse{Caution: rotationCaution(plan, zone), SmallestConflict: plan.Smallest, FewestAtRisk: plan.Fewest}
	for _, planned := range plan.Applications {
		message.Applications = append(message.Applications, &treatmentv1.PlannedApplication{
			Date:    &typev1.Date{Value: planned.Time.In(zone).Format(time.DateOnly)},
			Product: resource.Of("nurseries", nursery, "products", planned.Product.ID), DisplayName: planned.Product.DisplayName,
			FracCodes: planned.Groups,
		})
	}
	for _, limit := range plan.Conflict {
		message.Conflict = append(message.Conflict, &treatmentv1.RotationLimit{Rule: limit.Rule, Message: limit.Message, Source: limit.Source})
	}
	for _, out := range plan.LeftOut {
		message.LeftOut = append(message.LeftOut, &treatmentv1.LeftOutProduct{
			Product: resource.Of("nurseries", nursery, "products", out.Product), Reasons: out.Reasons,
		})
	}
	return message
}
