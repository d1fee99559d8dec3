package treatment

import (
	"context"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	treatmentv1 "velamen/gen/velamen/treatment/v1"
	"velamen/internal/fault"
	"velamen/internal/postgres"
	"velamen/internal/quantity"
	"velamen/internal/resource"
	"velamen/services/treatment/entry"
)

// airingRow is a row of treatment.airing.
type airingRow struct {
	nursery, id, house string
	device             treatmentv1.AiringDevice
	start, end         time.Time
	// flow is in m3/h, empty for all fans of the house.
	flow       string
	recorder   string
	created    time.Time
	voidReason string
	voider     string
}

func (a *airingRow) name() string { return airingName(a.nursery, a.house, a.id) }

func airingName(nursery, house, id string) string {
	return resource.Of("nurseries", nursery, "houses", house, "airings", id)
}

const devicePrefix = "AIRING_DEVICE_"

const airingColumns = `nursery, id, house, device, start_time, end_time, coalesce(flow_m3_h::text, ''), recorder, create_time,
	coalesce(void_reason, ''), coalesce(voider, '')`

func scanAiring(row pgx.Row) (*airingRow, error) {
	a := &airingRow{}
	var device string
	var end *time.Time
	err := row.Scan(&a.nursery, &a.id, &a.house, &device, &a.start, &end, &a.flow, &a.recorder, &a.created, &a.voidReason, &a.voider)
	a.device = treatmentv1.AiringDevice(treatmentv1.AiringDevice_value[devicePrefix+device])
	if end != nil {
		a.end = *end
	}
	return a, err
}

func queryAirings(ctx context.Context, r postgres.Reader, where string, args ...any) ([]*airingRow, error) {
	rows, err := r.Query(ctx, `SELECT `+airingColumns+` FROM treatment.airing WHERE `+where, args...)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*airingRow, error) { return scanAiring(row) })
	return found, postgres.Translate(err)
}

// lockAiring reads an airing for a change, or returns a NotFound fault.
func lockAiring(ctx context.Context, tx pgx.Tx, nursery, house, id string) (*airingRow, error) {
	a, err := scanAiring(tx.QueryRow(ctx, `
		SELECT `+airingColumns+` FROM treatment.airing WHERE nursery = $1 AND house = $2 AND id = $3 FOR UPDATE`, nursery, house, id))
	if postgres.NoRows(err) {
		return nil, fault.Missing("airing", airingName(nursery, house, id))
	}
	return a, postgres.Translate(err)
}

func insertAiring(ctx context.Context, tx pgx.Tx, a *airingRow) error {
	_, err := tx.Exec(ctx, `
		INSERT INTO treatment.airing (nursery, id, house, device, start_time, end_time, flow_m3_h, recorder, create_time, ender, ended_at)
		VALUES (@nursery, @id, @house, @device, @start, @end, nullif(@flow::text, '')::numeric, @recorder, @created,
			CASE WHEN @end::timestamptz IS NULL THEN NULL ELSE @recorder END, CASE WHEN @end::timestamptz IS NULL THEN NULL ELSE @created::timestamptz END)`,
		pgx.NamedArgs{
			"nursery": a.nursery, "id": a.id, "house": a.house, "device": strings.TrimPrefix(a.device.String(), devicePrefix),
			"start": a.start, "end": orNull(a.end), "flow": a.flow, "recorder": a.recorder, "created": a.created,
		})
	return postgres.Translate(err)
}

func endAiring(ctx context.Context, tx pgx.Tx, a *airingRow, person string, now time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE treatment.airing SET end_time = $3, ender = $4, ended_at = $5 WHERE nursery = $1 AND id = $2`,
		a.nursery, a.id, a.end, person, now)
	return postgres.Translate(err)
}

func voidAiring(ctx context.Context, tx pgx.Tx, a *airingRow, now time.Time) error {
	_, err := tx.Exec(ctx, `
		UPDATE treatment.airing SET void_reason = $3, voider = $4, void_time = $5 WHERE nursery = $1 AND id = $2`,
		a.nursery, a.id, a.voidReason, a.voider, now)
	return postgres.Translate(err)
}

// devices are how a house is aired, as the rules of entry call it.
var devices = map[treatmentv1.AiringDevice]entry.Device{
	treatmentv1.AiringDevice_AIRING_DEVICE_FANS:  entry.Fans,
	treatmentv1.AiringDevice_AIRING_DEVICE_VENTS: entry.Vents,
	treatmentv1.AiringDevice_AIRING_DEVICE_SHUT:  entry.Shut,
}

// readAirings returns the airings that count and go on at a moment or after it. Fans of
// which no flow is entered are all fans of the house, and none move more than those.
func readAirings(ctx context.Context, r postgres.Reader, nursery string, from time.Time, houses []entry.House) ([]entry.Airing, error) {
	found, err := queryAirings(ctx, r, `
		nursery = $1 AND void_time IS NULL AND (end_time IS NULL OR end_time > $2) ORDER BY start_time, id`, nursery, from)
	if err != nil {
		return nil, err
	}
	all := map[string]quantity.Quantity{}
	for _, house := range houses {
		all[house.ID] = house.FanFlow
	}
	var airings []entry.Airing
	for _, a := range found {
		one, err := a.counted()
		if err != nil {
			return nil, err
		}
		if one.Device == entry.Fans {
			if less, err := one.Flow.Compare(all[a.house]); err != nil || less >= 0 {
				one.Flow = all[a.house]
			}
		}
		airings = append(airings, one)
	}
	return airings, nil
}

// counted returns an airing as the rules of entry count it.
func (a *airingRow) counted() (entry.Airing, error) {
	one := entry.Airing{House: a.house, Device: devices[a.device], Start: a.start.UTC()}
	if !a.end.IsZero() {
		one.End = a.end.UTC()
	}
	var err error
	if a.flow != "" {
		one.Flow, err = quantity.New(a.flow, quantity.CubicMetrePerH)
	}
	return one, err
}

// readAir returns what was measured in the air after some applications, by application
// and house.
func readAir(ctx context.Context, r postgres.Reader, nursery string, applied []*application, l labels) (map[signed][]entry.Measurement, error) {
	rows, err := r.Query(ctx, `
		SELECT application, house, product, measure_time, amount::text, unit FROM treatment.air_measurement
		WHERE nursery = $1 AND application = ANY($2::text[]) ORDER BY application, measure_time, id`, nursery, applicationIDs(applied))
	if err != nil {
		return nil, postgres.Translate(err)
	}
	air := map[signed][]entry.Measurement{}
	var of signed
	var product, amount, unit string
	var at time.Time
	_, err = pgx.ForEachRow(rows, []any{&of.application, &of.house, &product, &at, &amount, &unit}, func() error {
		value, err := quantity.New(amount, quantity.Unit(unit))
		if err != nil {
			return err
		}
		air[of] = append(air[of], entry.Measurement{Product: l.nameOf(l.byID[product]), Time: at.UTC(), Value: value})
		return nil
	})
	return air, postgres.Translate(err)
}
