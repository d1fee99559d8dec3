package diagnosis

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"velamen/internal/postgres/pgtest"
	"velamen/services/diagnosis/climate"
)

func TestTheUsualTemperatureOfAnHourIsThatOfTheClockInTheNursery(t *testing.T) {
	ctx, db := t.Context(), pgtest.New(t)
	pgtest.AddNursery(t, db)
	zone, err := time.LoadLocation("Africa/Johannesburg") // UTC+2
	require.NoError(t, err)
	midnight := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	var readings []climate.Reading
	for _, read := range []struct{ hour, air int }{{6, 1800}, {13, 3125}, {14, climate.Missing}, {6 + 24, 1650}, {6 + 48, 4000}} {
		readings = append(readings, climate.Reading{
			Time:        midnight.Add(time.Duration(read.hour)*time.Hour + 30*time.Minute).Unix(),
			Temperature: int32(read.air), Humidity: 8000, Wetness: climate.Missing,
		})
	}
	require.NoError(t, db.InTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time)
			VALUES ('test', 'h1', 'House 1', 400, 'm2', now()), ('test', 'h2', 'House 2', 400, 'm2', now())`); err != nil {
			return err
		}
		_, _, err := keepReadings(ctx, tx, "test", "h1", "north", readings)
		return err
	}))
	usual, err := ReadUsualTemperatures(ctx, db, "test", zone, midnight, midnight.Add(48*time.Hour))
	require.NoError(t, err)
	require.Equal(t, map[string]map[int]HourTemperature{
		"h1": {6: {Lowest: 1650, Highest: 1800}, 13: {Lowest: 3125, Highest: 3125}},
	}, usual, "the third morning is not asked for, an hour without a reading is not in it, a house without a logger neither")
}
