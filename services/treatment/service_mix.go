package treatment

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis"
	"velamen/services/identity"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/mixing"
	"velamen/services/treatment/rules"
)

// CalculateMix returns what to measure out for each load.
//
// What no application passes with, such as two products that make a poison together
// or an active ingredient that is not approved, is refused; what a rule warns of
// stands on the sheet.
func (s *Service) CalculateMix(ctx context.Context, request *treatmentv1.CalculateMixRequest) (*treatmentv1.MixSheet, error) {
	caller, err := rpc.Caller(ctx)
	if err != nil {
		return nil, err
	}
	var message *treatmentv1.MixSheet
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		wanted, nursery, err := readMixRequest(ctx, tx, request)
		if err != nil {
			return err
		}
		if wanted.ToMind, err = s.checkMix(ctx, tx, nursery, request, caller.Person); err != nil {
			return err
		}
		sheet, err := mixing.Work(wanted)
		if err != nil {
			return err
		}
		message = sheetContract(nursery, sheet)
		return nil
	})
	return message, err
}

func readMixRequest(ctx context.Context, r postgres.Reader, request *treatmentv1.CalculateMixRequest) (mixing.Request, string, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return mixing.Request{}, "", err
	}
	disorder, known := diagnosis.DisorderByID(request.GetDisorder())
	if !known {
		return mixing.Request{}, "", unknownDisorder("disorder", request.GetDisorder())
	}
	wanted := mixing.Request{
		Against: disorder.DisplayName, Method: request.GetMethod(), Plants: request.GetPlants(),
		InjectorPartsWater: int64(request.GetInjectorPartsWater()), Caution: Caution,
	}
	for _, field := range []struct {
		name    string
		message *typev1.Quantity
		into    *quantity.Quantity
	}{
		{"area", request.GetArea(), &wanted.Area},
		{"water_rate", request.GetWaterRate(), &wanted.WaterRate},
		{"volume", request.GetVolume(), &wanted.Volume},
		{"tank_volume", request.GetTankVolume(), &wanted.TankVolume},
		{"tank_minimum", request.GetTankMinimum(), &wanted.TankMinimum},
	} {
		if *field.into, err = given(field.name, field.message); err != nil {
			return mixing.Request{}, "", err
		}
	}
	if wanted.Measures, err = measures(request.GetMeasures()); err != nil {
		return mixing.Request{}, "", err
	}
	if wanted.Bath, err = bathOf(request.GetBath()); err != nil {
		return mixing.Request{}, "", err
	}
	use := products.Use{Method: request.GetMethod(), Class: disorder.Class, Disorder: disorder.ID}
	house, err := readMixHouse(ctx, r, ids[0], request.GetHouse())
	if err != nil {
		return mixing.Request{}, "", err
	}
	use.Site, wanted.Where = SiteOf(house), house.DisplayName
	if wanted.Remarks, err = airing(house); err != nil {
		return mixing.Request{}, "", err
	}
	for i, message := range request.GetProducts() {
		ingredient, err := readIngredient(ctx, r, fmt.Sprintf("products[%d]", i), ids[0], message, use, wanted.InjectorPartsWater > 0)
		if err != nil {
			return mixing.Request{}, "", err
		}
		wanted.Products = append(wanted.Products, ingredient)
	}
	return wanted, ids[0], nil
}

// given reads an optional quantity; absent is zero.
func given(field string, message *typev1.Quantity) (quantity.Quantity, error) {
	q, err := quantity.FromContract(message)
	if err != nil {
		return quantity.Quantity{}, fault.Field(field, "%s", err)
	}
	return q, nil
}

func measures(messages []*treatmentv1.Measure) ([]mixing.Measure, error) {
	read := make([]mixing.Measure, len(messages))
	for i, message := range messages {
		at := fmt.Sprintf("measures[%d]", i)
		read[i].DisplayName = message.GetDisplayName()
		var err error
		if read[i].Capacity, err = given(at+".capacity", message.GetCapacity()); err != nil {
			return nil, err
		}
		if read[i].Graduation, err = given(at+".graduation", message.GetGraduation()); err != nil {
			return nil, err
		}
	}
	return read, nil
}

func bathOf(message *treatmentv1.BathPlan) (*mixing.Bath, error) {
	if message == nil {
		return nil, nil
	}
	plan := &mixing.Bath{DiscardAfterPlants: message.GetDiscardAfterPlants()}
	for _, field := range []struct {
		name    string
		message *typev1.Quantity
		into    *quantity.Quantity
	}{
		{"bath.volume", message.GetVolume(), &plan.Volume},
		{"bath.carry_out_per_plant", message.GetCarryOutPerPlant(), &plan.CarryOutPerPlant},
		{"bath.top_up_at", message.GetTopUpAt(), &plan.TopUpAt},
		{"bath.discard_after", message.GetDiscardAfter(), &plan.DiscardAfter},
	} {
		var err error
		if *field.into, err = given(field.name, field.message); err != nil {
			return nil, err
		}
	}
	return plan, nil
}

