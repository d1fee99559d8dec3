package rules

import (
	"fmt"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"velamen/internal/quantity"
)

// weather holds every product to the weather that it harms plants in.
func (c *check) weather() {
	rows := weather()
	for i := range rows {
		row := &rows[i]
		if !slices.Contains(row.methods, c.a.Method) {
			continue
		}
		for _, l := range c.lines {
			if !row.what.matches(&l.parts) {
				continue
			}
			v := c.rowVerdict(row, l)
			v.Rule, v.Source, v.Overridable = row.id, row.source, row.overridable
			c.add(v)
			if row.what.any {
				break
			}
		}
	}
}

// finding is what one condition says: broken, not known, or neither.
type finding struct {
	broken, unknown string
}

func (c *check) rowVerdict(row *weatherRow, l *line) Verdict {
	findings := []finding{c.air(row), c.leaf(row), c.humidity(row), c.foliage(row)}
	var broken, unknown []string
	for _, f := range findings {
		if f.broken != "" {
			broken = append(broken, f.broken)
		}
		if f.unknown != "" {
			unknown = append(unknown, f.unknown)
		}
	}
	name := l.Product.DisplayName
	if row.what.any {
		name = "a foliar spray"
	}
	v := l.about(row.id, Pass, "the weather does not make %s harm plants", name)
	if row.what.any {
		v.Product, v.Field = "", c.treatment(l).Field
	}
	switch {
	case len(broken) > 0:
		v.Outcome = row.action
		v.Message = fmt.Sprintf("%s can harm plants now: %s", name, strings.Join(broken, ", "))
		v.Alternatives = []string{"do it at another time of day"}
	case len(unknown) > 0:
		v.Outcome = Warn
		v.Message = fmt.Sprintf("whether %s can harm plants now is not known: %s", name, strings.Join(unknown, ", "))
	}
	v.Numbers = c.measured(row)
	return v
}

func (c *check) measured(row *weatherRow) []Number {
	var numbers []Number
	add := func(name string, value *decimal.Decimal, unit quantity.Unit) {
		if value != nil {
			numbers = append(numbers, Number{Name: name, Value: value.String() + " " + string(unit)})
		}
	}
	if measured := c.a.Conditions.Temperature; !measured.IsZero() {
		add("temperature", &measured.Amount, measured.Unit)
	}
	if measured := c.a.Conditions.Humidity; !measured.IsZero() && row.humidityMax != nil {
		add("humidity", &measured.Amount, measured.Unit)
	}
	add("coldest air", row.min, quantity.Celsius)
	add("hottest air", row.max, quantity.Celsius)
	add("leaf below", row.tissue, quantity.Celsius)
	add("most humidity", row.humidityMax, quantity.Percent)
	return numbers
}

// air holds the temperature of the air to a row.
func (c *check) air(row *weatherRow) finding {
	measured := c.a.Conditions.Temperature
	switch {
	case row.min == nil && row.max == nil:
		return finding{}
	case measured.IsZero():
		return finding{unknown: "the temperature is not measured"}
	case row.min != nil && measured.Amount.LessThan(*row.min):
		return finding{broken: fmt.Sprintf("the air is at %s, below %s Cel", measured, row.min)}
	case row.max != nil && measured.Amount.GreaterThan(*row.max):
		return finding{broken: fmt.Sprintf("the air is at %s, above %s Cel", measured, row.max)}
	default:
		return finding{}
	}
}

// leaf holds the temperature of the leaf to a row: in the sun it is hotter than
// the air, by how much nobody measures, so that the most is taken.
func (c *check) leaf(row *weatherRow) finding {
	measured, sun := c.a.Conditions.Temperature, c.a.Conditions.Sunlit
	if row.tissue == nil {
		return finding{}
	}
	if measured.IsZero() {
		return finding{unknown: "the temperature is not measured"}
	}
	inSun := measured.Amount.Add(row.sunTo)
	says := fmt.Sprintf("the air is at %s and leaves are harmed from %s Cel", measured, row.tissue)
	hotter := fmt.Sprintf("%s; in the sun they are %s to %s Cel hotter than the air", says, row.sunFrom, row.sunTo)
	switch {
	case measured.Amount.GreaterThanOrEqual(*row.tissue):
		return finding{broken: says}
	case inSun.LessThan(*row.tissue) || (sun != nil && !*sun):
		return finding{}
	case sun == nil:
		return finding{unknown: hotter + ", and whether they are is not said"}
	default:
		return finding{broken: hotter}
	}
}

func (c *check) humidity(row *weatherRow) finding {
	measured := c.a.Conditions.Humidity
	switch {
	case row.humidityMax == nil:
		return finding{}
	case measured.IsZero():
		return finding{unknown: "the humidity is not measured"}
	case measured.Amount.GreaterThan(*row.humidityMax):
		return finding{broken: fmt.Sprintf("the humidity is %s, above %s %%", measured, row.humidityMax)}
	default:
		return finding{}
	}
}

func (c *check) foliage(row *weatherRow) finding {
	wet := c.a.Conditions.WetFoliage
	switch {
	case !row.wetFoliage || (wet != nil && !*wet):
		return finding{}
	case wet == nil:
		return finding{unknown: "whether leaves are wet is not said"}
	default:
		return finding{broken: "leaves are wet"}
	}
}
