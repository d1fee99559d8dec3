package records

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"path"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	productsv1 "velamen/gen/velamen/products/v1"
	recordsv1 "velamen/gen/velamen/records/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/services/products"
)

// export writes a use record in a format; zone is the one that the record names.
func export(record *recordsv1.UseRecord, format recordsv1.ExportFormat, zone *time.Location) (*recordsv1.ExportUseRecordResponse, error) {
	switch format {
	case recordsv1.ExportFormat_EXPORT_FORMAT_TEXT:
		return &recordsv1.ExportUseRecordResponse{MediaType: "text/plain; charset=utf-8", Data: writeText(record, zone)}, nil
	case recordsv1.ExportFormat_EXPORT_FORMAT_CSV:
		data, err := writeCSV(record, zone)
		return &recordsv1.ExportUseRecordResponse{MediaType: "text/csv; charset=utf-8", Data: data}, err
	case recordsv1.ExportFormat_EXPORT_FORMAT_JSON:
		data, err := writeJSON(record)
		return &recordsv1.ExportUseRecordResponse{MediaType: "application/json", Data: data}, err
	default:
		return nil, fault.Field("format", "must be text, CSV or JSON")
	}
}

// writeJSON writes the UseRecord of the contract in protobuf's JSON mapping: the
// field names are those of records.proto, as in all JSON of velamen, amounts are
// {"amount": "12.5", "unit": "g"} with the amount as a string, times are RFC 3339
// in UTC, and sequences are strings.
func writeJSON(record *recordsv1.UseRecord) ([]byte, error) {
	compact, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(record)
	if err != nil {
		return nil, fmt.Errorf("write the use record as JSON: %w", err)
	}
	// protojson varies its white space on purpose; a file that people compare
	// must not.
	var buffer bytes.Buffer
	if err := json.Indent(&buffer, compact, "", "  "); err != nil {
		return nil, fmt.Errorf("write the use record as JSON: %w", err)
	}
	buffer.WriteByte('\n')
	return buffer.Bytes(), nil
}

// csvHeader names the columns. Units have columns of their own; a cell with
// several values separates them by semicolons: active ingredients, FRAC codes and
// amounts in the same order, and so the rules that were overridden, by whom and
// why. A semicolon or backslash in a reason or the name of a bench has a backslash
// before it. New columns are added at the end.
var csvHeader = []string{
	"entry", "corrects_entry", "application", "house", "start_time", "end_time",
	"product", "product_name", "registration_number", "restricted_use",
	"product_amount", "product_amount_unit", "mix_volume", "mix_volume_unit", "area", "area_unit",
	"active_ingredients", "frac_codes", "active_amounts", "active_amount_unit",
	"method", "target", "crops", "applicator", "applicator_name",
	"restricted_entry_interval", "restricted_entry_interval_unit", "correction_note", "breach_note",
	"override_rules", "override_persons", "override_notes", "breach_rules", "create_time", "hash",
	"late_for", "house_name", "place", "site_number", "facility_number", "legal_location", "setting",
	"planted_area", "planted_area_unit", "plants", "crop_codes", "growth_stage", "form", "droplets",
	"safety_data_sheet", "time_limited", "stage_limited", "applicator_certificate",
	"supervisor", "supervisor_name", "supervisor_certificate",
}

// writeCSV writes the entries as CSV (RFC 4180), one row each; times are local
// with their offset (ISO 8601).
func writeCSV(record *recordsv1.UseRecord, zone *time.Location) ([]byte, error) {
	var buffer bytes.Buffer
	writer := csv.NewWriter(&buffer)
	writer.UseCRLF = true
	rows := [][]string{csvHeader}
	for _, entry := range record.GetEntries() {
		rows = append(rows, csvRow(entry, zone))
	}
	if err := writer.WriteAll(rows); err != nil {
		return nil, fmt.Errorf("write the use record as CSV: %w", err)
	}
	return buffer.Bytes(), nil
}

