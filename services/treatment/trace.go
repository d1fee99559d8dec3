package treatment

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/types/known/timestamppb"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/clock"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/resource"
	"velamen/services/diagnosis"
	"velamen/services/diagnosis/knowledge"
	"velamen/services/stock"
	"velamen/services/stock/tracing"
)

// TraceCaution stands on every trace.
const TraceCaution = "Exposure puts lots in an order of looking; it is no probability, and a lot that shared nothing on record may be infected. " +
	"Where a law sets zones the authority draws them. Local law and licensed advice decide."

// TraceContacts says which lots could have caught a disorder from infected lots.
func (s *Service) TraceContacts(ctx context.Context, request *treatmentv1.TraceContactsRequest) (*treatmentv1.ContactTrace, error) {
	parent, err := resource.Parse("parent", request.GetParent(), "nurseries")
	if err != nil {
		return nil, err
	}
	var response *treatmentv1.ContactTrace
	err = s.db.InSnapshot(ctx, func(tx pgx.Tx) error {
		o, err := s.outbreakAsked(ctx, tx, parent[0], request)
		if err != nil {
			return err
		}
		known, err := readTraceFacts(ctx, tx, parent[0], o.window(time.UTC).Start.AddDate(0, 0, -1), o.end)
		if err != nil {
			return err
		}
		response, err = traceContract(ctx, tx, known, o, known.trace(o))
		return err
	})
	return response, err
}

// spread is an outbreak as it is traced.
type spread struct {
	nursery string
	// of is the case's name; empty when there is none yet.
	of string
	// infected are the ids of the infected lots.
	infected []string
	disorder knowledge.Disorder
	// onset is when signs were first seen, end until when it could have spread, UTC.
	onset, end time.Time
	// survey is when the delimitation survey was completed; the zero time when it was
	// not.
	survey time.Time
}

// spreads reports whether the disorder goes from plant to plant at all.
func (o spread) spreads() bool {
	return o.disorder.Latent != nil && len(o.disorder.Contagion.Routes) > 0
}

// window is the time in which the infected lots could have spread it: from the
// beginning of the day so many days before the first signs as an infection can stand
// without any.
func (o spread) window(zone *time.Location) tracing.Question {
	_, longest := o.disorder.LatentTimes()
	year, month, day := o.onset.In(zone).Date()
	start := time.Date(year, month, day, 0, 0, 0, 0, zone).AddDate(0, 0, -int(longest/(24*time.Hour)))
	q := tracing.Question{Infected: o.infected, Start: start.UTC(), End: o.end, Zone: zone}
	for _, route := range o.disorder.Contagion.Routes {
		q.Routes = append(q.Routes, tracing.Route(routeWord(route)))
	}
	return q
}

// outbreakAsked reads what a request wants traced.
func (s *Service) outbreakAsked(ctx context.Context, r postgres.Reader, nursery string, request *treatmentv1.TraceContactsRequest) (spread, error) {
	if (request.GetCase() != "") == (len(request.GetLots()) > 0 || request.GetDisorder() != "") {
		return spread{}, fault.Field("case", "give either a case, or the infected lots and their disorder")
	}
	onset, err := s.past("onset_time", request.GetOnsetTime())
	if err != nil {
		return spread{}, err
	}
	survey, err := s.past("survey_time", request.GetSurveyTime())
	if err != nil {
		return spread{}, err
	}
	if request.GetCase() == "" {
		return s.lotsAsked(ctx, r, nursery, request, spread{nursery: nursery, onset: onset, survey: survey})
	}
	ids, err := resource.Parse("case", request.GetCase(), "nurseries", "cases")
	if err != nil {
		return spread{}, err
	}
	found, err := readOutbreak(ctx, r, nursery, ids[1], false)
	if err != nil {
		return spread{}, err
	}
	o, err := spreadOf(ctx, r, found, s.db.Now())
	if err != nil {
		return spread{}, err
	}
	o.survey = survey
	if !onset.IsZero() {
		o.onset = onset
	}
	if o.onset.After(o.end) {
		return spread{}, fault.Field("onset_time", "lies after the case was closed (%s)", o.end.Format(time.RFC3339))
	}
	return o, o.checkSurvey()
}

