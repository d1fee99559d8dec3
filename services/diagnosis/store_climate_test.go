package diagnosis

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"velamen/internal/postgres/pgtest"
	"velamen/services/diagnosis/climate"
)

func TestMeanConditions(t *testing.T) {
	ctx, db := context.Background(), pgtest.New(t)
	pgtest.AddNursery(t, db)
	from := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	var readings []climate.Reading
	for i := range int64(12) {
		r := climate.Reading{Time: from.Unix() + (i+1)*3600, Temperature: 2000, Humidity: 9500, Wetness: climate.Missing}
		if i >= 6 {
			r.Temperature, r.Humidity = 2401, 8000
		}
		readings = append(readings, r)
	}
	require.NoError(t, db.InTx(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `INSERT INTO stock.house (nursery, id, display_name, area, area_unit, create_time) VALUES ('test', 'h1', 'House 1', 400, 'm2', now())`); err != nil {
			return err
		}
		_, _, err := keepReadings(ctx, tx, "test", "h1", "north", readings)
		return err
	}))
	mean, err := meanConditions(ctx, db, "test", "h1", from, from.Add(24*time.Hour))
	require.NoError(t, err)
	require.InDelta(t, 22.005, *mean.TemperatureC, 1e-9)
	require.InDelta(t, 87.5, *mean.HumidityPercent, 1e-9)
	require.InDelta(t, 12, *mean.WetHoursPerDay, 1e-9)

	mean, err = meanConditions(ctx, db, "test", "h1", from.Add(-24*time.Hour), from)
	require.NoError(t, err)
	require.Nil(t, mean.TemperatureC, "the reading at the end of a span tells of it, the one at its beginning does not")
	require.Nil(t, mean.HumidityPercent)
	require.Nil(t, mean.WetHoursPerDay)
}

// What two files of one logger say of the same time: the later one counts, value by
// value.
func TestJoinedReadings(t *testing.T) {
	r := func(second int64, temperature, humidity int32) climate.Reading {
		return climate.Reading{Time: second, Temperature: temperature, Humidity: humidity, Wetness: climate.Missing}
	}
	all, replaced, differing := joined(
		[]climate.Reading{r(1, 10, 11), r(3, 30, 31), r(4, 40, 41), r(9, 90, 91)},
		[]climate.Reading{r(2, 20, 21), r(3, 30, climate.Missing), r(4, 40, 42), r(5, 50, 51)})
	require.Equal(t, []climate.Reading{r(1, 10, 11), r(2, 20, 21), r(3, 30, 31), r(4, 40, 42), r(5, 50, 51), r(9, 90, 91)}, all)
	require.EqualValues(t, 2, replaced)
	require.EqualValues(t, 1, differing)
}

// Loggers with other intervals meet on the longest of them; gaps of one are filled
// by the other.
func TestWettest(t *testing.T) {
	r := func(second int64, humidity int32) climate.Reading {
		return climate.Reading{Time: second, Temperature: humidity / 10, Humidity: humidity, Wetness: climate.Missing}
	}
	a := loggerSeries{"a", []climate.Reading{r(600, 10), r(1200, 90), r(1800, 10)}}
	b := loggerSeries{"b", []climate.Reading{r(300, 20), r(600, 5), r(900, 20), r(1200, 20), r(2101, 30)}}
	readings, interval := wettest([]loggerSeries{a, b})
	require.EqualValues(t, 600, interval)
	require.Equal(t, []climate.Reading{
		{Time: 600, Temperature: 2, Humidity: 20, Wetness: climate.Missing}, {Time: 1200, Temperature: 9, Humidity: 90, Wetness: climate.Missing},
		{Time: 1800, Temperature: 1, Humidity: 10, Wetness: climate.Missing}, {Time: 2400, Temperature: 3, Humidity: 30, Wetness: climate.Missing},
	}, readings)
	require.Len(t, a.readings, 3, "the loggers' own readings stay")

	// One logger has a leaf sensor and no thermometer, the other the moister air.
	leaf := loggerSeries{"leaf", []climate.Reading{{Time: 600, Temperature: climate.Missing, Humidity: 8000, Wetness: 10000}}}
	moist := loggerSeries{"moist", []climate.Reading{{Time: 590, Temperature: 2000, Humidity: 9900, Wetness: climate.Missing}}}
	for _, loggers := range [][]loggerSeries{{leaf, moist}, {moist, leaf}} {
		readings, _ = wettest(loggers)
		require.Equal(t, []climate.Reading{{Time: 600, Temperature: 2000, Humidity: 9900, Wetness: 10000}}, readings)
	}
	alone, interval := wettest([]loggerSeries{b})
	require.Equal(t, b.readings, alone)
	require.Zero(t, interval)
}
