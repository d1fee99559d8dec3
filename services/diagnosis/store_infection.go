package diagnosis

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/services/diagnosis/infection"
	"velamen/services/identity"
)

// readModels returns all models as a nursery uses them, in the shipped order.
func readModels(ctx context.Context, r postgres.Reader, nursery string) ([]ownModel, error) {
	rows, err := r.Query(ctx, `
		SELECT DISTINCT ON (model) model, version, temperature_min IS NOT NULL,
			coalesce(temperature_min::text, '0'), coalesce(temperature_optimum::text, '0'), coalesce(temperature_max::text, '0'),
			coalesce(wetness_min::text, '0'), coalesce(wetness_max::text, '0'), coalesce(dry_interruption::text, '0'),
			source, setter, set_time
		FROM diagnosis.model_parameters WHERE nursery = $1 ORDER BY model, version DESC`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	set := map[string]ownModel{}
	var id, source, setter string
	var version int64
	var own bool
	var typed [6]string
	var setTime time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &version, &own, &typed[0], &typed[1], &typed[2], &typed[3], &typed[4], &typed[5], &source, &setter, &setTime}, func() error {
		shipped, known := infection.ByID(id)
		if !known {
			return nil // a version of velamen had it that this one has not
		}
		m := ownModel{Model: shipped, version: version, setter: setter, setTime: setTime}
		if own {
			exact, err := storedParameters(typed)
			if err != nil {
				return fmt.Errorf("parameters of model %s: %w", id, err)
			}
			m = m.with(exact, source)
		}
		set[id] = m
		return nil
	})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	var models []ownModel
	for _, shipped := range infection.Shipped() {
		m, changed := set[shipped.ID]
		if !changed {
			m = ownModel{Model: shipped}
		}
		models = append(models, m)
	}
	return models, nil
}

func storedParameters(typed [6]string) (exactParameters, error) {
	var e exactParameters
	for i, field := range []struct {
		into *quantity.Quantity
		unit quantity.Unit
	}{
		{&e.temperatureMin, quantity.Celsius}, {&e.temperatureOptimum, quantity.Celsius}, {&e.temperatureMax, quantity.Celsius},
		{&e.wetnessMin, quantity.Hour}, {&e.wetnessMax, quantity.Hour}, {&e.dryInterruption, quantity.Hour},
	} {
		var err error
		if *field.into, err = quantity.New(typed[i], field.unit); err != nil {
			return e, err
		}
	}
	return e, nil
}

// readModel returns one model as a nursery uses it, or a NotFound fault.
func readModel(ctx context.Context, r postgres.Reader, nursery, id string) (ownModel, error) {
	models, err := readModels(ctx, r, nursery)
	if err != nil {
		return ownModel{}, err
	}
	for _, m := range models {
		if m.ID == id {
			return m, nil
		}
	}
	return ownModel{}, fault.Missing("infection model", modelName(nursery, id))
}

// insertParameters keeps a change of a model. It returns a Stale fault when somebody
// else changed the model at the same time.
func insertParameters(ctx context.Context, tx pgx.Tx, nursery string, m ownModel) error {
	args := pgx.NamedArgs{"nursery": nursery, "model": m.ID, "version": m.version, "source": "", "setter": m.setter, "set_time": m.setTime,
		"tmin": nil, "topt": nil, "tmax": nil, "wmin": nil, "wmax": nil, "dry": nil}
	if m.own {
		e := m.exact
		args["source"] = m.Source
		args["tmin"], args["topt"], args["tmax"] = e.temperatureMin.Plain(), e.temperatureOptimum.Plain(), e.temperatureMax.Plain()
		args["wmin"], args["wmax"], args["dry"] = e.wetnessMin.Plain(), e.wetnessMax.Plain(), e.dryInterruption.Plain()
	}
	_, err := tx.Exec(ctx, `
		INSERT INTO diagnosis.model_parameters (nursery, model, version, temperature_min, temperature_optimum, temperature_max,
			wetness_min, wetness_max, dry_interruption, source, setter, set_time)
		VALUES (@nursery, @model, @version, @tmin::numeric, @topt::numeric, @tmax::numeric,
			@wmin::numeric, @wmax::numeric, @dry::numeric, @source, @setter, @set_time)`, args)
	if postgres.Violates(err, "model_parameters_pk") {
		return fault.Stale(modelName(nursery, m.ID), "")
	}
	return err
}

// leastLeadIn is how long before the days asked for readings are taken at least.
// Design value.
const leastLeadIn = 8 * 24 * time.Hour

// leadIn is how long before the days asked for readings are taken, so that a wet
// spell which lasts into them is known from its beginning: longer than the most wet
// hours that any of the models asks for and an interruption.
func leadIn(models []ownModel) time.Duration {
	longest := leastLeadIn
	for _, m := range models {
		hours := m.Parameters.Most + m.Parameters.Interruption
		longest = max(longest, 24*time.Hour+time.Duration(hours*float64(time.Hour)))
	}
	return longest
}

// ReadInfectionEvents returns when plants of some houses could have been infected
// between two moments, by every model that is run for a disorder, in the order of the
// houses, the models and then of time. Wetness is told by the leaf sensor where there
// is one, else from 90 % relative humidity on. No readings, no events.
func ReadInfectionEvents(ctx context.Context, r postgres.Reader, nursery string, houses []string, from, until time.Time) ([]InfectionEvent, error) {
	of, err := identity.ReadNursery(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	models, err := readModels(ctx, r, nursery)
	if err != nil {
		return nil, err
	}
	begin := from.Add(-leadIn(models))
	var events []InfectionEvent
	for _, house := range houses {
		loggers, err := readHouse(ctx, r, nursery, house, begin, until)
		if err != nil {
			return nil, err
		}
		events = append(events, houseEvents(house, loggers, models, from, of.Zone)...)
	}
	return events, nil
}

func houseEvents(house string, loggers []loggerSeries, models []ownModel, from time.Time, zone *time.Location) []InfectionEvent {
	readings, interval := wettest(loggers)
	spans, _ := infection.Spans(readings, infection.Wetting{Interval: interval})
	var events []InfectionEvent
	for _, m := range models {
		if m.Disorder == "" {
			continue
		}
		for _, e := range m.Run(spans, zone).Events {
			if e.Infection.Before(from) {
				continue
			}
			event := InfectionEvent{
				House: house, Model: m.ID, Disorder: m.Disorder, Start: e.Start, Infection: e.Infection, End: e.End,
				WetHours: e.WetHours, Celsius: e.Celsius, Level: string(e.Level), Unverified: m.unverified(),
			}
			event.SignsFrom, event.SignsUntil = signsBetween(m.Disorder, e.Infection, zone)
			events = append(events, event)
		}
	}
	return events
}
