package diagnosis

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"velamen/internal/postgres"
)

// HourTemperature is the air of a house in one hour of the clock over some days.
type HourTemperature struct {
	// Lowest and Highest reading of all its loggers, hundredths of Cel.
	Lowest, Highest int
}

// ReadUsualTemperatures returns, by house (id) and hour of the clock in a zone (0 to
// 23), the air between two moments. An hour of which no logger has a reading is not
// in it.
func ReadUsualTemperatures(ctx context.Context, r postgres.Reader, nursery string, zone *time.Location, from, until time.Time) (map[string]map[int]HourTemperature, error) {
	rows, err := r.Query(ctx, `
		SELECT house, extract(hour FROM at AT TIME ZONE @zone)::int AS hour, min(air), max(air)
		FROM (
			SELECT d.house, (d.day::timestamp + make_interval(secs => reading.second)) AT TIME ZONE 'UTC' AS at, reading.air
			FROM diagnosis.climate_day d, unnest(d.seconds, d.temperature) AS reading(second, air)
			WHERE d.nursery = @nursery AND d.day BETWEEN @first AND @last AND reading.air IS NOT NULL
		) AS readings
		WHERE at >= @from AND at < @until
		GROUP BY house, hour ORDER BY house COLLATE "C", hour`, pgx.NamedArgs{
		"nursery": nursery, "zone": zone.String(), "from": from, "until": until,
		"first": from.UTC().Format(time.DateOnly), "last": until.UTC().Format(time.DateOnly),
	})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	usual := map[string]map[int]HourTemperature{}
	var house string
	var hour int
	var air HourTemperature
	_, err = pgx.ForEachRow(rows, []any{&house, &hour, &air.Lowest, &air.Highest}, func() error {
		if usual[house] == nil {
			usual[house] = map[int]HourTemperature{}
		}
		usual[house][hour] = air
		return nil
	})
	return usual, postgres.Translate(err)
}
