package rules

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/shopspring/decimal"

	productsv1 "velamen/gen/velamen/products/v1"
	"velamen/internal/rulefile"
	"velamen/services/products"
)

// weatherRow is the weather in which something harms plants.
type weatherRow struct {
	id             string
	what           term
	methods        []productsv1.Method
	min, max       *decimal.Decimal
	tissue         *decimal.Decimal
	sunFrom, sunTo decimal.Decimal
	humidityMax    *decimal.Decimal
	wetFoliage     bool
	action         Outcome
	overridable    bool
	source         string
}

var weather = sync.OnceValue(func() []weatherRow {
	return mustLoad(weatherFile, func(file []byte) ([]weatherRow, error) { return parseWeather(file, spacing().classes) })
})

type weatherRows struct {
	Source string           `yaml:"source"`
	Date   string           `yaml:"date"`
	Rows   []weatherFileRow `yaml:"rows"`
}

type weatherFileRow struct {
	ID          string   `yaml:"id"`
	What        string   `yaml:"what"`
	Methods     []string `yaml:"methods"`
	Min         *int     `yaml:"min"`
	Max         *int     `yaml:"max"`
	Tissue      *int     `yaml:"tissue"`
	SunFrom     int      `yaml:"sun_from"`
	SunTo       int      `yaml:"sun_to"`
	HumidityMax *int     `yaml:"humidity_max"`
	WetFoliage  bool     `yaml:"wet_foliage"`
	Action      string   `yaml:"action"`
	Overridable bool     `yaml:"overridable"`
	origin      `yaml:",inline"`
}

// Bounds of a temperature and a humidity in the file; beyond them it is a slip of
// the pen.
const (
	coldest, hottest = -50, 100
	dampest          = 100
)

// parseWeather reads weather.yaml with the classes of spacing.yaml. Errors name
// the file, the row and the field.
func parseWeather(file []byte, classes map[string]term) ([]weatherRow, error) {
	rows, err := readWeather(file, classes)
	if err != nil {
		return nil, fmt.Errorf("weather.yaml: %w", err)
	}
	return rows, nil
}

func readWeather(file []byte, classes map[string]term) ([]weatherRow, error) {
	var rows weatherRows
	if err := rulefile.Decode(file, &rows); err != nil {
		return nil, err
	}
	if err := rulefile.CheckHead(rows.Source, rows.Date); err != nil {
		return nil, err
	}
	var set []weatherRow
	for i, row := range rows.Rows {
		read, err := row.row(classes)
		if err == nil && slices.ContainsFunc(set, func(other weatherRow) bool { return other.id == row.ID }) {
			err = errors.New("id: is listed twice")
		}
		if err != nil {
			return nil, fmt.Errorf("rows row %d (%q): %w", i+1, row.ID, err)
		}
		set = append(set, read)
	}
	return set, nil
}

func (row weatherFileRow) row(classes map[string]term) (weatherRow, error) {
	if err := row.check(); err != nil {
		return weatherRow{}, err
	}
	read := weatherRow{
		id: row.ID, min: degrees(row.Min), max: degrees(row.Max), tissue: degrees(row.Tissue), humidityMax: degrees(row.HumidityMax),
		sunFrom: decimal.NewFromInt(int64(row.SunFrom)), sunTo: decimal.NewFromInt(int64(row.SunTo)),
		wetFoliage: row.WetFoliage, overridable: row.Overridable, source: row.Source,
	}
	var err error
	if read.action, err = action(row.Action); err != nil {
		return weatherRow{}, err
	}
	if read.what, err = readTerm(row.What, classes); err != nil {
		return weatherRow{}, fmt.Errorf("what: %w", err)
	}
	for _, text := range row.Methods {
		method, err := products.ParseMethod(text)
		if err != nil {
			return weatherRow{}, fmt.Errorf("methods: %w", err)
		}
		read.methods = append(read.methods, method)
	}
	return read, nil
}

func (row weatherFileRow) check() error {
	if err := row.origin.check(); err != nil {
		return err
	}
	for _, field := range []struct {
		name      string
		value     *int
		low, high int
	}{
		{"min", row.Min, coldest, hottest}, {"max", row.Max, coldest, hottest}, {"tissue", row.Tissue, coldest, hottest},
		{"humidity_max", row.HumidityMax, 0, dampest}, {"sun_from", &row.SunFrom, 0, hottest}, {"sun_to", &row.SunTo, 0, hottest},
	} {
		if field.value != nil && (*field.value < field.low || *field.value > field.high) {
			return fmt.Errorf("%s: must be from %d to %d", field.name, field.low, field.high)
		}
	}
	switch {
	case !strings.HasPrefix(row.ID, "weather-") || !ruleID.MatchString(row.ID):
		return errors.New("id: is not the identifier of a weather rule")
	case len(row.Methods) == 0:
		return errors.New("methods: must be given")
	case row.Min != nil && row.Max != nil && *row.Min > *row.Max:
		return errors.New("min: is above max")
	case row.SunFrom > row.SunTo || (row.Tissue == nil && row.SunTo > 0):
		return errors.New("sun_from, sun_to: must rise and go with tissue")
	case row.empty():
		return errors.New("min, max, tissue, humidity_max, wet_foliage: one of them must be given")
	}
	return nil
}

func (row weatherFileRow) empty() bool {
	return row.Min == nil && row.Max == nil && row.Tissue == nil && row.HumidityMax == nil && !row.WetFoliage
}

func degrees(value *int) *decimal.Decimal {
	if value == nil {
		return nil
	}
	d := decimal.NewFromInt(int64(*value))
	return &d
}
