package treatment

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/internal/rpc"
	"velamen/services/stock"
)

// RecordAirMeasurement records how much of a product was measured in the air of a house
// after an application.
func (s *Service) RecordAirMeasurement(ctx context.Context, request *treatmentv1.RecordAirMeasurementRequest) (*treatmentv1.AirMeasurement, error) {
	ids, err := resource.Parse("parent", request.GetParent(), "nurseries", "houses")
	if err != nil {
		return nil, err
	}
	measured := request.GetAirMeasurement()
	at, err := pastTime("air_measurement.measure_time", measured.GetMeasureTime(), s.db.Clock())
	if err != nil {
		return nil, err
	}
	value, err := quantity.FromContract(measured.GetValue())
	if err != nil {
		return nil, fault.Field("air_measurement.value", "%s", err)
	}
	if value.Unit != quantity.PartsPerMillion || value.Amount.IsNegative() {
		return nil, fault.Field("air_measurement.value", "must be zero or more ppm, the unit of labels")
	}
	return rpc.Once(ctx, s.db, request, func(ctx context.Context, tx pgx.Tx, caller rpc.Principal) (*treatmentv1.AirMeasurement, error) {
		if _, err := stock.ReadHouse(ctx, tx, ids[0], ids[1]); err != nil {
			return nil, err
		}
		application, product, err := measurable(ctx, tx, request.GetParent(), measured, at)
		if err != nil {
			return nil, err
		}
		id, now := uuid.NewString(), s.db.Now()
		_, err = tx.Exec(ctx, `
			INSERT INTO treatment.air_measurement (nursery, id, house, application, product, measure_time, amount, unit, recorder, create_time)
			VALUES ($1, $2, $3, $4, $5, $6, $7::text::numeric, $8, $9, $10)`,
			ids[0], id, ids[1], application, product, at, value.Plain(), string(value.Unit), caller.Person, now)
		if err != nil {
			return nil, postgres.Translate(err)
		}
		if err := s.closuresChanged(ctx, tx, ids[0], ids[1]); err != nil {
			return nil, err
		}
		return &treatmentv1.AirMeasurement{
			Name:        resource.Of("nurseries", ids[0], "houses", ids[1], "airMeasurements", id),
			Application: measured.GetApplication(), Product: measured.GetProduct(), MeasureTime: timestamp(at), Value: value.Contract(),
			Recorder: resource.Of("nurseries", ids[0], "people", caller.Person), CreateTime: timestamp(now),
		}, nil
	})
}

// measurable returns the ids of the application and the product that were measured, and
// refuses a product that the application did not bring into the house (name), and a
// measurement from before its end, which shows nothing.
func measurable(ctx context.Context, r postgres.Reader, house string, measured *treatmentv1.AirMeasurement, at time.Time) (application, product string, err error) {
	named, err := resource.Parse("air_measurement.application", measured.GetApplication(), "nurseries", "applications")
	if err != nil {
		return "", "", err
	}
	used, err := resource.Parse("air_measurement.product", measured.GetProduct(), "nurseries", "products")
	if err != nil {
		return "", "", err
	}
	found, err := readApplications(ctx, r, `nursery = $1 AND id = $2`, named[0], named[1])
	if err != nil {
		return "", "", postgres.Translate(err)
	}
	if len(found) == 0 {
		return "", "", fault.Missing("application", measured.GetApplication())
	}
	a := found[0]
	brought := slices.ContainsFunc(a.treatments, func(t *treatmentv1.HouseTreatment) bool {
		return t.GetHouse() == house && slices.ContainsFunc(t.GetProducts(), func(use *treatmentv1.ProductUse) bool { return use.GetProduct() == measured.GetProduct() })
	})
	if !brought {
		return "", "", fault.Field("air_measurement.product", "application %s did not apply it in this house", a.id).With("product", measured.GetProduct())
	}
	if at.Before(a.end) {
		return "", "", fault.FieldReason(fault.Invalid, fault.InvalidTimes, "air_measurement.measure_time",
			"the air is measured after the application, which ended at %s", a.end.UTC().Format(time.RFC3339))
	}
	return a.id, used[1], nil
}
