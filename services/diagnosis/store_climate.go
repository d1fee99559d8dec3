package diagnosis

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"google.golang.org/protobuf/encoding/protojson"

	diagnosisv1 "velamen/gen/velamen/diagnosis/v1"
	"velamen/internal/postgres"
	"velamen/services/diagnosis/climate"
	"velamen/services/diagnosis/infection"
	"velamen/services/diagnosis/inference"
)

const daySeconds = 86_400

// lockLogger has imports of one logger wait for each other: they join what the one
// before kept.
func lockLogger(ctx context.Context, tx pgx.Tx, nursery, house, logger string) error {
	_, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtextextended('diagnosis.climate ' || $1 || ' ' || $2 || ' ' || $3, 0))`,
		nursery, house, logger)
	return err
}

// keepReadings joins the readings of a file with those of its logger, day by day.
func keepReadings(ctx context.Context, tx pgx.Tx, nursery, house, logger string, file []climate.Reading) (replaced, differing int64, err error) {
	before, err := readLogger(ctx, tx, nursery, house, logger, file[0].Time, file[len(file)-1].Time)
	if err != nil {
		return 0, 0, err
	}
	batch := &pgx.Batch{}
	for len(file) > 0 {
		day := file[0].Time / daySeconds
		var old, next []climate.Reading
		next, file = cutDay(file, day)
		for len(before) > 0 && before[0].Time/daySeconds < day {
			before = before[1:]
		}
		old, before = cutDay(before, day)
		all, again, other := joined(old, next)
		replaced, differing = replaced+again, differing+other
		queueDay(batch, nursery, house, logger, day, all)
	}
	return replaced, differing, tx.SendBatch(ctx, batch).Close()
}

// cutDay parts the readings of a day, counted from 1970-01-01, from those after it.
func cutDay(readings []climate.Reading, day int64) (of, after []climate.Reading) {
	n := 0
	for n < len(readings) && readings[n].Time/daySeconds == day {
		n++
	}
	return readings[:n], readings[n:]
}

func queueDay(batch *pgx.Batch, nursery, house, logger string, day int64, readings []climate.Reading) {
	n := len(readings)
	seconds, values := make([]int32, n), [3][]pgtype.Int4{make([]pgtype.Int4, n), make([]pgtype.Int4, n), make([]pgtype.Int4, n)}
	for i, r := range readings {
		seconds[i] = int32(r.Time - day*daySeconds) // #nosec G115 -- within a day
		for column, value := range [3]int32{r.Temperature, r.Humidity, r.Wetness} {
			values[column][i] = pgtype.Int4{Int32: value, Valid: value != climate.Missing}
		}
	}
	batch.Queue(`
		INSERT INTO diagnosis.climate_day (nursery, house, logger, day, seconds, temperature, humidity, wetness)
		VALUES (@nursery, @house, @logger, @day, @seconds, @temperature, @humidity, @wetness)
		ON CONFLICT ON CONSTRAINT climate_day_pk DO UPDATE SET seconds = excluded.seconds, temperature = excluded.temperature,
			humidity = excluded.humidity, wetness = excluded.wetness`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "logger": logger, "day": time.Unix(day*daySeconds, 0).UTC(),
			"seconds": seconds, "temperature": values[0], "humidity": values[1], "wetness": values[2]})
}

// readLogger returns the readings of a logger on all days (UTC) that two moments lie
// in or between.
func readLogger(ctx context.Context, r postgres.Reader, nursery, house, logger string, first, last int64) ([]climate.Reading, error) {
	loggers, err := readDays(ctx, r, nursery, house, &logger, time.Unix(first, 0), time.Unix(last, 0))
	if err != nil || len(loggers) == 0 {
		return nil, err
	}
	return loggers[0].readings, nil
}

// readHouse returns the readings of every logger of a house that tell of the time
// between two moments: those after the first up to and with the second.
func readHouse(ctx context.Context, r postgres.Reader, nursery, house string, from, until time.Time) ([]loggerSeries, error) {
	loggers, err := readDays(ctx, r, nursery, house, nil, from, until)
	if err != nil {
		return nil, err
	}
	kept := loggers[:0]
	for _, l := range loggers {
		for len(l.readings) > 0 && l.readings[0].Time <= from.Unix() {
			l.readings = l.readings[1:]
		}
		for n := len(l.readings); n > 0 && l.readings[n-1].Time > until.Unix(); n-- {
			l.readings = l.readings[:n-1]
		}
		if len(l.readings) > 0 {
			kept = append(kept, l)
		}
	}
	return kept, nil
}

// readDays reads whole days of one or all loggers of a house.
func readDays(ctx context.Context, r postgres.Reader, nursery, house string, logger *string, from, until time.Time) ([]loggerSeries, error) {
	rows, err := r.Query(ctx, `
		SELECT logger, extract(epoch FROM day)::bigint, seconds, temperature, humidity, wetness FROM diagnosis.climate_day
		WHERE nursery = @nursery AND house = @house AND logger = coalesce(@logger, logger) AND day BETWEEN @from AND @until
		ORDER BY logger, day`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "logger": logger, "from": from.UTC(), "until": until.UTC()})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	var loggers []loggerSeries
	var name string
	var day int64
	var seconds []int32
	var temperature, humidity, wetness []pgtype.Int4
	_, err = pgx.ForEachRow(rows, []any{&name, &day, &seconds, &temperature, &humidity, &wetness}, func() error {
		if len(loggers) == 0 || loggers[len(loggers)-1].logger != name {
			loggers = append(loggers, loggerSeries{logger: name})
		}
		l := &loggers[len(loggers)-1]
		for i, second := range seconds {
			l.readings = append(l.readings, climate.Reading{
				Time: day + int64(second), Temperature: hundredths(temperature[i]), Humidity: hundredths(humidity[i]), Wetness: hundredths(wetness[i]),
			})
		}
		return nil
	})
	return loggers, postgres.Translate(err)
}

func hundredths(stored pgtype.Int4) int32 {
	if !stored.Valid {
		return climate.Missing
	}
	return stored.Int32
}

// meanConditions returns the mean temperature, humidity and wet hours a day of a
// house between two moments, as far as its loggers recorded them; nil where they did
// not.
func meanConditions(ctx context.Context, r postgres.Reader, nursery, house string, from, until time.Time) (inference.Conditions, error) {
	loggers, err := readHouse(ctx, r, nursery, house, from, until)
	if err != nil {
		return inference.Conditions{}, err
	}
	readings, _ := wettest(loggers)
	spans, _ := infection.Spans(readings, infection.Wetting{})
	var all climateDay
	for i, span := range spans {
		all.add(readings[i], span)
	}
	var mean inference.Conditions
	if temperature := all.temperature.mean(); temperature != nil {
		celsius, _ := temperature.Float64()
		mean.TemperatureC = &celsius
	}
	if humidity := all.humidity.mean(); humidity != nil {
		percent, _ := humidity.Float64()
		mean.HumidityPercent = &percent
	}
	if all.covered > 0 && all.tellsWetness {
		perDay := all.wet / all.covered * 24
		mean.WetHoursPerDay = &perDay
	}
	return mean, nil
}

// importRow is a file that was read, as it is kept.
type importRow struct {
	nursery, id, house, logger  string
	readings, replaced, leftOut int64
	start, end                  time.Time
	intervalSeconds             int64
	// report holds the format, the faults and their counts.
	report     *diagnosisv1.ClimateImport
	importer   string
	createTime time.Time
}

func insertImport(ctx context.Context, tx pgx.Tx, i importRow) error {
	report, err := protojson.Marshal(i.report)
	if err != nil {
		return fmt.Errorf("report of a climate import: %w", err)
	}
	_, err = tx.Exec(ctx, `
		INSERT INTO diagnosis.climate_import (nursery, id, house, logger, readings, replaced, left_out, start_time, end_time,
			interval_seconds, report, importer, create_time)
		VALUES (@nursery, @id, @house, @logger, @readings, @replaced, @left_out, @start, @end, @interval, @report, @importer, @create_time)`,
		pgx.NamedArgs{"nursery": i.nursery, "id": i.id, "house": i.house, "logger": i.logger, "readings": i.readings, "replaced": i.replaced,
			"left_out": i.leftOut, "start": i.start, "end": i.end, "interval": i.intervalSeconds, "report": report,
			"importer": i.importer, "create_time": i.createTime})
	return err
}

const selectImport = `
	SELECT i.nursery, i.id, i.house, i.logger, i.readings, i.replaced, i.left_out, i.start_time, i.end_time, i.interval_seconds,
		i.report, i.importer, i.create_time
	FROM diagnosis.climate_import i`

func scanImport(row pgx.CollectableRow) (importRow, error) {
	i := importRow{report: &diagnosisv1.ClimateImport{}}
	var report []byte
	err := row.Scan(&i.nursery, &i.id, &i.house, &i.logger, &i.readings, &i.replaced, &i.leftOut, &i.start, &i.end, &i.intervalSeconds,
		&report, &i.importer, &i.createTime)
	if err != nil {
		return importRow{}, err
	}
	if err := protojson.Unmarshal(report, i.report); err != nil {
		return importRow{}, fmt.Errorf("report of climate import %s: %w", i.id, err)
	}
	return i, nil
}

// listImports returns up to limit imports before a mark, newest first, of one house
// when house is not empty.
func listImports(ctx context.Context, r postgres.Reader, nursery, house string, before *mark, limit int) ([]importRow, error) {
	query := selectImport + ` WHERE i.nursery = @nursery`
	args := pgx.NamedArgs{"nursery": nursery, "limit": limit}
	if house != "" {
		query += ` AND i.house = @house`
		args["house"] = house
	}
	if before != nil {
		query += ` AND (i.create_time, i.id) < (@time, @id)`
		args["time"], args["id"] = before.time, before.id
	}
	rows, err := r.Query(ctx, query+` ORDER BY i.create_time DESC, i.id DESC LIMIT @limit`, args)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	imports, err := pgx.CollectRows(rows, scanImport)
	return imports, postgres.Translate(err)
}

// mostImports is how many files are searched for faults within some days: a logger
// that is read out daily for half a year. Design value.
const mostImports = 200

// importsWithin returns the newest imports of a house that hold readings between
// two moments.
func importsWithin(ctx context.Context, r postgres.Reader, nursery, house string, from, until time.Time) ([]importRow, error) {
	rows, err := r.Query(ctx, selectImport+`
		WHERE i.nursery = @nursery AND i.house = @house AND i.start_time <= @until AND i.end_time > @from
		ORDER BY i.create_time DESC, i.id DESC LIMIT @limit`,
		pgx.NamedArgs{"nursery": nursery, "house": house, "from": from, "until": until, "limit": mostImports})
	if err != nil {
		return nil, postgres.Translate(err)
	}
	imports, err := pgx.CollectRows(rows, scanImport)
	return imports, postgres.Translate(err)
}

// measuredHouses returns the houses from which a logger was read in.
func measuredHouses(ctx context.Context, r postgres.Reader, nursery string) ([]string, error) {
	rows, err := r.Query(ctx, `SELECT DISTINCT house FROM diagnosis.climate_import WHERE nursery = $1 ORDER BY house`, nursery)
	if err != nil {
		return nil, postgres.Translate(err)
	}
	houses, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return houses, postgres.Translate(err)
}