// readMixHouse returns the house that a mix is for; the zero value for none.
func readMixHouse(ctx context.Context, r postgres.Reader, nursery, name string) (stock.House, error) {
	if name == "" {
		return stock.House{}, nil
	}
	ids, err := resource.Parse("house", name, "nurseries", "houses")
	if err != nil {
		return stock.House{}, err
	}
	return stock.ReadHouse(ctx, r, nursery, ids[1])
}

// airChanges is how many times the air of a closed house is changed before anybody
// enters, as one of several conditions of 40 CFR 170.405 (from memory).
const airChanges = 10

// airing says how long the fans of a house take to change its air.
func airing(house stock.House) ([]mixing.Sentence, error) {
	if house.Volume.IsZero() || house.FanCapacity.IsZero() {
		return nil, nil
	}
	minutes, err := mixing.AirExchangeTime(house.Volume.Exact(), house.FanCapacity.Exact(), airChanges)
	if err != nil {
		return nil, err
	}
	return []mixing.Sentence{{
		Text: fmt.Sprintf("The fans change the air of %s %d times in %s min; that never shortens the restricted-entry interval.",
			house.DisplayName, airChanges, minutes.Ceil(1).Plain()),
		Source: "40 CFR 170.405, from memory",
	}}, nil
}

// notAboutTheMix are rules on who applies a mix and what the store holds, which are
// settled when it is applied. The sheet says them all the same.
var notAboutTheMix = append(rules.PeopleRules(), rules.RuleContainerUnknown, rules.RuleContainerExpired, rules.RuleContainerLeft)

// checkMix holds the products of a mix to the rules that need no lots: labels, law and
// what may stand in one tank. It returns what else is to be minded.
func (s *Service) checkMix(ctx context.Context, r postgres.Reader, nursery string, request *treatmentv1.CalculateMixRequest, caller string) ([]mixing.Sentence, error) {
	application, err := s.mixApplication(ctx, r, nursery, request, caller)
	if err != nil {
		return nil, err
	}
	verdicts, err := rules.Check(application, nil)
	if err != nil {
		return nil, err
	}
	var refused []rules.Verdict
	var minds []mixing.Sentence
	for _, v := range verdicts {
		aside := slices.Contains(notAboutTheMix, v.Rule)
		switch {
		case v.Outcome == rules.Refuse && !v.Overridable && !aside:
			refused = append(refused, v)
		case v.Outcome == rules.Refuse, v.Outcome == rules.Warn && slices.Contains(rules.SpacingRules(), v.Rule):
			minds = append(minds, mixing.Sentence{Text: sentence(v.Message), Source: v.Source})
		}
	}
	if len(refused) > 0 {
		return nil, refusal(refused)
	}
	return minds, nil
}

// mixApplication is the application that a mix would be now, without lots and
// amounts.
func (s *Service) mixApplication(ctx context.Context, r postgres.Reader, nursery string, request *treatmentv1.CalculateMixRequest, caller string) (rules.Application, error) {
	disorder, _ := diagnosis.DisorderByID(request.GetDisorder())
	w := work{
		nursery: nursery, path: "mix", method: request.GetMethod(), disorder: disorder.ID, class: disorder.Class, start: s.db.Now(),
	}
	var err error
	if w.performer, err = identity.ReadPerson(ctx, r, nursery, caller); err != nil {
		return rules.Application{}, err
	}
	application, err := readPlace(ctx, r, w)
	if err != nil {
		return rules.Application{}, err
	}
	house, err := readMixHouse(ctx, r, nursery, request.GetHouse())
	if err != nil {
		return rules.Application{}, err
	}
	treatment := rules.Treatment{Field: "products", House: house.ID, Site: SiteOf(house), Chemigation: request.GetInjectorPartsWater() > 0}
	for i, wanted := range request.GetProducts() {
		field := fmt.Sprintf("products[%d].product", i)
		ids, err := resource.Parse(field, wanted.GetProduct(), "nurseries", "products")
		if err != nil {
			return rules.Application{}, err
		}
		product, err := products.ReadProduct(ctx, r, nursery, ids[1])
		if err != nil {
			return rules.Application{}, err
		}
		treatment.Lines = append(treatment.Lines, rules.Line{Field: field, Product: product})
	}
	application.Treatments = []rules.Treatment{treatment}
	return application, fillStore(ctx, r, nursery, &application)
}