// inList is how a free text stands among others that semicolons separate.
var inList = strings.NewReplacer(`\`, `\\`, `;`, `\;`)

func csvRow(entry *recordsv1.Entry, zone *time.Location) []string {
	var actives, codes, amounts, overridden, persons, reasons []string
	for _, active := range entry.GetActives() {
		actives = append(actives, active.GetActiveIngredient())
		codes = append(codes, active.GetFracCode())
		amounts = append(amounts, active.GetAmount().GetAmount())
	}
	for _, override := range entry.GetOverrides() {
		overridden = append(overridden, override.GetRule())
		persons = append(persons, override.GetPerson())
		reasons = append(reasons, inList.Replace(override.GetNote()))
	}
	local := func(t *timestamppb.Timestamp) string { return t.AsTime().In(zone).Format(time.RFC3339) }
	return append([]string{
		strconv.FormatInt(entry.GetSequence(), 10), lastPart(entry.GetCorrection().GetCorrects()),
		entry.GetApplication(), entry.GetHouse(), local(entry.GetStartTime()), local(entry.GetEndTime()),
		entry.GetProduct(), entry.GetProductDisplayName(), entry.GetRegistrationNumber(), strconv.FormatBool(entry.GetRestrictedUse()),
		entry.GetProductAmount().GetAmount(), entry.GetProductAmount().GetUnit(),
		entry.GetMixVolume().GetAmount(), entry.GetMixVolume().GetUnit(),
		entry.GetArea().GetAmount(), entry.GetArea().GetUnit(),
		strings.Join(actives, ";"), strings.Join(codes, ";"), strings.Join(amounts, ";"), "g",
		methodWord(entry), entry.GetTarget(), strings.Join(entry.GetCrops(), ";"),
		entry.GetApplicator(), entry.GetApplicatorDisplayName(),
		entry.GetRestrictedEntryInterval().GetAmount(), entry.GetRestrictedEntryInterval().GetUnit(),
		entry.GetCorrection().GetNote(), entry.GetBreachNote(),
		strings.Join(overridden, ";"), strings.Join(persons, ";"), strings.Join(reasons, ";"), strings.Join(entry.GetBreachRules(), ";"),
		local(entry.GetCreateTime()), entry.GetHash(),
	}, csvDay(entry)...)
}

// csvDay returns the cells of the facts of the day, with the month that the entry came
// too late for.
func csvDay(entry *recordsv1.Entry) []string {
	var codes []string
	for _, code := range entry.GetCropCodes() {
		codes = append(codes, code.GetCrop()+"="+code.GetEppoCode())
	}
	place := entry.GetPlace()
	if place == "" {
		benches := make([]string, len(entry.GetBenches()))
		for i, bench := range entry.GetBenches() {
			benches[i] = inList.Replace(bench)
		}
		place = strings.Join(benches, ";")
	}
	plants := ""
	if entry.GetPlants() > 0 {
		plants = strconv.FormatInt(entry.GetPlants(), 10)
	}
	return []string{
		lastPart(entry.GetLateFor()), entry.GetHouseDisplayName(), place, entry.GetSiteNumber(), entry.GetFacilityNumber(), entry.GetLegalLocation(),
		settingWord(entry), entry.GetPlantedArea().GetAmount(), entry.GetPlantedArea().GetUnit(), plants, strings.Join(codes, ";"),
		entry.GetGrowthStage(), entry.GetForm(), entry.GetDroplets(), entry.GetSafetyDataSheet(),
		yesOrNo(entry.GetTimeLimited()), yesOrNo(entry.GetStageLimited()), entry.GetApplicatorCertificate(),
		entry.GetSupervisor().GetPerson(), entry.GetSupervisor().GetDisplayName(), entry.GetSupervisor().GetCertificate(),
	}
}

// settingWord and yesOrNo are empty where nobody entered it.
func settingWord(entry *recordsv1.Entry) string {
	if entry.GetSetting() == productsv1.Site_SITE_UNSPECIFIED {
		return ""
	}
	return strings.ToLower(siteWord(entry.GetSetting()))
}

func yesOrNo(of productsv1.LabelAnswer) string { return strings.ToLower(answer(of)) }

// lastPart returns the id at the end of a name, or nothing for no name.
func lastPart(name string) string {
	if name == "" {
		return ""
	}
	return path.Base(name)
}

func methodWord(entry *recordsv1.Entry) string {
	return strings.ToLower(products.MethodText(entry.GetMethod()))
}

// measured returns an amount with its unit as a person reads it.
func measured(q *typev1.Quantity) string {
	if q == nil {
		return "not given"
	}
	return q.GetAmount() + " " + q.GetUnit()
}
