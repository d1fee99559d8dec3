package products

import (
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/quantity"
)

// activeRow and directionRow are the JSON that selectProducts builds.
type activeRow struct {
	ActiveIngredient string        `json:"active_ingredient"`
	Amount           string        `json:"amount"`
	Unit             quantity.Unit `json:"unit"`
}

type directionRow struct {
	Method               string        `json:"method"`
	Classes              []string      `json:"classes"`
	Disorders            []string      `json:"disorders"`
	Crops                []string      `json:"crops"`
	Sites                []string      `json:"sites"`
	RateMin              string        `json:"rate_min"`
	RateMax              string        `json:"rate_max"`
	RateUnit             quantity.Unit `json:"rate_unit"`
	WaterVolumeMin       *string       `json:"water_volume_min"`
	WaterVolumeMax       *string       `json:"water_volume_max"`
	WaterVolumeUnit      quantity.Unit `json:"water_volume_unit"`
	RestrictedEntryHours *string       `json:"restricted_entry_hours"`
	MinIntervalDays      int32         `json:"min_interval_days"`
	MaxPerCropCycle      int32         `json:"max_per_crop_cycle"`
	MaxPerYear           int32         `json:"max_per_year"`
	MaxConsecutive       int32         `json:"max_consecutive"`
	SaleIntervalDays     *int32        `json:"sale_interval_days"`
	TemperatureMinCel    *string       `json:"temperature_min_cel"`
	TemperatureMaxCel    *string       `json:"temperature_max_cel"`
	OpenBloom            *string       `json:"open_bloom"`
	Chemigation          *string       `json:"chemigation"`
	ProtectiveEquipment  string        `json:"protective_equipment"`
	SilentOn             []string      `json:"silent_on"`
	ActiveLimits         []activeRow   `json:"active_limits"`
}

// productRow is what a row of selectProducts keeps as text and as JSON.
type productRow struct {
	form, formulation, toxicity                       string
	cost, currency, costPer, costPerUnit              *string
	respirator, doubleNotification, inhalationLimited string
	inhalationLevel                                   *string
	organophosphate, timeLimited, stageLimited        string
	contents                                          []activeRow
	directions                                        []directionRow
}

func scanStored(row pgx.CollectableRow) (stored, error) {
	var product stored
	var r productRow
	err := row.Scan(&product.ID, &product.DisplayName, &product.RegistrationNumber, &r.form, &product.RestrictedUse,
		&product.version, &product.createTime, &r.formulation, &product.Jurisdiction, &product.RegistrationExpireDate,
		&r.toxicity, &r.cost, &r.currency, &r.costPer, &r.costPerUnit,
		&r.respirator, &r.doubleNotification, &r.inhalationLimited, &r.inhalationLevel, &r.organophosphate,
		&product.FirstAid, &product.SafetyDataSheet, &r.timeLimited, &r.stageLimited, &r.contents, &r.directions)
	if err != nil {
		return stored{}, err
	}
	err = errors.Join(product.fill(r), product.price(r), product.answer(r),
		product.fillContents(r.contents), product.fillDirections(r.directions))
	if err != nil {
		return stored{}, fmt.Errorf("product %s: %w", product.ID, err)
	}
	return product, nil
}

func (p *Product) fill(row productRow) error {
	var err error
	if p.Form, err = parseForm(row.form); err != nil {
		return err
	}
	if row.formulation != "" {
		if p.Formulation, err = parseFormulation(row.formulation); err != nil {
			return err
		}
	}
	if row.toxicity != "" {
		p.ToxicityCategory, err = parseToxicity(row.toxicity)
	}
	return err
}

func (p *Product) price(row productRow) error {
	if row.cost == nil || row.currency == nil || row.costPer == nil || row.costPerUnit == nil {
		return nil
	}
	amount, err := decimal.NewFromString(*row.cost)
	if err != nil {
		return err
	}
	p.Cost = Money{Amount: amount, Currency: *row.currency}
	p.CostPer, err = quantity.New(*row.costPer, quantity.Unit(*row.costPerUnit))
	return err
}

// answer reads what the label answers with yes or no, and the level that follows
// from one of the answers.
func (p *Product) answer(row productRow) (err error) {
	for _, answer := range []struct {
		into *productsv1.LabelAnswer
		text string
	}{
		{&p.Respirator, row.respirator},
		{&p.DoubleNotification, row.doubleNotification},
		{&p.InhalationLimited, row.inhalationLimited},
		{&p.Organophosphate, row.organophosphate},
		{&p.TimeLimited, row.timeLimited},
		{&p.StageLimited, row.stageLimited},
	} {
		if answer.text == "" {
			continue
		}
		if *answer.into, err = parseAnswer(answer.text); err != nil {
			return err
		}
	}
	if row.inhalationLevel != nil {
		p.InhalationLevel, err = quantity.New(*row.inhalationLevel, quantity.PartsPerMillion)
	}
	return err
}

func (p *Product) fillContents(rows []activeRow) error {
	for _, content := range rows {
		amount, err := quantity.New(content.Amount, content.Unit)
		if err != nil {
			return err
		}
		p.Contents = append(p.Contents, Content{ActiveIngredient: content.ActiveIngredient, Amount: amount})
	}
	return nil
}

func (p *Product) fillDirections(rows []directionRow) error {
	for _, written := range rows {
		direction, err := written.direction()
		if err != nil {
			return err
		}
		p.Directions = append(p.Directions, direction)
	}
	return nil
}