func readIngredient(ctx context.Context, r postgres.Reader, at, nursery string, message *treatmentv1.MixProduct, use products.Use, injected bool) (mixing.Ingredient, error) {
	ids, err := resource.Parse(at+".product", message.GetProduct(), "nurseries", "products")
	if err != nil {
		return mixing.Ingredient{}, err
	}
	product, err := products.ReadProduct(ctx, r, nursery, ids[1])
	if err != nil {
		return mixing.Ingredient{}, err
	}
	direction, err := oneDirection(at+".product", product, use)
	if err != nil {
		return mixing.Ingredient{}, err
	}
	if injected {
		if err := checkInjector(product, direction); err != nil {
			return mixing.Ingredient{}, err
		}
	}
	ingredient := mixing.Ingredient{
		Product: rules.ToMix(product), RateMin: direction.RateMin, RateMax: direction.RateMax,
		WaterMin: direction.WaterVolumeMin, WaterMax: direction.WaterVolumeMax,
		RestrictedEntryInterval: direction.RestrictedEntryInterval, ProtectiveEquipment: direction.ProtectiveEquipment,
		Remarks: remarks(product, direction, use),
	}
	ingredient.Rate, err = given(at+".rate", message.GetRate())
	return ingredient, err
}

// oneDirection returns the direction of a label for a use whose crops are not
// given. Where the label has several, for different sites or crops, it refuses rather
// than picks a dose.
func oneDirection(field string, product products.Product, use products.Use) (products.Direction, error) {
	best, listing := product.DirectionFor(use)
	if listing != products.Listed {
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelUseNotListed, field,
			"the label of %s has no direction for a %s against %s (a disorder of the class %s)%s", product.DisplayName,
			methodWord(use.Method), use.Disorder, classWord(use.Class), placeText(use.Site)).
			With("product", product.ID).With("method", methodWord(use.Method)).With("disorder_class", classWord(use.Class))
	}
	listed := slices.DeleteFunc(slices.Clone(product.Directions), func(d products.Direction) bool {
		_, listing := products.Product{Directions: []products.Direction{d}}.DirectionFor(use)
		return listing != products.Listed
	})
	// A direction that names the disorder goes before one that names its class, but
	// only where it applies itself.
	possible := slices.DeleteFunc(slices.Clone(listed), func(d products.Direction) bool {
		return len(d.Disorders) == 0 && slices.ContainsFunc(listed, func(named products.Direction) bool {
			return len(named.Disorders) > 0 && within(d.Sites, named.Sites) && within(d.Crops, named.Crops)
		})
	})
	if len(possible) > 1 {
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelFactMissing, field,
			"the label of %s has %d directions for this, by site or crop; name a house whose covering is entered, or work it out from the label",
			product.DisplayName, len(possible)).
			With("product", product.ID)
	}
	return best, nil
}

// within reports whether each of some sites or crops is among others, of which none
// means every one.
func within[T comparable](some, others []T) bool {
	if len(others) == 0 {
		return true
	}
	return len(some) > 0 && !slices.ContainsFunc(some, func(one T) bool { return !slices.Contains(others, one) })
}

// placeText says where plants stand; nothing when it is not known.
func placeText(site productsv1.Site) string {
	if site == productsv1.Site_SITE_UNSPECIFIED {
		return ""
	}
	return " in a place of the kind " + lowerWord(site.String(), "SITE_")
}

// remarks are what a direction ties its use to that the request does not say.
func remarks(product products.Product, direction products.Direction, use products.Use) []string {
	var all []string
	if len(direction.Crops) > 0 {
		all = append(all, fmt.Sprintf("The label of %s lists it on these plants only: %s.", product.DisplayName, strings.Join(direction.Crops, ", ")))
	}
	if len(direction.Sites) > 0 && use.Site == productsv1.Site_SITE_UNSPECIFIED {
		sites := make([]string, len(direction.Sites))
		for i, site := range direction.Sites {
			sites[i] = lowerWord(site.String(), "SITE_")
		}
		all = append(all, fmt.Sprintf("The label of %s allows it in these places only: %s.", product.DisplayName, strings.Join(sites, ", ")))
	}
	return all
}

// checkInjector holds an injector to what the label says about chemigation, as the
// rules hold the application to it: a label that says nothing is no permission.
func checkInjector(product products.Product, direction products.Direction) error {
	const field = "injector_parts_water"
	switch {
	case slices.Contains(direction.Missing(), productsv1.LabelFact_LABEL_FACT_CHEMIGATION):
		return fault.FieldReason(fault.Precondition, fault.LabelFactMissing, field,
			"whether the label of %s allows it through the irrigation is not entered: read it and enter it first", product.DisplayName).
			With("product", product.ID).With("fact", "chemigation")
	case direction.Chemigation != productsv1.Permission_PERMISSION_ALLOWED:
		return fault.FieldReason(fault.Precondition, fault.LabelUseNotListed, field,
			"the label of %s does not allow it through the irrigation", product.DisplayName).
			With("product", product.ID)
	}
	return nil
}

