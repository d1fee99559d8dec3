package diagnosis

import (
	"fmt"
	"math/big"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	typev1 "velamen/gen/velamen/type/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis/infection"
	"velamen/services/diagnosis/knowledge"
)

// ownModel is a model as a nursery uses it: with the shipped parameters, or with
// its own.
type ownModel struct {
	infection.Model
	// version counts the nursery's changes; 0 before the first.
	version int64
	own     bool
	// exact are its own parameters, as they were typed.
	exact   exactParameters
	setter  string
	setTime time.Time
}

// exactParameters are parameters as exact decimals: °C and h.
type exactParameters struct {
	temperatureMin, temperatureOptimum, temperatureMax, wetnessMin, wetnessMax, dryInterruption quantity.Quantity
}

// unverified is the sentence beside every result; empty when the parameters were
// checked.
func (m ownModel) unverified() string {
	if m.own {
		return "UNVERIFIED PARAMETERS: set by this nursery; " + m.Source
	}
	return m.Unverified()
}

func modelName(nursery, id string) string {
	return resource.Of("nurseries", nursery, "infectionModels", id)
}

func (m ownModel) contract(nursery string) *diagnosisv1.InfectionModel {
	model := &diagnosisv1.InfectionModel{
		Name: modelName(nursery, m.ID), DisplayName: m.DisplayName(), Disorder: m.Disorder, Equation: string(m.Equation),
		Verified: m.Verified && !m.own, Source: m.Source, Own: m.own, Etag: rpc.ETag(m.version),
	}
	switch {
	case m.own:
		model.Parameters = m.exact.contract()
		model.Setter, model.SetTime = personName(nursery, m.setter), timestamppb.New(m.setTime)
	case m.Equation == infection.Generic:
		model.Parameters = shippedParameters(m.Parameters)
	}
	return model
}

func (e exactParameters) contract() *diagnosisv1.WetnessParameters {
	return &diagnosisv1.WetnessParameters{
		TemperatureMin: e.temperatureMin.Contract(), TemperatureOptimum: e.temperatureOptimum.Contract(), TemperatureMax: e.temperatureMax.Contract(),
		WetnessMin: e.wetnessMin.Contract(), WetnessMax: e.wetnessMax.Contract(), DryInterruption: e.dryInterruption.Contract(),
	}
}

// shippedParameters writes parameters as the data file has them.
func shippedParameters(p infection.Parameters) *diagnosisv1.WetnessParameters {
	written := func(value float64, unit quantity.Unit) *typev1.Quantity {
		return &typev1.Quantity{Amount: strconv.FormatFloat(value, 'f', -1, 64), Unit: string(unit)}
	}
	return &diagnosisv1.WetnessParameters{
		TemperatureMin: written(p.Lowest, quantity.Celsius), TemperatureOptimum: written(p.Best, quantity.Celsius),
		TemperatureMax: written(p.Highest, quantity.Celsius), WetnessMin: written(p.Least, quantity.Hour),
		WetnessMax: written(p.Most, quantity.Hour), DryInterruption: written(p.Interruption, quantity.Hour),
	}
}

// parametersOf reads parameters and refuses those that make no sense, with the field
// that breaks the rule.
func parametersOf(p *diagnosisv1.WetnessParameters) (exactParameters, error) {
	var e exactParameters
	for _, field := range []struct {
		name  string
		given *typev1.Quantity
		unit  quantity.Unit
		into  *quantity.Quantity
	}{
		{"temperature_min", p.GetTemperatureMin(), quantity.Celsius, &e.temperatureMin},
		{"temperature_optimum", p.GetTemperatureOptimum(), quantity.Celsius, &e.temperatureOptimum},
		{"temperature_max", p.GetTemperatureMax(), quantity.Celsius, &e.temperatureMax},
		{"wetness_min", p.GetWetnessMin(), quantity.Hour, &e.wetnessMin},
		{"wetness_max", p.GetWetnessMax(), quantity.Hour, &e.wetnessMax},
		{"dry_interruption", p.GetDryInterruption(), quantity.Hour, &e.dryInterruption},
	} {
		given, err := quantity.FromContract(field.given)
		if err == nil {
			*field.into, err = given.In(field.unit)
		}
		if err != nil {
			return e, fault.Field("parameters."+field.name, "must be an amount in %s: %s", field.unit, err)
		}
	}
	return e, e.check()
}

