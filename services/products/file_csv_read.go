package products

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	productsv1 "velamen/gen/velamen/products/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/quantity"
)

// byteOrderMark is what spreadsheets put before UTF-8.
var byteOrderMark = []byte("\ufeff")

// csvRow is one row of a file.
type csvRow struct {
	// line is where it begins, the header being on line 1.
	line     int
	cells    []string
	at       map[string]int
	problems *rejection
}

// readCSV reads a CSV file and keeps what cannot be read as problems. A problem is
// named after its line and column: rows[12].rate_max.
func readCSV(data []byte, problems *rejection) []fileProduct {
	reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, byteOrderMark)))
	reader.FieldsPerRecord = -1
	header, err := reader.Read()
	if err != nil {
		problems.add("rows[1]", "the file must begin with a header line")
		return nil
	}
	at, ok := locateColumns(header, problems)
	if !ok {
		return nil
	}
	read := &csvFile{places: map[string]int{}}
	for {
		cells, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return read.products()
		}
		var broken *csv.ParseError
		if errors.As(err, &broken) {
			problems.add(fmt.Sprintf("rows[%d]", broken.StartLine), "cannot be read as CSV: %s", broken.Err)
			continue
		}
		line, _ := reader.FieldPos(0)
		if len(cells) != len(header) {
			problems.add(fmt.Sprintf("rows[%d]", line), "has %d cells where the header has %d columns", len(cells), len(header))
			continue
		}
		read.take(&csvRow{line: line, cells: cells, at: at, problems: problems})
	}
}

// Columns that must be filled, of a product and of a direction.
var (
	neededOfProduct   = []string{"display_name", "registration_number", "form", "contents"}
	neededOfDirection = []string{"method", "disorder_classes", "rate_min", "rate_max"}
)

// locateColumns finds the columns of a header and reports what is wrong with it.
func locateColumns(header []string, problems *rejection) (at map[string]int, ok bool) {
	before := problems.count
	known := csvHeader()
	at = map[string]int{}
	for i, name := range header {
		_, twice := at[name]
		switch {
		case !slices.Contains(known, name):
			problems.add("rows[1]."+name, "is not a column of this file")
		case twice:
			problems.add("rows[1]."+name, "stands in the header more than once")
		}
		at[name] = i
	}
	for _, name := range append([]string{idColumn}, neededOfProduct...) {
		if _, found := at[name]; !found {
			problems.add("rows[1]."+name, "is missing from the header")
		}
	}
	return at, problems.count == before
}

// absentColumns are those that a file with a header in order does not have.
func absentColumns(data []byte) []string {
	header, err := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, byteOrderMark))).Read()
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(csvHeader(), func(name string) bool { return slices.Contains(header, name) })
}

// takesAway reports the columns that a file does not have and in which a product
// that it changes holds something: restricted use or a limit would go, and
// nobody who looks at the file would see it.
func takesAway(before Product, absent []string, problems *rejection) {
	for _, name := range absent {
		for _, held := range before.cells(name) {
			if held == "" || held == strconv.FormatBool(false) {
				continue
			}
			problems.add("rows[1]."+name, "is missing from the header, and %s has %q there, which the import would take away", before.ID, held)
		}
	}
}

// cells returns what the rows of a product hold in a column.
func (p Product) cells(name string) []string {
	for _, column := range productColumns {
		if column.name == name {
			return []string{column.cell(p)}
		}
	}
	for _, column := range directionColumns {
		if column.name == name {
			return texts(p.Directions, column.cell)
		}
	}
	return nil
}

// csvFile gathers the rows of a file into products.
type csvFile struct {
	gathered []csvProduct
	// places say where in gathered the product with an id is.
	places map[string]int
}

// csvProduct is a product with the rows that it was read from.
type csvProduct struct {
	id      string
	message *productsv1.Product
	first   *csvRow
	// lines are those of its directions.
	lines []int
}

