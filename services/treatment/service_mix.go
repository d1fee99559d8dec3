package treatment

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	treatmentv1 "velamen/gen/velamen/treatment/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/products"
	"velamen/services/stock"
	"velamen/services/treatment/mixing"
)

// CalculateMix returns what to measure out for each load.
func (s *Service) CalculateMix(ctx context.Context, request *treatmentv1.CalculateMixRequest) (*treatmentv1.MixSheet, error) {
	var message *treatmentv1.MixSheet
	err := s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		wanted, nursery, err := readMixRequest(ctx, tx, request)
		if err != nil {
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
		return mixing.Request{}, "", fault.Field("disorder", "there is no disorder %q", request.GetDisorder()).With("disorder", request.GetDisorder())
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
	if use.Site, wanted.Where, err = readSite(ctx, r, ids[0], request.GetHouse()); err != nil {
		return mixing.Request{}, "", err
	}
	for i, message := range request.GetProducts() {
		ingredient, err := readIngredient(ctx, r, fmt.Sprintf("products[%d]", i), ids[0], message, use)
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

// readSite returns what a house is to a label and what people call it; nothing for
// no house.
func readSite(ctx context.Context, r postgres.Reader, nursery, name string) (productsv1.Site, string, error) {
	if name == "" {
		return productsv1.Site_SITE_UNSPECIFIED, "", nil
	}
	ids, err := resource.Parse("house", name, "nurseries", "houses")
	if err != nil {
		return productsv1.Site_SITE_UNSPECIFIED, "", err
	}
	house, err := stock.ReadHouse(ctx, r, nursery, ids[1])
	return siteOf(house), house.DisplayName, err
}

func readIngredient(ctx context.Context, r postgres.Reader, at, nursery string, message *treatmentv1.MixProduct, use products.Use) (mixing.Ingredient, error) {
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
	ingredient := mixing.Ingredient{
		Product: mixingProduct(product), RateMin: direction.RateMin, RateMax: direction.RateMax,
		WaterMin: direction.WaterVolumeMin, WaterMax: direction.WaterVolumeMax,
		RestrictedEntryInterval: direction.RestrictedEntryInterval, ProtectiveEquipment: direction.ProtectiveEquipment,
	}
	ingredient.Rate, err = given(at+".rate", message.GetRate())
	return ingredient, err
}

// mixingProduct returns what the arithmetic needs to know of a product.
func mixingProduct(product products.Product) mixing.Product {
	plain := mixing.Product{ID: product.ID, DisplayName: product.DisplayName, Form: product.Form, Formulation: product.Formulation}
	for _, content := range product.Contents {
		plain.Contents = append(plain.Contents, mixing.Content{ActiveIngredient: content.ActiveIngredient, Amount: content.Amount})
	}
	return plain
}

// oneDirection returns the direction of a label for a use. Where the label has
// several, for different sites or crops, it refuses rather than picks a dose.
func oneDirection(field string, product products.Product, use products.Use) (products.Direction, error) {
	best, listing := product.DirectionFor(use)
	if listing != products.Listed {
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelUseNotListed, field,
			"the label of %s has no direction for a %s against a disorder of the class %s", product.DisplayName,
			methodWord(use.Method), classWord(use.Class)).
			With("product", product.ID).With("method", methodWord(use.Method)).With("disorder_class", classWord(use.Class))
	}
	alike := slices.DeleteFunc(slices.Clone(product.Directions), func(d products.Direction) bool {
		_, listing := products.Product{Directions: []products.Direction{d}}.DirectionFor(use)
		return listing != products.Listed || (len(d.Disorders) > 0) != (len(best.Disorders) > 0)
	})
	if len(alike) > 1 {
		return products.Direction{}, fault.FieldReason(fault.Precondition, fault.LabelFactMissing, field,
			"the label of %s has %d directions for this, by site or crop; name the house, or work it out from the label", product.DisplayName, len(alike)).
			With("product", product.ID)
	}
	return best, nil
}

func sheetContract(nursery string, sheet mixing.Sheet) *treatmentv1.MixSheet {
	message := &treatmentv1.MixSheet{
		TotalVolume: sheet.TotalVolume.Contract(), RestrictedEntryInterval: sheet.RestrictedEntryInterval.Contract(),
		ProtectiveEquipment: sheet.ProtectiveEquipment, Missing: sheet.Missing, Text: sheet.Text(), Caution: sheet.Caution,
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
