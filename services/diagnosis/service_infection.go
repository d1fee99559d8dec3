package diagnosis

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/fault"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/identity"
	"velamen/services/stock"
)

// ListInfectionModels returns the infection models as the nursery uses them.
func (s *Service) ListInfectionModels(ctx context.Context, request *diagnosisv1.ListInfectionModelsRequest) (*diagnosisv1.ListInfectionModelsResponse, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	models, err := readModels(ctx, s.db, ids[0])
	if err != nil {
		return nil, err
	}
	response := &diagnosisv1.ListInfectionModelsResponse{}
	for _, m := range models {
		response.InfectionModels = append(response.InfectionModels, m.contract(ids[0]))
	}
	return response, nil
}

// SetModelParameters has the nursery use parameters of its own for a model, or the
// shipped ones again.
func (s *Service) SetModelParameters(ctx context.Context, request *diagnosisv1.SetModelParametersRequest) (*diagnosisv1.InfectionModel, error) {
	ids, err := resource.Parse("name", request.GetName(), "nurseries", "infectionModels")
	if err != nil {
		return nil, err
	}
	var exact exactParameters
	source := strings.TrimSpace(request.GetSource())
	given := request.GetParameters() != nil
	if given {
		if exact, err = parametersOf(request.GetParameters()); err != nil {
			return nil, err
		}
	}
	switch {
	case given && source == "":
		return nil, fault.Field("source", "must say where the parameters come from: the publication, or the nursery's own trial")
	case !given && source != "":
		return nil, fault.Field("source", "says where parameters come from, but none are given")
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*diagnosisv1.InfectionModel, error) {
		m, err := readModel(ctx, tx, ids[0], ids[1])
		if err != nil {
			return nil, err
		}
		if err := rpc.CheckETag(request.GetName(), request.GetEtag(), m.version); err != nil {
			return nil, err
		}
		if m.Equation != infection.Generic {
			return nil, fault.Field("parameters", "%s has no parameters: its coefficients are the publication's", m.DisplayName()).With("name", request.GetName())
		}
		shipped, _ := infection.ByID(m.ID)
		m = ownModel{Model: shipped, version: m.version + 1, setter: caller.Person, setTime: s.db.Now()}
		if given {
			m = m.with(exact, source)
		}
		if err := insertParameters(ctx, tx, ids[0], m); err != nil {
			return nil, err
		}
		return m.contract(ids[0]), nil
	})
}

// riskDaysBefore is how many days of risk are shown when nobody says.
const riskDaysBefore = 14

// riskCaution stands on every answer about risk.
const riskCaution = "A model says when infection was possible, not that it happened; it knows the air at the logger, not at every leaf. " +
	"Look at the plants before anything is done. The product label and local law decide, and licensed advice comes first."

// AssessInfectionRisk says when plants of one or all houses could have been
// infected.
func (s *Service) AssessInfectionRisk(ctx context.Context, request *diagnosisv1.AssessInfectionRiskRequest) (*diagnosisv1.InfectionRisk, error) {
	nursery, house, err := houseOrAll("name", request.GetName())
	if err != nil {
		return nil, err
	}
	of, err := identity.ReadNursery(ctx, s.db, nursery)
	if err != nil {
		return nil, err
	}
	asked, err := periodOf(request.GetStartDate(), request.GetEndDate(), riskDaysBefore, s.db.Now(), of.Zone)
	if err != nil {
		return nil, err
	}
	wetting, err := wettingOf(request)
	if err != nil {
		return nil, err
	}
	models, err := s.modelsAsked(ctx, nursery, request.GetModels())
	if err != nil {
		return nil, err
	}
	houses, err := s.housesAsked(ctx, nursery, house)
	if err != nil {
		return nil, err
	}
	if err := tooManyDays(len(houses), len(models), asked.days); err != nil {
		return nil, err
	}
	risk := &diagnosisv1.InfectionRisk{Caution: riskCaution}
	if len(houses) == 0 {
		risk.Notes = []string{"No logger of any house was read in."}
	}
	for _, house := range houses {
		if err := s.assessHouse(ctx, risk, nursery, house, asked, models, wetting); err != nil {
			return nil, err
		}
	}
	return risk, nil
}

