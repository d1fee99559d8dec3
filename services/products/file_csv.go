package products

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"

	"velamen/internal/quantity"
)

// productColumn and directionColumn are the columns of a CSV file and how a value
// is written; docs/products-csv.md says what each holds.
type productColumn struct {
	name string
	cell func(Product) string
}

type directionColumn struct {
	name string
	cell func(Direction) string
}

// idColumn names the product by its id.
const idColumn = "product"

// The columns in the order of an export. Their names are those of the contract's
// fields, so that a broken rule names the column.
var (
	productColumns = []productColumn{
		{idColumn, func(p Product) string { return p.ID }},
		{"display_name", func(p Product) string { return guarded(p.DisplayName) }},
		{"registration_number", func(p Product) string { return guarded(p.RegistrationNumber) }},
		{"form", func(p Product) string { return strings.ToLower(formText(p.Form)) }},
		{"formulation", func(p Product) string { return formulationText(p.Formulation) }},
		{"jurisdiction", func(p Product) string { return p.Jurisdiction }},
		{"registration_expire_date", func(p Product) string { return p.RegistrationExpireDate }},
		{"toxicity_category", func(p Product) string { return toxicityText(p.ToxicityCategory) }},
		{"restricted_use", func(p Product) string { return strconv.FormatBool(p.RestrictedUse) }},
		{"cost", func(p Product) string { return p.Cost.contract().GetAmount() }},
		{"cost_currency", func(p Product) string { return p.Cost.Currency }},
		{"cost_per", func(p Product) string { return p.CostPer.String() }},
		{"contents", func(p Product) string {
			return joined(texts(p.Contents, func(c Content) string { return part(c.ActiveIngredient, c.Amount) }))
		}},
		{"respirator", func(p Product) string { return strings.ToLower(answerText(p.Respirator)) }},
		{"double_notification", func(p Product) string { return strings.ToLower(answerText(p.DoubleNotification)) }},
		{"inhalation_limited", func(p Product) string { return strings.ToLower(answerText(p.InhalationLimited)) }},
		{"inhalation_level", func(p Product) string { return p.InhalationLevel.String() }},
		{"organophosphate", func(p Product) string { return strings.ToLower(answerText(p.Organophosphate)) }},
		{"first_aid", func(p Product) string { return guarded(p.FirstAid) }},
		{"safety_data_sheet", func(p Product) string { return guarded(p.SafetyDataSheet) }},
		{"time_limited", func(p Product) string { return strings.ToLower(answerText(p.TimeLimited)) }},
		{"stage_limited", func(p Product) string { return strings.ToLower(answerText(p.StageLimited)) }},
	}
	directionColumns = []directionColumn{
		{"method", func(d Direction) string { return strings.ToLower(MethodText(d.Method)) }},
		{"disorder_classes", func(d Direction) string { return words(texts(d.Classes, classText)) }},
		{"disorders", func(d Direction) string { return joined(d.Disorders) }},
		{"crops", func(d Direction) string { return joined(d.Crops) }},
		{"sites", func(d Direction) string { return words(texts(d.Sites, siteText)) }},
		{"rate_min", func(d Direction) string { return d.RateMin.String() }},
		{"rate_max", func(d Direction) string { return d.RateMax.String() }},
		{"water_volume_min", func(d Direction) string { return d.WaterVolumeMin.String() }},
		{"water_volume_max", func(d Direction) string { return d.WaterVolumeMax.String() }},
		{"restricted_entry_interval", func(d Direction) string { return d.RestrictedEntryInterval.String() }},
		{"min_interval_days", func(d Direction) string { return countCell(d.MinIntervalDays) }},
		{"max_applications_per_crop_cycle", func(d Direction) string { return countCell(d.MaxPerCropCycle) }},
		{"max_applications_per_year", func(d Direction) string { return countCell(d.MaxPerYear) }},
		{"active_limits", func(d Direction) string {
			return joined(texts(d.ActiveLimits, func(l ActiveLimit) string { return part(l.ActiveIngredient, l.MostPerYear) }))
		}},
		{"max_consecutive_applications", func(d Direction) string { return countCell(d.MaxConsecutive) }},
		{"sale_interval_days", saleCell},
		{"temperature_min", func(d Direction) string { return d.TemperatureMin.String() }},
		{"temperature_max", func(d Direction) string { return d.TemperatureMax.String() }},
		{"open_bloom", func(d Direction) string { return strings.ToLower(permissionText(d.OpenBloom)) }},
		{"chemigation", func(d Direction) string { return strings.ToLower(permissionText(d.Chemigation)) }},
		{"protective_equipment", func(d Direction) string { return guarded(d.ProtectiveEquipment) }},
		{"silent_on", func(d Direction) string { return words(texts(d.SilentOn, factText)) }},
	}
)

const (
	listSeparator = "; "
	partSeparator = ": "
)

func joined(values []string) string { return strings.Join(values, listSeparator) }

func words(values []string) string { return strings.ToLower(joined(values)) }

// part writes an amount of an active ingredient, "captan: 500 g/kg".
func part(active string, amount quantity.Quantity) string {
	return active + partSeparator + amount.String()
}

func countCell(count int32) string {
	if count == 0 {
		return ""
	}
	return strconv.Itoa(int(count))
}

func saleCell(d Direction) string {
	if d.SaleIntervalDays == nil {
		return ""
	}
	return strconv.Itoa(int(*d.SaleIntervalDays))
}

// formulaSigns begin a formula in a spreadsheet.
const formulaSigns = "=+-@"

// guarded returns a text as a cell that no spreadsheet takes for a formula: with
// an apostrophe before it. Texts that look guarded get one too, so that every text
// comes back as it was.
func guarded(text string) string {
	if looksFormula(strings.TrimLeft(text, "'")) {
		return "'" + text
	}
	return text
}

// unguarded returns the text of a cell that guarded wrote.
func unguarded(cell string) string {
	if text, found := strings.CutPrefix(cell, "'"); found && looksFormula(strings.TrimLeft(text, "'")) {
		return text
	}
	return cell
}

func looksFormula(text string) bool {
	return text != "" && strings.Contains(formulaSigns, text[:1])
}

// csvHeader returns the names of all columns.
func csvHeader() []string {
	return append(
		texts(productColumns, func(c productColumn) string { return c.name }),
		texts(directionColumns, func(c directionColumn) string { return c.name })...)
}

// writeCSV returns products as a CSV file (RFC 4180), by id: one row for each
// direction, and one for a product without directions.
func writeCSV(products []Product) ([]byte, error) {
	var written bytes.Buffer
	writer := csv.NewWriter(&written)
	writer.UseCRLF = true
	rows := [][]string{csvHeader()}
	for _, product := range products {
		about := texts(productColumns, func(c productColumn) string { return c.cell(product) })
		for _, direction := range product.Directions {
			rows = append(rows, append(about[:len(about):len(about)],
				texts(directionColumns, func(c directionColumn) string { return c.cell(direction) })...))
		}
		if len(product.Directions) == 0 {
			rows = append(rows, append(about[:len(about):len(about)], make([]string, len(directionColumns))...))
		}
	}
	if err := writer.WriteAll(rows); err != nil {
		return nil, fmt.Errorf("write products: %w", err)
	}
	return written.Bytes(), nil
}