func (e exactParameters) check() error {
	less := func(a, b quantity.Quantity) bool { return a.Amount.LessThan(b.Amount) }
	refuse := func(field, format string, args ...any) error {
		return fault.Field("parameters."+field, format, args...)
	}
	switch {
	case !less(e.temperatureMin, e.temperatureOptimum):
		return refuse("temperature_optimum", "must be above the lowest temperature, %s", e.temperatureMin)
	case !less(e.temperatureOptimum, e.temperatureMax):
		return refuse("temperature_max", "must be above the best temperature, %s", e.temperatureOptimum)
	case !e.wetnessMin.Positive():
		return refuse("wetness_min", "must be above 0 h")
	case less(e.wetnessMax, e.wetnessMin):
		return refuse("wetness_max", "must not be less than the wet hours at the best temperature, %s", e.wetnessMin)
	case e.dryInterruption.Amount.IsNegative():
		return refuse("dry_interruption", "must not be negative")
	}
	if err := e.model().Check(); err != nil {
		return fault.Field("parameters", "%s", err)
	}
	return nil
}

// model is what the model computes with.
func (e exactParameters) model() infection.Parameters {
	value := func(q quantity.Quantity) float64 { return q.Amount.InexactFloat64() }
	return infection.Parameters{
		Lowest: value(e.temperatureMin), Best: value(e.temperatureOptimum), Highest: value(e.temperatureMax),
		Least: value(e.wetnessMin), Most: value(e.wetnessMax), Interruption: value(e.dryInterruption),
	}
}

// with returns the model with a nursery's own parameters.
func (m ownModel) with(e exactParameters, source string) ownModel {
	m.own, m.exact, m.Source, m.Parameters, m.Verified = true, e, source, e.model(), false
	return m
}

// InfectionEvent is a time at which plants of a house could have been infected, as
// other services need it.
type InfectionEvent struct {
	// House is the id of the house; Model and Disorder are identifiers.
	House, Model, Disorder string
	// Start is when the wet spell began, Infection when infection became possible and
	// End when the spell ended, UTC.
	Start, Infection, End time.Time
	// WetHours of the spell and Celsius, its mean temperature while wet.
	WetHours, Celsius float64
	// Level is "infection", or "low", "moderate" or "high" for the Botrytis index.
	Level string
	// SignsFrom and SignsUntil are the days (YYYY-MM-DD, the nursery's) between which
	// first signs would show; empty where the latent time is not known.
	SignsFrom, SignsUntil string
	// Unverified must stand beside everything that is shown of the event; empty when
	// the model's parameters were checked.
	Unverified string
}

// signsBetween returns the days between which first signs of an infection show;
// empty where the latent time of the disorder is not known.
func signsBetween(disorder string, infected time.Time, zone *time.Location) (from, until string) {
	shortest, longest, known := latentDays(disorder)
	if !known {
		return "", ""
	}
	day := infected.In(zone)
	return day.AddDate(0, 0, shortest).Format(time.DateOnly), day.AddDate(0, 0, longest).Format(time.DateOnly)
}

// latentDays returns the days from infection to first signs, where they are known.
func latentDays(disorder string) (shortest, longest int, known bool) {
	d, found := knowledge.Shipped().Disorder(disorder)
	if !found || d.Latent == nil {
		return 0, 0, false
	}
	return d.Latent.MinDays, d.Latent.MaxDays, true
}

// riskPercent writes a share with at most one decimal.
func riskPercent(share float64) string {
	amount := new(big.Rat).SetFloat64(share * 100)
	if amount == nil {
		return "0"
	}
	return exactly(amount, 1, quantity.Percent).GetAmount()
}

// tooManyDays refuses an answer that would not fit into a message.
func tooManyDays(houses, models, days int) error {
	const most = 20_000
	if n := houses * models * days; n > most {
		return fault.Field("end_date", "%d houses, %d models and %d days are %d days of risk; at most %d are answered at once: ask for fewer days, models or houses",
			houses, models, days, n, most).With("most", fmt.Sprint(most))
	}
	return nil
}