// checkSurvey refuses a delimitation survey that was completed before there was
// anything to delimit: a hold that counts from it would end too early.
func (o spread) checkSurvey() error {
	if o.survey.IsZero() || !o.survey.Before(o.onset) {
		return nil
	}
	return fault.FieldReason(fault.Invalid, fault.InvalidTimes, "survey_time", "lies before signs were first seen (%s)", o.onset.Format(time.RFC3339)).
		With("survey_time", o.survey.Format(time.RFC3339)).With("onset_time", o.onset.Format(time.RFC3339))
}

// past reads a time that must not lie in the future; absent is the zero time.
func (s *Service) past(field string, given *timestamppb.Timestamp) (time.Time, error) {
	if given == nil {
		return time.Time{}, nil
	}
	if given.CheckValid() != nil {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "is not a time between the years 1 and 9999")
	}
	when := clock.Stored(given.AsTime())
	if clock.InFuture(s.db.Clock(), when) {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "must not lie in the future").With(field, when.Format(time.RFC3339))
	}
	if when.Before(earliestOnset) {
		return time.Time{}, fault.FieldReason(fault.Invalid, fault.InvalidTimes, field, "must not lie before the year %d", earliestOnset.Year()).
			With(field, when.Format(time.RFC3339))
	}
	return when, nil
}

// earliestOnset bounds a trace against a slip of the pen.
var earliestOnset = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)

func (s *Service) lotsAsked(ctx context.Context, r postgres.Reader, nursery string, request *treatmentv1.TraceContactsRequest, o spread) (spread, error) {
	if len(request.GetLots()) == 0 {
		return spread{}, fault.Field("lots", "name the infected lots, or give a case")
	}
	for i, name := range request.GetLots() {
		ids, err := resource.Parse("lots["+strconv.Itoa(i)+"]", name, "nurseries", "lots")
		if err != nil {
			return spread{}, err
		}
		o.infected = append(o.infected, ids[1])
	}
	if _, err := stock.ReadLots(ctx, r, nursery, o.infected); err != nil {
		return spread{}, err
	}
	var known bool
	if o.disorder, known = knowledge.Shipped().Disorder(request.GetDisorder()); !known {
		return spread{}, unknownDisorder("disorder", request.GetDisorder())
	}
	o.end = s.db.Now()
	if o.onset.IsZero() {
		o.onset = o.end
		return o, nil // nobody said when, so a survey may well have come after it
	}
	return o, o.checkSurvey()
}

// spreadOf is a case as it is traced: its lots and what was split off them since,
// from its first inspection on until now or until it was closed.
func spreadOf(ctx context.Context, r postgres.Reader, found *outbreak, now time.Time) (spread, error) {
	o := spread{nursery: found.nursery, of: found.name(), infected: slices.Clone(found.lots), end: now}
	diagnosed, err := diagnosis.ReadDiagnosis(ctx, r, found.nursery, found.diagnosis)
	if err != nil {
		return o, err
	}
	var known bool
	if o.disorder, known = knowledge.Shipped().Disorder(diagnosed.Disorder); !known {
		return o, fault.Missing("disorder", diagnosed.Disorder)
	}
	if o.onset, err = diagnosis.ReadOnset(ctx, r, found.nursery, found.diagnosis); err != nil {
		return o, err
	}
	if o.onset.IsZero() {
		o.onset = found.created
	}
	held, err := stock.ReadHeld(ctx, r, found.nursery, found.name())
	if err != nil {
		return o, err
	}
	for _, lot := range held {
		if !slices.Contains(o.infected, lot) {
			o.infected = append(o.infected, lot)
		}
	}
	closed, err := readClosed(ctx, r, found)
	if err == nil && !closed.IsZero() {
		o.end = closed
	}
	return o, err
}
