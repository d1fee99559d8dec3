package inference

import (
	"math"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/services/diagnosis/knowledge"
)

// What conditions do to how likely a disorder is, as factors. They are soft: a
// house has corners that its logger does not see, and signs outlast the weather.
// Design values, common practice, no source.
const (
	favours = 1.5
	hinders = 0.6
	forbids = 0.35 // far outside the range of temperature
)

// Bounds of conditions. Design values, common practice, no source.
const (
	farOutside   = 5.0  // °C beyond the favourable range
	wetHours     = 6.0  // hours a day from which leaves count as wet
	dryHours     = 2.0  // and to which they count as dry
	veryHumid    = 90.0 // % that leaves condensation somewhere every night
	humid        = 80.0
	moderate     = 65.0 // % from which mildew does well
	dryAir       = 55.0
	shownFromLog = 1e-9 // a factor of 1 says nothing
)

// conditions weighs temperature, moisture and light, each where it is known.
func (a *assessment) conditions() {
	c := a.facts.Conditions
	a.condition("temperature", func(f knowledge.Conditions) float64 { return temperatureFactor(f, c.TemperatureC) })
	a.condition("moisture", func(f knowledge.Conditions) float64 { return moistureFactor(f.Moisture, c) })
	a.condition("light", func(f knowledge.Conditions) float64 { return lightFactor(f.Light, c.Light) })
}

// condition multiplies what is believed of each disorder by a factor; of two at
// once by both factors, for both have to thrive there.
func (a *assessment) condition(name string, factor func(knowledge.Conditions) float64) {
	logs := make([]float64, len(a.disorders))
	said := false
	for i, d := range a.disorders {
		logs[i] = math.Log(factor(d.FavouredBy))
		said = said || math.Abs(logs[i]) > shownFromLog
	}
	if !said {
		return
	}
	c := clue{condition: name, group: "condition " + name, key: name, logs: make([]float64, len(a.hypotheses))}
	for h, at := range a.hypotheses {
		if at.first != nobody {
			c.logs[h] = logs[at.first]
		}
		if at.second != nobody {
			c.logs[h] += logs[at.second]
		}
	}
	a.clues = append(a.clues, c)
}

func temperatureFactor(f knowledge.Conditions, celsius *float64) float64 {
	if celsius == nil || (f.LowestTemperature == 0 && f.HighestTemperature == 0) {
		return 1
	}
	outside := max(f.LowestTemperature-*celsius, *celsius-f.HighestTemperature)
	switch {
	case outside <= 0:
		return favours
	case outside <= farOutside:
		return hinders
	default:
		return forbids
	}
}

// tendency is what is known for and against something.
type tendency struct{ pro, contra bool }

func (t tendency) factor() float64 {
	switch {
	case t.pro && !t.contra:
		return favours
	case t.contra && !t.pro:
		return hinders
	default:
		return 1
	}
}

func moistureFactor(wants knowledge.Moisture, c Conditions) float64 {
	above := func(value *float64, bound float64) bool { return value != nil && *value >= bound }
	below := func(value *float64, bound float64) bool { return value != nil && *value <= bound }
	wet, dry := above(c.WetHoursPerDay, wetHours), below(c.WetHoursPerDay, dryHours)
	soaked, drained := c.WetMedium != nil && *c.WetMedium, c.WetMedium != nil && !*c.WetMedium
	switch wants {
	case knowledge.FreeWater, knowledge.WetLeaves:
		return tendency{wet || above(c.HumidityPercent, veryHumid), dry || below(c.HumidityPercent, moderate)}.factor()
	case knowledge.Humid:
		return tendency{wet || above(c.HumidityPercent, humid), below(c.HumidityPercent, moderate)}.factor()
	case knowledge.HumidNotWet:
		return tendency{above(c.HumidityPercent, moderate), wet || below(c.HumidityPercent, dryAir)}.factor()
	case knowledge.WetMedium:
		return tendency{soaked, drained}.factor()
	case knowledge.Dry:
		return tendency{drained || below(c.HumidityPercent, dryAir), soaked || wet || above(c.HumidityPercent, humid)}.factor()
	default:
		return 1
	}
}

func lightFactor(wants string, light diagnosisv1.Light) float64 {
	low, high := light == diagnosisv1.Light_LIGHT_LOW, light == diagnosisv1.Light_LIGHT_HIGH
	switch wants {
	case "low":
		return tendency{low, high}.factor()
	case "high":
		return tendency{high, low}.factor()
	default:
		return 1
	}
}