func (f *csvFile) take(row *csvRow) {
	id := row.text(idColumn)
	if !idForm.MatchString(id) {
		row.refuse(idColumn, "%q: %s", id, idRule)
		return
	}
	place, again := f.places[id]
	if !again {
		place = len(f.gathered)
		f.places[id] = place
		f.gathered = append(f.gathered, csvProduct{id: id, message: row.product(), first: row})
	}
	product := &f.gathered[place]
	if again {
		row.sameProduct(product.first)
	}
	directed := slices.ContainsFunc(directionColumns, func(c directionColumn) bool { return row.text(c.name) != "" })
	switch {
	case directed:
		product.message.Directions = append(product.message.Directions, row.direction())
		product.lines = append(product.lines, row.line)
	case again:
		row.refuse("method", "must be filled: a further row of a product is a further direction")
	}
}

func (f *csvFile) products() []fileProduct {
	read := make([]fileProduct, 0, len(f.gathered))
	for _, product := range f.gathered {
		read = append(read, fileProduct{id: product.id, message: product.message, at: product.at})
	}
	return read
}

// at returns the row and column of a field of the product.
func (p csvProduct) at(path string) string {
	line := p.first.line
	var index int
	if n, err := fmt.Sscanf(path, "directions[%d].", &index); err == nil && n == 1 && index < len(p.lines) {
		line = p.lines[index]
		_, path, _ = strings.Cut(path, ".")
	}
	column := path
	if end := strings.IndexAny(path, ".["); end >= 0 {
		column = path[:end]
	}
	if path == "cost.currency_code" {
		column = "cost_currency"
	}
	return fmt.Sprintf("rows[%d].%s", line, column)
}

func (r *csvRow) refuse(column, format string, args ...any) {
	r.problems.add(fmt.Sprintf("rows[%d].%s", r.line, column), format, args...)
}

// text returns the text of a column, "" when the file has no such column.
func (r *csvRow) text(column string) string {
	i, found := r.at[column]
	if !found {
		return ""
	}
	return r.cells[i]
}

// sameProduct refuses a row that says something else about its product than the
// first one.
func (r *csvRow) sameProduct(first *csvRow) {
	for _, column := range productColumns {
		if r.text(column.name) != first.text(column.name) {
			r.refuse(column.name, "differs from row %d, which is of the same product", first.line)
		}
	}
}

// needed refuses columns that are empty.
func (r *csvRow) needed(columns []string) {
	for _, column := range columns {
		if r.text(column) == "" {
			r.refuse(column, "must not be empty")
		}
	}
}

func (r *csvRow) product() *productsv1.Product {
	r.needed(neededOfProduct)
	message := &productsv1.Product{
		DisplayName: unguarded(r.text("display_name")), RegistrationNumber: unguarded(r.text("registration_number")),
		Form:             value(r, "form", parseForm),
		Formulation:      value(r, "formulation", parseFormulation),
		Jurisdiction:     r.text("jurisdiction"),
		ToxicityCategory: value(r, "toxicity_category", parseToxicity),
		RestrictedUse:    r.flag("restricted_use"),
		CostPer:          r.amount("cost_per"),

		Respirator:         value(r, "respirator", parseAnswer),
		DoubleNotification: value(r, "double_notification", parseAnswer),
		InhalationLimited:  value(r, "inhalation_limited", parseAnswer),
		InhalationLevel:    r.amount("inhalation_level"),
		Organophosphate:    value(r, "organophosphate", parseAnswer),
		FirstAid:           unguarded(r.text("first_aid")), SafetyDataSheet: unguarded(r.text("safety_data_sheet")),
		TimeLimited:  value(r, "time_limited", parseAnswer),
		StageLimited: value(r, "stage_limited", parseAnswer),
	}
	if day := r.text("registration_expire_date"); day != "" {
		message.RegistrationExpireDate = &typev1.Date{Value: day}
	}
	if cost, currency := r.text("cost"), r.text("cost_currency"); cost != "" || currency != "" {
		message.Cost = &typev1.Money{Amount: cost, CurrencyCode: currency}
	}
	for _, text := range r.list("contents") {
		active, amount := r.part("contents", text)
		message.Contents = append(message.Contents, &productsv1.Content{ActiveIngredient: active, Amount: amount})
	}
	return message
}