func sheetContract(nursery string, sheet mixing.Sheet) *treatmentv1.MixSheet {
	message := &treatmentv1.MixSheet{
		TotalVolume: sheet.TotalVolume.Contract(), RestrictedEntryInterval: sheet.RestrictedEntryInterval.Contract(),
		ProtectiveEquipment: sheet.ProtectiveEquipment, Missing: sheet.Missing, Text: sheet.Text(), Caution: sheet.Caution,
	}
	for _, mind := range sheet.ToMind {
		message.ToMind = append(message.ToMind, mind.String())
	}
	for _, load := range sheet.Loads {
		message.Loads = append(message.Loads, loadContract(nursery, load))
	}
	for _, step := range sheet.Steps {
		message.Steps = append(message.Steps, step.String())
	}
	for _, note := range sheet.Notes {
		message.Notes = append(message.Notes, note.String())
	}
	return message
}

func loadContract(nursery string, load mixing.Load) *treatmentv1.TankLoad {
	message := &treatmentv1.TankLoad{
		Number: int32(load.Number), Times: load.Times, Purpose: load.Purpose, Volume: load.Volume.Contract(), Area: load.Area.Contract(),
	}
	for _, product := range load.Products {
		measured := &treatmentv1.LoadProduct{
			Product: resource.Of("nurseries", nursery, "products", product.Product.ID), DisplayName: product.Product.DisplayName,
			Amount: product.Amount.Contract(), AmountInOtherUnits: product.AmountInOtherUnits.Contract(),
			Rounding: product.Rounding, BelowLabel: product.BelowLabel,
		}
		for _, filling := range product.Measuring {
			measured.Measuring = append(measured.Measuring, &treatmentv1.Measuring{
				Measure: filling.Measure, Times: int32(filling.Times), Amount: filling.Amount.Contract(),
			})
		}
		message.Products = append(message.Products, measured)
	}
	return message
}

// CalibrateSprayer works out a sprayer's output from a catch test.
func (s *Service) CalibrateSprayer(_ context.Context, request *treatmentv1.CalibrateSprayerRequest) (*treatmentv1.CalibrateSprayerResponse, error) {
	test := mixing.CatchTest{}
	for i, nozzle := range request.GetNozzles() {
		at := fmt.Sprintf("nozzles[%d]", i)
		caught, err := given(at+".caught", nozzle.GetCaught())
		if err != nil {
			return nil, err
		}
		duration, err := given(at+".duration", nozzle.GetDuration())
		if err != nil {
			return nil, err
		}
		test.Nozzles = append(test.Nozzles, mixing.Catch{Caught: caught, Duration: duration})
	}
	for _, field := range []struct {
		name    string
		message *typev1.Quantity
		into    *quantity.Quantity
	}{
		{"new_nozzle_output", request.GetNewNozzleOutput(), &test.NewNozzleOutput},
		{"speed", request.GetSpeed(), &test.Speed},
		{"course_length", request.GetCourseLength(), &test.CourseLength},
		{"course_duration", request.GetCourseDuration(), &test.CourseDuration},
		{"swath", request.GetSwath(), &test.Swath},
	} {
		var err error
		if *field.into, err = given(field.name, field.message); err != nil {
			return nil, err
		}
	}
	found, err := mixing.Calibrate(test)
	if err != nil {
		return nil, err
	}
	message := &treatmentv1.CalibrateSprayerResponse{
		Output: found.Output.Round().Contract(), Speed: found.Speed.Round().Contract(), VolumeRate: found.VolumeRate.Round().Contract(),
		VolumeRateUs: found.VolumeRateUS.Round().Contract(), ReplaceSet: found.ReplaceSet, Sources: found.Sources, Check: found.Check,
	}
	for _, nozzle := range found.Nozzles {
		message.Nozzles = append(message.Nozzles, &treatmentv1.NozzleFinding{
			Number: int32(nozzle.Number), Output: nozzle.Output.Round().Contract(), Replace: nozzle.Replace, Message: nozzle.Message,
		})
	}
	return message, nil
}

// methodWord and classWord are how sentences name a method and a class.
func methodWord(method productsv1.Method) string {
	return lowerWord(method.String(), "METHOD_")
}

func classWord(class diagnosisv1.DisorderClass) string {
	return lowerWord(class.String(), "DISORDER_CLASS_")
}