// wetnessMethods are the methods of the contract.
var wetnessMethods = map[diagnosisv1.WetnessMethod]infection.Method{
	diagnosisv1.WetnessMethod_WETNESS_METHOD_SENSOR:               infection.Sensor,
	diagnosisv1.WetnessMethod_WETNESS_METHOD_HUMIDITY_THRESHOLD:   infection.HumidityThreshold,
	diagnosisv1.WetnessMethod_WETNESS_METHOD_HUMIDITY_TREND:       infection.HumidityTrend,
	diagnosisv1.WetnessMethod_WETNESS_METHOD_DEW_POINT_DEPRESSION: infection.DewPointDepression,
}

// longestDryOff bounds how long watered leaves may be said to stay wet.
var longestDryOff = quantity.Must("72", quantity.Hour)

func wettingOf(request *diagnosisv1.AssessInfectionRiskRequest) (infection.Wetting, error) {
	wetting := infection.Wetting{Method: wetnessMethods[request.GetWetnessMethod()]}
	for i, moment := range request.GetWettingTimes() {
		if err := moment.CheckValid(); err != nil {
			return wetting, fault.Field(fmt.Sprintf("wetting_times[%d]", i), "is no time")
		}
		wetting.Waterings = append(wetting.Waterings, moment.AsTime())
	}
	dryOff, err := quantity.FromContract(request.GetDryOff())
	if err != nil || dryOff.IsZero() {
		if err != nil {
			err = fault.Field("dry_off", "%s", err)
		}
		return wetting, err
	}
	hours, err := dryOff.In(quantity.Hour)
	if err != nil || !hours.Positive() || hours.Amount.GreaterThan(longestDryOff.Amount) {
		return wetting, fault.Field("dry_off", "%s must be a time above 0 h and at most %s", dryOff, longestDryOff).With("dry_off", dryOff.String())
	}
	wetting.DryOff = time.Duration(hours.Amount.InexactFloat64() * float64(time.Hour))
	return wetting, nil
}

// modelsAsked returns the models that were named, or all that are run for a
// disorder: the others only serve to compare.
func (s *Service) modelsAsked(ctx context.Context, nursery string, names []string) ([]ownModel, error) {
	all, err := readModels(ctx, s.db, nursery)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 {
		return slices.DeleteFunc(all, func(m ownModel) bool { return m.Disorder == "" }), nil
	}
	var asked []ownModel
	for i, name := range names {
		ids, err := resource.Parse(fmt.Sprintf("models[%d]", i), name, "nurseries", "infectionModels")
		if err != nil {
			return nil, err
		}
		at := slices.IndexFunc(all, func(m ownModel) bool { return m.ID == ids[1] })
		if at < 0 {
			return nil, fault.Missing("infection model", name)
		}
		asked = append(asked, all[at])
	}
	return asked, nil
}

// housesAsked returns the house that was named, or all that have a logger.
func (s *Service) housesAsked(ctx context.Context, nursery, house string) ([]string, error) {
	if house == "" {
		return measuredHouses(ctx, s.db, nursery)
	}
	_, err := stock.ReadHouse(ctx, s.db, nursery, house)
	return []string{house}, err
}

// assessHouse adds the curves of one house.
func (s *Service) assessHouse(ctx context.Context, risk *diagnosisv1.InfectionRisk, nursery, house string, asked period,
	models []ownModel, wetting infection.Wetting) error {
	loggers, err := readHouse(ctx, s.db, nursery, house, asked.from.Add(-leadIn(models)), asked.until)
	if err != nil {
		return err
	}
	current := since(loggers, asked.from)
	notes, err := notesOn(ctx, s.db, nursery, house, asked, current)
	if err != nil {
		return err
	}
	risk.Notes = append(risk.Notes, notes...)
	if len(current) == 0 {
		return nil
	}
	readings, interval := wettest(loggers)
	wetting.Interval = interval
	spans, method := infection.Spans(readings, wetting)
	risk.WetnessMethod = saidMethods(risk.GetWetnessMethod(), string(method))
	first, _ := slices.BinarySearchFunc(spans, asked.from.Unix(), func(span infection.Span, moment int64) int {
		if span.End <= moment {
			return -1
		}
		return 1
	})
	if note := blindNote(house, spans[first:]); note != "" {
		risk.Notes = append(risk.Notes, note)
	}
	advice := infection.Advise(spans[first:], wetting.Waterings, asked.zone)
	for _, m := range models {
		curve := curveContract(m, m.Run(spans, asked.zone), asked)
		curve.House, curve.Model = resource.Of("nurseries", nursery, "houses", house), m.contract(nursery)
		if atRisk(curve) {
			curve.Advice = append(slices.Clone(advice), environmentFor(m.Disorder)...)
		}
		risk.Curves = append(risk.Curves, curve)
	}
	return nil
}