func (row directionRow) direction() (Direction, error) {
	direction := Direction{
		Disorders: row.Disorders, Crops: row.Crops, MinIntervalDays: row.MinIntervalDays,
		MaxPerCropCycle: row.MaxPerCropCycle, MaxPerYear: row.MaxPerYear, MaxConsecutive: row.MaxConsecutive,
		SaleIntervalDays: row.SaleIntervalDays, ProtectiveEquipment: row.ProtectiveEquipment,
	}
	if err := row.words(&direction); err != nil {
		return Direction{}, err
	}
	for _, amount := range []struct {
		into *quantity.Quantity
		text *string
		unit quantity.Unit
	}{
		{&direction.RateMin, &row.RateMin, row.RateUnit},
		{&direction.RateMax, &row.RateMax, row.RateUnit},
		{&direction.WaterVolumeMin, row.WaterVolumeMin, row.WaterVolumeUnit},
		{&direction.WaterVolumeMax, row.WaterVolumeMax, row.WaterVolumeUnit},
		{&direction.RestrictedEntryInterval, row.RestrictedEntryHours, quantity.Hour},
		{&direction.TemperatureMin, row.TemperatureMinCel, quantity.Celsius},
		{&direction.TemperatureMax, row.TemperatureMaxCel, quantity.Celsius},
	} {
		if amount.text == nil {
			continue
		}
		q, err := quantity.New(*amount.text, amount.unit)
		if err != nil {
			return Direction{}, err
		}
		*amount.into = q
	}
	for _, limit := range row.ActiveLimits {
		most, err := quantity.New(limit.Amount, limit.Unit)
		if err != nil {
			return Direction{}, err
		}
		direction.ActiveLimits = append(direction.ActiveLimits, ActiveLimit{ActiveIngredient: limit.ActiveIngredient, MostPerYear: most})
	}
	return direction, nil
}

// words reads the values of the contract's enumerations.
func (row directionRow) words(direction *Direction) (err error) {
	if direction.Method, err = ParseMethod(row.Method); err != nil {
		return err
	}
	if direction.Classes, err = parsed(row.Classes, parseClass); err != nil {
		return err
	}
	if direction.Sites, err = parsed(row.Sites, parseSite); err != nil {
		return err
	}
	if direction.SilentOn, err = parsed(row.SilentOn, parseFact); err != nil {
		return err
	}
	if row.OpenBloom != nil {
		if direction.OpenBloom, err = parsePermission(*row.OpenBloom); err != nil {
			return err
		}
	}
	if row.Chemigation != nil {
		direction.Chemigation, err = parsePermission(*row.Chemigation)
	}
	return err
}

const insertDirection = `
	INSERT INTO products.direction (nursery, product, position, method, classes, disorders, crops, sites,
		rate_min, rate_max, rate_unit, water_volume_min, water_volume_max, water_volume_unit,
		restricted_entry_hours, min_interval_days, max_per_crop_cycle, max_per_year, max_consecutive,
		sale_interval_days, temperature_min_cel, temperature_max_cel, open_bloom, chemigation,
		protective_equipment, silent_on)
	VALUES (@nursery, @product, @position, @method, @classes, @disorders, @crops, @sites,
		@rate_min::numeric, @rate_max::numeric, @rate_unit, @water_volume_min::numeric, @water_volume_max::numeric,
		@water_volume_unit, @restricted_entry_hours::numeric, @min_interval_days, @max_per_crop_cycle, @max_per_year,
		@max_consecutive, @sale_interval_days, @temperature_min_cel::numeric, @temperature_max_cel::numeric,
		@open_bloom, @chemigation, @protective_equipment, @silent_on)`

func directionArgs(nursery, product string, position int, direction Direction) pgx.NamedArgs {
	waterUnit := direction.WaterVolumeMin.Unit
	if waterUnit == "" {
		waterUnit = direction.WaterVolumeMax.Unit
	}
	return pgx.NamedArgs{
		"nursery": nursery, "product": product, "position": position,
		"method": MethodText(direction.Method), "classes": texts(direction.Classes, classText),
		"disorders": listed(direction.Disorders), "crops": listed(direction.Crops),
		"sites":    texts(direction.Sites, siteText),
		"rate_min": direction.RateMin.Plain(), "rate_max": direction.RateMax.Plain(), "rate_unit": string(direction.RateMin.Unit),
		"water_volume_min": amountOrNull(direction.WaterVolumeMin), "water_volume_max": amountOrNull(direction.WaterVolumeMax),
		"water_volume_unit":      orNull(string(waterUnit)),
		"restricted_entry_hours": amountOrNull(direction.RestrictedEntryInterval),
		"min_interval_days":      direction.MinIntervalDays, "max_per_crop_cycle": direction.MaxPerCropCycle,
		"max_per_year": direction.MaxPerYear, "max_consecutive": direction.MaxConsecutive,
		"sale_interval_days":  direction.SaleIntervalDays,
		"temperature_min_cel": amountOrNull(direction.TemperatureMin), "temperature_max_cel": amountOrNull(direction.TemperatureMax),
		"open_bloom": orNull(permissionText(direction.OpenBloom)), "chemigation": orNull(permissionText(direction.Chemigation)),
		"protective_equipment": direction.ProtectiveEquipment,
		"silent_on":            texts(direction.SilentOn, factText),
	}
}

// listed is how a row keeps a list of texts: an empty one, never NULL.
func listed(values []string) []string {
	if values == nil {
		return []string{}
	}
	return values
}