func (r *csvRow) direction() *productsv1.LabelDirection {
	r.needed(neededOfDirection)
	message := &productsv1.LabelDirection{
		Method:          value(r, "method", ParseMethod),
		DisorderClasses: values[diagnosisv1.DisorderClass](r, "disorder_classes", parseClass),
		Disorders:       r.list("disorders"), Crops: r.list("crops"),
		Sites:   values[productsv1.Site](r, "sites", parseSite),
		RateMin: r.amount("rate_min"), RateMax: r.amount("rate_max"),
		WaterVolumeMin: r.amount("water_volume_min"), WaterVolumeMax: r.amount("water_volume_max"),
		RestrictedEntryInterval:     r.amount("restricted_entry_interval"),
		MinIntervalDays:             r.count("min_interval_days"),
		MaxApplicationsPerCropCycle: r.count("max_applications_per_crop_cycle"),
		MaxApplicationsPerYear:      r.count("max_applications_per_year"),
		MaxConsecutiveApplications:  r.count("max_consecutive_applications"),
		TemperatureMin:              r.amount("temperature_min"), TemperatureMax: r.amount("temperature_max"),
		OpenBloom:           value(r, "open_bloom", parsePermission),
		Chemigation:         value(r, "chemigation", parsePermission),
		ProtectiveEquipment: unguarded(r.text("protective_equipment")),
		SilentOn:            values[productsv1.LabelFact](r, "silent_on", parseFact),
	}
	if r.text("sale_interval_days") != "" {
		days := r.count("sale_interval_days")
		message.SaleIntervalDays = &days
	}
	for _, text := range r.list("active_limits") {
		active, amount := r.part("active_limits", text)
		message.ActiveLimits = append(message.ActiveLimits, &productsv1.ActiveLimit{ActiveIngredient: active, MostPerYear: amount})
	}
	return message
}

// list returns the parts of a cell between semicolons.
func (r *csvRow) list(column string) []string {
	text := r.text(column)
	if strings.TrimSpace(text) == "" {
		return nil
	}
	parts := strings.Split(text, strings.TrimSpace(listSeparator))
	return texts(parts, strings.TrimSpace)
}

// part reads "captan: 500 g/kg".
func (r *csvRow) part(column, text string) (active string, amount *typev1.Quantity) {
	active, rest, found := strings.Cut(text, strings.TrimSpace(partSeparator))
	if !found {
		r.refuse(column, "%q is not an active ingredient and an amount, for example captan: 500 g/kg", text)
		return active, nil
	}
	return strings.TrimSpace(active), r.parsedAmount(column, strings.TrimSpace(rest))
}

func (r *csvRow) amount(column string) *typev1.Quantity {
	text := r.text(column)
	if text == "" {
		return nil
	}
	return r.parsedAmount(column, text)
}

func (r *csvRow) parsedAmount(column, text string) *typev1.Quantity {
	q, err := quantity.Parse(text)
	if err != nil {
		r.refuse(column, "%s", err)
		return nil
	}
	return q.Contract()
}

// count reads a whole number; an empty cell is 0.
func (r *csvRow) count(column string) int32 {
	text := r.text(column)
	if text == "" {
		return 0
	}
	number, err := strconv.ParseInt(text, 10, 32)
	if err != nil {
		r.refuse(column, "%q is not a whole number", text)
	}
	return int32(number)
}

// flag reads true or false, in capitals too, as spreadsheets write them; an empty
// cell is false.
func (r *csvRow) flag(column string) bool {
	text := strings.ToLower(r.text(column))
	if text != "" && text != "true" && text != "false" {
		r.refuse(column, "%q: must be true or false", text)
	}
	return text == "true"
}

// value reads a word of the contract; an empty cell is the value that means none.
func value[E any](r *csvRow, column string, parse func(string) (E, error)) E {
	var none E
	text := r.text(column)
	if text == "" {
		return none
	}
	read, err := parse(strings.ToUpper(text))
	if err != nil {
		r.refuse(column, "%s", err)
		return none
	}
	return read
}

// values reads words of the contract between semicolons.
func values[E any](r *csvRow, column string, parse func(string) (E, error)) []E {
	read, err := parsed(texts(r.list(column), strings.ToUpper), parse)
	if err != nil {
		r.refuse(column, "%s", err)
	}
	return read
}