// since keeps the readings that tell of the time after a moment.
func since(loggers []loggerSeries, from time.Time) []loggerSeries {
	var kept []loggerSeries
	for _, l := range loggers {
		after := slices.IndexFunc(l.readings, func(r climate.Reading) bool { return r.Time > from.Unix() })
		if after >= 0 {
			kept = append(kept, loggerSeries{logger: l.logger, readings: l.readings[after:]})
		}
	}
	return kept
}

// blindNote says for how long the readings tell no risk; empty when that is less
// than an hour.
func blindNote(house string, spans []infection.Span) string {
	var blind, all float64
	for _, span := range spans {
		hours := float64(span.End-span.Start) / time.Hour.Seconds()
		all += hours
		if span.Unknown() {
			blind += hours
		}
	}
	if blind < 1 {
		return ""
	}
	return fmt.Sprintf("House %s: in %.0f of %.0f hours with readings there was no temperature, or nothing to tell wet leaves by; "+
		"leaves count as dry then, so the risk may be higher than shown. Another way to tell wet leaves may know more.", house, blind, all)
}

// saidMethods joins how wetness was told in several houses.
func saidMethods(said, method string) string {
	switch {
	case said == "":
		return method
	case slices.Contains(strings.Split(said, "; "), method):
		return said
	default:
		return said + "; " + method
	}
}

// curveContract shows the days asked for and the events in which infection became
// possible on them.
func curveContract(m ownModel, curve infection.Curve, asked period) *diagnosisv1.RiskCurve {
	shown := &diagnosisv1.RiskCurve{Unverified: m.unverified()}
	for _, day := range curve.Days {
		if day.Date.Before(asked.from) {
			continue
		}
		one := &diagnosisv1.RiskDay{
			Date: day.Date.Format(time.DateOnly), RiskPercent: riskPercent(day.Risk), Level: string(day.Level),
			LeafWetness: computed(day.WetHours, hourPlaces, quantity.Hour), Covered: computed(day.KnownHours, hourPlaces, quantity.Hour),
		}
		if day.WetHours > 0 {
			one.WetTemperature = computed(day.WetCelsius, degreePlaces, quantity.Celsius)
		}
		shown.Days = append(shown.Days, one)
	}
	for _, e := range curve.Events {
		if e.Infection.Before(asked.from) {
			continue
		}
		one := &diagnosisv1.InfectionEvent{
			StartTime: timestamppb.New(e.Start), InfectionTime: timestamppb.New(e.Infection), EndTime: timestamppb.New(e.End),
			LeafWetness: computed(e.WetHours, hourPlaces, quantity.Hour), Temperature: computed(e.Celsius, degreePlaces, quantity.Celsius),
			Level: string(e.Level),
		}
		if m.Equation == infection.Generic {
			one.Needed = computed(e.Needed, hourPlaces, quantity.Hour)
		}
		one.SignsFromDate, one.SignsUntilDate = signsBetween(m.Disorder, e.Infection, asked.zone)
		shown.Events = append(shown.Events, one)
	}
	return shown
}

// atRisk says that the leaves were wet at a temperature at which the pathogen
// infects.
func atRisk(curve *diagnosisv1.RiskCurve) bool {
	return len(curve.GetEvents()) > 0 || slices.ContainsFunc(curve.GetDays(), func(d *diagnosisv1.RiskDay) bool {
		return d.GetLevel() != string(infection.None)
	})
}

// environmentFor returns what is known to keep a disorder away: light, air, watering
// and warmth.
func environmentFor(disorder string) []string {
	known, _ := knowledge.Shipped().Disorder(disorder)
	return known.Environment
}
